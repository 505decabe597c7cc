package worker

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"nightcage/worker/depot"
)

// Keys of the depot that hosts share. What lies in it is a copy: of clips, until they
// are measured, and of records, which count in the home that made them.
func clipKey(sha256 string) string     { return "clips/" + sha256 }
func recordFolder(jobID string) string { return "records/" + jobID }

// sumsKey is written last and read first: without it a record is not in the depot.
func sumsKey(jobID string) string { return recordFolder(jobID) + "/sums" }

// Deposit puts a job's clip into the depot, unless it is there, and returns the job
// as one whose clip is fetched from there. Errors wrap ErrStorage; a file that is no
// longer the one that was hashed is a *Failure of KindClipChanged.
func Deposit(ctx context.Context, dep depot.Depot, j Job) (Job, error) {
	j.Deposited = true
	r, err := dep.Get(ctx, clipKey(j.ClipSHA256))
	if err == nil {
		return j, r.Close()
	}
	if errors.Is(err, depot.ErrAbsent) {
		err = deposit(ctx, dep, j)
	}
	var f *Failure
	if err != nil && !errors.As(err, &f) {
		err = fmt.Errorf("%w: deposit %s: %w", ErrStorage, filepath.Base(j.Clip), err)
	}
	return j, err
}

func deposit(ctx context.Context, dep depot.Depot, j Job) error {
	f, err := os.Open(j.Clip)
	if err != nil {
		return err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return err
	}
	h := sha256.New()
	if err := dep.Put(ctx, clipKey(j.ClipSHA256), io.TeeReader(f, h), info.Size()); err != nil {
		return err
	}
	if hex.EncodeToString(h.Sum(nil)) == j.ClipSHA256 {
		return nil
	}
	return errors.Join(&Failure{Class: ClassBadClip, Kind: KindClipChanged, Words: "the file changed while it was handed in"},
		dep.Delete(ctx, clipKey(j.ClipSHA256)))
}

// fetch returns the job with its clip as a file of this machine; leave removes the
// copy. The caller checks the bytes.
func (w *Worker) fetch(ctx context.Context, j Job, touch func()) (local Job, leave func(), err error) {
	if !j.Deposited {
		return j, func() {}, nil
	}
	away := func(words string, err error) (Job, func(), error) {
		return j, func() {}, &Failure{Class: ClassAway, Kind: KindStorage, Words: words, Err: err}
	}
	if w.Depot == nil {
		return away("the clip is in a depot, and this worker was given none", nil)
	}
	dir, err := w.Home.newScratch()
	if err != nil {
		return away("no scratch space for the clip", err)
	}
	remove := func() { os.RemoveAll(dir) }
	defer func() {
		if err != nil {
			remove()
		}
	}()
	r, err := w.Depot.Get(ctx, clipKey(j.ClipSHA256))
	if errors.Is(err, depot.ErrAbsent) {
		return j, func() {}, &Failure{Class: ClassTransient, Kind: KindClipMissing, Words: "the clip is no longer in the depot", Err: err}
	}
	if err != nil {
		return away("the clip cannot be fetched", err)
	}
	defer r.Close()
	local = j
	local.Clip = filepath.Join(dir, filepath.Base(j.Clip))
	f, err := os.OpenFile(local.Clip, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return away("no scratch space for the clip", err)
	}
	_, err = io.Copy(f, watchedReader{ctx, r, touch})
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	if err != nil {
		return away("the clip cannot be fetched to its end", err)
	}
	return local, remove, nil
}

// share puts the files of a stored record into the depot. It may be repeated.
func (w *Worker) share(ctx context.Context, jobID string) error {
	if w.Depot == nil {
		return nil
	}
	names, err := w.Records.Files(jobID)
	if err != nil {
		return err
	}
	put := func(key string, b []byte) error {
		return w.Depot.Put(ctx, key, bytes.NewReader(b), int64(len(b)))
	}
	var sums strings.Builder
	for _, name := range names {
		b, err := w.Records.ReadFile(jobID, name)
		if err != nil {
			return err
		}
		if err := put(recordFolder(jobID)+"/"+name, b); err != nil {
			return err
		}
		fmt.Fprintf(&sums, "%x  %s\n", sha256.Sum256(b), name)
	}
	return put(sumsKey(jobID), []byte(sums.String()))
}

// bring stores a record that another home made and shared. ok is false when the
// depot has none.
func (d *Desk) bring(ctx context.Context, jobID string) (ok bool, err error) {
	if d.Depot == nil {
		return false, nil
	}
	left := int64(maxResultBytes)
	read := func(key string) ([]byte, error) {
		r, err := d.Depot.Get(ctx, key)
		if err != nil {
			return nil, err
		}
		defer r.Close()
		b, err := io.ReadAll(io.LimitReader(r, left+1))
		if left -= int64(len(b)); err == nil && left < 0 {
			err = fmt.Errorf("%w: the shared record of %s is too big", ErrDamaged, jobID)
		}
		return b, err
	}
	b, err := read(sumsKey(jobID))
	if errors.Is(err, depot.ErrAbsent) {
		return false, nil
	}
	var files []File
	for line := range strings.Lines(string(b)) {
		sum, name, cut := strings.Cut(strings.TrimSuffix(line, "\n"), "  ")
		if !cut || !filepath.IsLocal(name) {
			return false, fmt.Errorf("%w: the shared record of %s", ErrDamaged, jobID)
		}
		f := File{Name: name}
		if f.Bytes, err = read(recordFolder(jobID) + "/" + name); err != nil {
			break
		}
		if got := sha256.Sum256(f.Bytes); hex.EncodeToString(got[:]) != sum {
			return false, fmt.Errorf("%w: the shared record of %s: %s", ErrDamaged, jobID, name)
		}
		files = append(files, f)
	}
	if err == nil {
		err = d.Records.Put(jobID, files)
	}
	if err != nil && !errors.Is(err, ErrRecorded) {
		return false, fmt.Errorf("bring the record of %s: %w", jobID, err)
	}
	return true, nil
}

// sharedKeys lists what the depot has of jobs and of the clips that go with them.
func (d *Desk) sharedKeys(ctx context.Context, x doomed) ([]string, error) {
	if d.Depot == nil {
		return nil, nil
	}
	var keys []string
	for id := range x.ids {
		more, err := d.Depot.List(ctx, recordFolder(id))
		if err != nil {
			return nil, fmt.Errorf("%w: %w", ErrStorage, err)
		}
		keys = append(keys, more...)
	}
	for _, c := range x.clips {
		if x.needed[c.sha256] {
			continue
		}
		r, err := d.Depot.Get(ctx, clipKey(c.sha256))
		if err == nil {
			err = r.Close()
			keys = append(keys, clipKey(c.sha256))
		}
		if err != nil && !errors.Is(err, depot.ErrAbsent) {
			return nil, fmt.Errorf("%w: %w", ErrStorage, err)
		}
	}
	return keys, nil
}

// eraseShared removes them.
func (d *Desk) eraseShared(ctx context.Context, x doomed) error {
	keys, err := d.sharedKeys(ctx, x)
	for _, key := range keys {
		err = errors.Join(err, d.Depot.Delete(ctx, key))
	}
	return err
}

package worker

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"golang.org/x/sys/unix"
)

// ErrForgotten: the job was to be forgotten; nothing of it may be stored.
var ErrForgotten = errors.New("the job was to be forgotten")

// forgottenDir holds one empty file for each forgotten job, named by a hash of
// its ID so that nothing in the home names the job any more, and the lock that
// parts storing from forgetting. A file's time is when the job was forgotten.
const forgottenDir = ".forgotten"

func (r *Records) markOf(jobID string) string {
	sum := sha256.Sum256([]byte(jobID))
	return filepath.Join(r.dir, forgottenDir, hex.EncodeToString(sum[:16]))
}

// forgottenAt returns when a job was forgotten; ok is false when it was not.
func (r *Records) forgottenAt(jobID string) (at time.Time, ok bool, err error) {
	info, err := os.Stat(r.markOf(jobID))
	if errors.Is(err, fs.ErrNotExist) {
		return at, false, nil
	}
	if err != nil {
		return at, false, fmt.Errorf("%w: records: %w", ErrStorage, err)
	}
	return info.ModTime(), true, nil
}

// hold keeps the job from being forgotten until release is called, so that what
// is stored in between is found by whoever forgets it. ErrForgotten when it has
// been already. Any number of processes may hold at once; forget waits for all.
func (r *Records) hold(jobID string) (release func(), err error) {
	release, err = r.lockForgotten(unix.LOCK_SH)
	if err != nil {
		return nil, err
	}
	_, gone, err := r.forgottenAt(jobID)
	if err == nil && gone {
		err = fmt.Errorf("%w: %s", ErrForgotten, jobID)
	}
	if err != nil {
		release()
		return nil, err
	}
	return release, nil
}

// welcome lets a job in that somebody submitted after it was forgotten, and
// refuses one that was on its way then.
func (r *Records) welcome(j Job) error {
	at, gone, err := r.forgottenAt(j.ID)
	if err != nil || !gone {
		return err
	}
	if !j.SubmittedAt.After(at) {
		return fmt.Errorf("%w: %s", ErrForgotten, j.ID)
	}
	if err := os.Remove(r.markOf(j.ID)); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("%w: records: %w", ErrStorage, err)
	}
	return nil
}

// forget marks jobs as forgotten. When it returns, nobody is storing anything
// of them, and nobody will.
func (r *Records) forget(ids map[string]bool) error {
	release, err := r.lockForgotten(unix.LOCK_EX)
	if err != nil {
		return err
	}
	defer release()
	now := time.Now()
	for id := range ids {
		f, err := os.Create(r.markOf(id))
		if err == nil {
			err = errors.Join(f.Sync(), f.Close(), os.Chtimes(f.Name(), now, now)) // this clock, as in Job.SubmittedAt
		}
		if err != nil {
			return fmt.Errorf("%w: records: %w", ErrStorage, err)
		}
	}
	if err := syncDir(filepath.Join(r.dir, forgottenDir)); err != nil {
		return fmt.Errorf("%w: records: %w", ErrStorage, err)
	}
	return nil
}

// lockForgotten waits for the lock: it is held for as long as a record takes to
// be stored and announced.
func (r *Records) lockForgotten(how int) (release func(), err error) {
	bad := func(err error) (func(), error) { return nil, fmt.Errorf("%w: records lock: %w", ErrStorage, err) }
	dir := filepath.Join(r.dir, forgottenDir)
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return bad(err)
	}
	f, err := os.OpenFile(filepath.Join(dir, "lock"), os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return bad(err)
	}
	for {
		err = unix.Flock(int(f.Fd()), how)
		if !errors.Is(err, unix.EINTR) {
			break
		}
	}
	if err != nil {
		f.Close()
		return bad(err)
	}
	return func() { f.Close() }, nil // the lock goes with the descriptor
}

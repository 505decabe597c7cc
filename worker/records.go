package worker

import (
	"bufio"
	"bytes"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/cloudevents/sdk-go/v2/event"
	"golang.org/x/sys/unix"
)

// Records is the record store: a directory with one directory per job. A job's
// directory appears in one rename with everything in it, synced, or not at all,
// so it is also the lock against a second result. SHA256SUMS in it is checked on
// every read and is in the form that `sha256sum -c` reads.
type Records struct{ dir string }

// Record is one job's stored outcome.
type Record struct {
	JobID string
	// Events are the swings in order, or the one failure.
	Events []event.Event
	// Failed: the one event is of TypeUnmeasured.
	Failed bool
	// Dir holds the files: N/record.json, N/track.json.gz, N/timeline.json and
	// stills for swing N, or failure.json.
	Dir string
}

const sumsName = "SHA256SUMS"

// OpenRecords opens or creates a store.
func OpenRecords(dir string) (*Records, error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, fmt.Errorf("%w: records: %w", ErrStorage, err)
	}
	return &Records{dir: dir}, nil
}

// Put stores a job's files. A measured record is never replaced: ErrRecorded. A
// failure record is, and so is a damaged one, which is kept beside the store's
// records under a name that starts with ".damaged-". When Put returns nil
// everything is on the disk. A job that was forgotten is not stored: ErrForgotten.
func (r *Records) Put(jobID string, files []File) error {
	tmp, err := r.write(jobID, files)
	if err != nil {
		return err
	}
	defer os.RemoveAll(tmp)
	for {
		if err = r.publish(tmp, jobID); !errors.Is(err, ErrRecorded) {
			return err
		}
		// A crash after this and before the next publish leaves no record; the
		// job has not been acknowledged then and runs again.
		if err = r.clear(jobID); err != nil {
			return err
		}
	}
}

// clear makes room in place of a failure record or a damaged one.
func (r *Records) clear(jobID string) error {
	old, err := r.Get(jobID)
	if err == nil {
		err = r.Verify(jobID)
	}
	aside := filepath.Join(r.dir, ".replaced-"+jobID+"-"+rand.Text())
	switch {
	case errors.Is(err, ErrNoRecord):
		return nil // another writer is clearing it
	case errors.Is(err, ErrDamaged):
		aside = filepath.Join(r.dir, ".damaged-"+jobID+"-"+rand.Text())
	case err != nil:
		return err
	case !old.Failed:
		return fmt.Errorf("%w: %s", ErrRecorded, jobID)
	}
	err = os.Rename(filepath.Join(r.dir, jobID), aside)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err == nil && old.Failed {
		err = os.RemoveAll(aside)
	}
	if err != nil {
		return fmt.Errorf("%w: replace record %s: %w", ErrStorage, jobID, err)
	}
	return nil
}

// write makes a synced directory of the files under a temporary name.
func (r *Records) write(jobID string, files []File) (tmp string, err error) {
	if !validID(jobID) || len(files) == 0 {
		return "", fmt.Errorf("record %q with %d files", jobID, len(files))
	}
	tmp, err = os.MkdirTemp(r.dir, ".new-"+jobID+"-")
	if err != nil {
		return "", fmt.Errorf("%w: record %s: %w", ErrStorage, jobID, err)
	}
	defer func() {
		if err != nil {
			os.RemoveAll(tmp)
			err = fmt.Errorf("%w: record %s: %w", ErrStorage, jobID, err)
		}
	}()
	var sums bytes.Buffer
	dirs := map[string]bool{tmp: true}
	for _, f := range files {
		p := filepath.Join(tmp, filepath.FromSlash(f.Name))
		if d := filepath.Dir(p); !dirs[d] {
			if err := os.MkdirAll(d, 0o700); err != nil {
				return tmp, err
			}
			dirs[d] = true
		}
		if err := writeSynced(p, f.Bytes); err != nil {
			return tmp, err
		}
		fmt.Fprintf(&sums, "%x  %s\n", sha256.Sum256(f.Bytes), f.Name)
	}
	if err := writeSynced(filepath.Join(tmp, sumsName), sums.Bytes()); err != nil {
		return tmp, err
	}
	for d := range dirs {
		if err := syncDir(d); err != nil {
			return tmp, err
		}
	}
	return tmp, nil
}

func (r *Records) publish(tmp, jobID string) error {
	release, err := r.hold(jobID)
	if err != nil {
		return err
	}
	defer release()
	to := filepath.Join(r.dir, jobID)
	err = unix.Renameat2(unix.AT_FDCWD, tmp, unix.AT_FDCWD, to, unix.RENAME_NOREPLACE)
	if errors.Is(err, unix.EINVAL) || errors.Is(err, unix.ENOSYS) {
		// A file system without the flag. Plain rename refuses a directory that
		// has files in it, which a record's always does.
		err = unix.Rename(tmp, to)
	}
	if errors.Is(err, unix.EEXIST) || errors.Is(err, unix.ENOTEMPTY) {
		return fmt.Errorf("%w: %s", ErrRecorded, jobID)
	}
	if err == nil {
		err = syncDir(r.dir)
	}
	if err != nil {
		return fmt.Errorf("%w: record %s: %w", ErrStorage, jobID, err)
	}
	return nil
}

// Get reads a job's record and checks its events against their checksums.
// ErrNoRecord when there is none, ErrDamaged when it is not what was written.
func (r *Records) Get(jobID string) (Record, error) {
	rec := Record{JobID: jobID, Dir: filepath.Join(r.dir, jobID)}
	sums, err := r.sums(jobID)
	if err != nil {
		return rec, err
	}
	names := []string{"failure.json"}
	if _, rec.Failed = sums["failure.json"]; !rec.Failed {
		names = nil
		for i := 1; sums[fmt.Sprintf("%d/record.json", i)] != ""; i++ {
			names = append(names, fmt.Sprintf("%d/record.json", i))
		}
	}
	for _, n := range names {
		b, err := r.read(jobID, n, sums)
		if err != nil {
			return rec, err
		}
		e := event.New()
		if err := json.Unmarshal(b, &e); err != nil {
			return rec, fmt.Errorf("%w: %s/%s: %w", ErrDamaged, jobID, n, err)
		}
		rec.Events = append(rec.Events, e)
	}
	if len(rec.Events) == 0 {
		return rec, fmt.Errorf("%w: %s: no events", ErrDamaged, jobID)
	}
	return rec, nil
}

// ReadFile reads one file of a record, checked. name is as in SHA256SUMS, for
// example "1/timeline.json".
func (r *Records) ReadFile(jobID, name string) ([]byte, error) {
	sums, err := r.sums(jobID)
	if err != nil {
		return nil, err
	}
	if sums[name] == "" {
		return nil, fmt.Errorf("%w: %s/%s", ErrNoRecord, jobID, name)
	}
	return r.read(jobID, name, sums)
}

// Files lists the names of a record's files, sorted.
func (r *Records) Files(jobID string) ([]string, error) {
	sums, err := r.sums(jobID)
	if err != nil {
		return nil, err
	}
	var names []string
	for n := range sums {
		names = append(names, n)
	}
	slices.Sort(names)
	return names, nil
}

// Verify reads every file of a record.
func (r *Records) Verify(jobID string) error {
	if _, err := r.Get(jobID); err != nil {
		return err
	}
	sums, err := r.sums(jobID)
	if err != nil {
		return err
	}
	for n := range sums {
		if _, err := r.read(jobID, n, sums); err != nil {
			return err
		}
	}
	return nil
}

func (r *Records) sums(jobID string) (map[string]string, error) {
	if !validID(jobID) {
		return nil, fmt.Errorf("%w: %q", ErrNoRecord, jobID)
	}
	dir := filepath.Join(r.dir, jobID)
	b, err := os.ReadFile(filepath.Join(dir, sumsName))
	if errors.Is(err, fs.ErrNotExist) {
		if _, serr := os.Lstat(dir); errors.Is(serr, fs.ErrNotExist) {
			return nil, fmt.Errorf("%w: %s", ErrNoRecord, jobID)
		}
		return nil, fmt.Errorf("%w: %s: no %s", ErrDamaged, jobID, sumsName)
	}
	if err != nil {
		return nil, fmt.Errorf("%w: record %s: %w", ErrStorage, jobID, err)
	}
	m := map[string]string{}
	for sc := bufio.NewScanner(bytes.NewReader(b)); sc.Scan(); {
		sum, name, ok := strings.Cut(sc.Text(), "  ")
		if !ok || len(sum) != 2*sha256.Size || !filepath.IsLocal(name) {
			return nil, fmt.Errorf("%w: %s: line in %s", ErrDamaged, jobID, sumsName)
		}
		m[name] = sum
	}
	return m, nil
}

func (r *Records) read(jobID, name string, sums map[string]string) ([]byte, error) {
	b, err := os.ReadFile(filepath.Join(r.dir, jobID, filepath.FromSlash(name)))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("%w: %s/%s is missing", ErrDamaged, jobID, name)
	}
	if err != nil {
		return nil, fmt.Errorf("%w: record %s: %w", ErrStorage, jobID, err)
	}
	if got := sha256.Sum256(b); hex.EncodeToString(got[:]) != sums[name] {
		return nil, fmt.Errorf("%w: %s/%s: checksum", ErrDamaged, jobID, name)
	}
	return b, nil
}

// IDs lists the jobs that have a record, sorted.
func (r *Records) IDs() ([]string, error) {
	es, err := os.ReadDir(r.dir)
	if err != nil {
		return nil, fmt.Errorf("%w: records: %w", ErrStorage, err)
	}
	var ids []string
	for _, e := range es {
		if e.IsDir() && validID(e.Name()) {
			ids = append(ids, e.Name())
		}
	}
	return ids, nil
}

// sweep removes what writers that died left behind, once it is older than any
// write can take.
func (r *Records) sweep(now time.Time) error {
	es, err := os.ReadDir(r.dir)
	if err != nil {
		return fmt.Errorf("%w: records: %w", ErrStorage, err)
	}
	for _, e := range es {
		if !strings.HasPrefix(e.Name(), ".new-") && !strings.HasPrefix(e.Name(), ".replaced-") {
			continue
		}
		if info, err := e.Info(); err == nil && now.Sub(info.ModTime()) > time.Hour {
			if err := os.RemoveAll(filepath.Join(r.dir, e.Name())); err != nil {
				return fmt.Errorf("%w: records: %w", ErrStorage, err)
			}
		}
	}
	return nil
}

// writeSynced creates a file that must not exist and syncs it.
func writeSynced(path string, b []byte) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	_, err = f.Write(b)
	if err == nil {
		err = f.Sync()
	}
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	return err
}

func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer d.Close()
	return d.Sync()
}

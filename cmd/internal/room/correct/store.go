package correct

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"nightcage/metrics"
	"nightcage/worker"
)

// Kept is a correction as it is kept: with the record that came of it.
type Kept struct {
	Correction
	// Number counts the corrections of a swing from 1.
	Number int `json:"number"`
	// Pipeline is the version that measured anew.
	Pipeline string        `json:"pipeline_version"`
	Clip     ClipRef       `json:"clip"`
	Record   metrics.Swing `json:"record"`
}

// ClipRef names a clip by its bytes.
type ClipRef struct {
	SHA256 string `json:"sha256"`
	Width  int    `json:"width"`  // px, upright: what places are in
	Height int    `json:"height"` //
}

// Store keeps corrections in a directory: JOB/SWING/NUMBER.json. A file is never
// written again. What is under a job's name goes when its hitter is forgotten.
type Store struct{ dir string }

// OpenStore names the directory; it need not exist yet.
func OpenStore(dir string) *Store { return &Store{dir} }

func (s *Store) folder(jobID string, swing int) string {
	return filepath.Join(s.dir, jobID, strconv.Itoa(swing))
}

// List reads a swing's corrections, oldest first. Errors wrap worker.ErrStorage or
// worker.ErrDamaged.
func (s *Store) List(jobID string, swing int) ([]Kept, error) {
	var out []Kept
	for n := 1; ; n++ {
		k, err := s.Get(jobID, swing, n)
		if errors.Is(err, worker.ErrNoRecord) {
			return out, nil
		}
		if err != nil {
			return out, err
		}
		out = append(out, k)
	}
}

// Count is how many corrections the swings of a job have together.
func (s *Store) Count(jobID string) (int, error) {
	files, err := filepath.Glob(filepath.Join(s.dir, jobID, "*", "[1-9]*.json"))
	return len(files), err
}

// All reads the corrections of every swing, by job.
func (s *Store) All() (map[string][]Kept, error) {
	jobs, err := os.ReadDir(s.dir)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("%w: corrections: %w", worker.ErrStorage, err)
	}
	out := map[string][]Kept{}
	for _, j := range jobs {
		swings, err := os.ReadDir(filepath.Join(s.dir, j.Name()))
		if err != nil {
			return nil, fmt.Errorf("%w: corrections: %w", worker.ErrStorage, err)
		}
		for _, w := range swings {
			n, err := strconv.Atoi(w.Name())
			if err != nil {
				continue
			}
			ks, err := s.List(j.Name(), n)
			if err != nil {
				return nil, err
			}
			out[j.Name()] = append(out[j.Name()], ks...)
		}
	}
	return out, nil
}

// Get reads one; worker.ErrNoRecord when there is none.
func (s *Store) Get(jobID string, swing, number int) (Kept, error) {
	var k Kept
	if strings.ContainsAny(jobID, `/\.`) || jobID == "" || number < 1 {
		return k, fmt.Errorf("%w: correction %q", worker.ErrNoRecord, jobID)
	}
	b, err := os.ReadFile(filepath.Join(s.folder(jobID, swing), strconv.Itoa(number)+".json"))
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return k, fmt.Errorf("%w: correction %d of swing %d of %s", worker.ErrNoRecord, number, swing, jobID)
	case err != nil:
		return k, fmt.Errorf("%w: correction %d of %s: %w", worker.ErrStorage, number, jobID, err)
	}
	if err := json.Unmarshal(b, &k); err != nil {
		return k, fmt.Errorf("%w: correction %d of %s: %w", worker.ErrDamaged, number, jobID, err)
	}
	return k, nil
}

// Add keeps a correction under the next number, which it returns. It is on the disk
// when Add returns. Errors wrap worker.ErrStorage.
func (s *Store) Add(jobID string, swing int, k Kept) (number int, err error) {
	dir := s.folder(jobID, swing)
	fail := func(err error) (int, error) {
		return 0, fmt.Errorf("%w: correct %s: %w", worker.ErrStorage, jobID, err)
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return fail(err)
	}
	for n := 1; ; n++ {
		path := filepath.Join(dir, strconv.Itoa(n)+".json")
		if _, err := os.Lstat(path); err == nil {
			continue
		}
		k.Number = n
		b, err := json.Marshal(k)
		if err != nil {
			return fail(err)
		}
		switch err := link(dir, path, b); {
		case err == nil:
			return n, nil
		case !errors.Is(err, fs.ErrExist): // another one was faster: take the next number
			return fail(err)
		}
	}
}

// Drop removes what is kept of a job's swings. Errors wrap worker.ErrStorage.
func (s *Store) Drop(jobID string) error {
	if err := os.RemoveAll(filepath.Join(s.dir, jobID)); err != nil {
		return fmt.Errorf("%w: corrections of %s: %w", worker.ErrStorage, jobID, err)
	}
	return nil
}

// link puts a file in place whole, and never over another.
func link(dir, path string, b []byte) error {
	f, err := os.CreateTemp(dir, ".new-")
	if err != nil {
		return err
	}
	defer os.Remove(f.Name())
	_, err = f.Write(b)
	if err == nil {
		err = f.Sync()
	}
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	if err == nil {
		err = os.Link(f.Name(), path)
	}
	if err != nil {
		return err
	}
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer d.Close()
	return d.Sync()
}

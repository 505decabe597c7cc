package worker

import (
	"context"
	"encoding/json"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"sync"
	"time"
)

// Telling is an Analyzer that notes in the home how far each analysis is, for whoever
// watches. A note that cannot be written is not missed: it says nothing that the
// record or the ledger does not say in the end.
type Telling struct {
	Analyzer
	Home Home
}

// Progress is how far an analysis is.
type Progress struct {
	Done  int       `json:"done"`  // pictures looked at, over all passes
	Total int       `json:"total"` // 0 while it is not known
	At    time.Time `json:"at"`
}

// tellEvery is how often a note is written.
const tellEvery = time.Second

func (h Home) progressPath(jobID string) string {
	return filepath.Join(h.dir, "progress", jobID+".json")
}

// Analyze is the Analyzer's.
func (t Telling) Analyze(ctx context.Context, j Job, progress func(done, total int)) (Result, error) {
	path := t.Home.progressPath(j.ID)
	_ = os.MkdirAll(filepath.Dir(path), 0o700)
	var mu sync.Mutex
	var last time.Time
	tell := func(done, total int) {
		progress(done, total)
		mu.Lock()
		defer mu.Unlock()
		if now := time.Now(); now.Sub(last) >= tellEvery {
			last = now
			_ = writeJSON(path, Progress{done, total, now})
		}
	}
	defer os.Remove(path)
	return t.Analyzer.Analyze(ctx, j, tell)
}

// Progress reads how far a job's analysis is. ok is false when it has told nothing,
// or nothing for so long that its worker must be gone.
func (h Home) Progress(jobID string, now time.Time) (p Progress, ok bool, err error) {
	b, err := os.ReadFile(h.progressPath(jobID))
	if errors.Is(err, fs.ErrNotExist) {
		return p, false, nil
	}
	if err == nil {
		err = json.Unmarshal(b, &p)
	}
	return p, err == nil && now.Sub(p.At) < silentFor, err
}

// silentFor is longer than any analysis that is not ended goes without progress.
const silentFor = 10 * time.Minute

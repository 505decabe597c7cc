package worker

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"nightcage/vision"
)

// instant analyses in no time, so that what is left is the queue's own cost.
type instant struct{ data json.RawMessage }

func (a instant) Analyze(context.Context, Job, func(done, total int)) (Result, error) {
	return Result{Swings: []Swing{{Data: a.data, Track: []byte("{}"), Timeline: []byte("{}")}}}, nil
}

func benchNight(b *testing.B) (*Worker, []Job) {
	b.Helper()
	dir := b.TempDir()
	w, closeAll, err := newWorker(filepath.Join(dir, "home"), instant{testSwing(testJob, "")})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(closeAll)
	w.Drain, w.Log = true, zerolog.Nop()
	clip := filepath.Join(dir, "a.mp4")
	if err := os.WriteFile(clip, []byte("ok"), 0o600); err != nil {
		b.Fatal(err)
	}
	jobs := make([]Job, b.N)
	for i := range jobs {
		if jobs[i], err = NewJob(b.Context(), clip, vision.Subject{Hitter: fmt.Sprint(i), Team: "Cinder Creek Comets"}, testPipeline, time.Now()); err != nil {
			b.Fatal(err)
		}
	}
	return w, jobs
}

func submitAll(b *testing.B, w *Worker, jobs []Job) {
	b.Helper()
	q, err := OpenQueue(b.Context(), w.Home, QueueOptions{Log: w.Log})
	if err != nil {
		b.Fatal(err)
	}
	d := &Desk{Ledger: w.Ledger, Records: w.Records, Queue: q}
	defer func() { d.Queue.Close() }()
	for _, j := range jobs {
		if r, err := d.Submit(b.Context(), j); err != nil || r.Outcome != OutcomeQueued {
			b.Fatal(r.Outcome, err)
		}
	}
}

// What one submission costs, ledger and queue synced.
func BenchmarkSubmit(b *testing.B) {
	w, jobs := benchNight(b)
	b.ResetTimer()
	submitAll(b, w, jobs)
}

// What one job costs beside its analysis: taken, stored, announced, entered,
// acknowledged. Includes the second or so in which a drain notices that it is
// over.
func BenchmarkWork(b *testing.B) {
	w, jobs := benchNight(b)
	submitAll(b, w, jobs)
	b.ResetTimer()
	if err := w.Serve(b.Context(), b.Context(), QueueOptions{Log: w.Log}); err != nil {
		b.Fatal(err)
	}
	b.StopTimer()
	t, err := w.Ledger.Tally(b.Context())
	if err != nil || t.Count[StateMeasured] != b.N {
		b.Fatal(t, err)
	}
}

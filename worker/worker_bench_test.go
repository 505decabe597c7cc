package worker

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/rs/zerolog"
	"golang.org/x/sys/unix"

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
	if _, errs := d.SubmitAll(b.Context(), jobs); errors.Join(errs...) != nil {
		b.Fatal(errors.Join(errs...))
	}
}

// What a process of its own costs each clip, with and without walls, when its analysis
// takes no time. Processor time includes the process's; that of the real one starts
// and loads more: see DEVELOPERS, "Start-up".
func BenchmarkChild(b *testing.B) {
	for _, c := range []struct {
		name  string
		walls Walls
	}{{"no walls", Walls{}}, {"walls", FindWalls()}} {
		b.Run(c.name, func(b *testing.B) {
			w, jobs := benchNight(b)
			child := Child{Home: w.Home, Command: []string{os.Args[0]}, Env: []string{"NIGHTCAGE_TEST_ROLE=child"}, Limits: DefaultLimits(), Walls: c.walls}
			used := processor(b, unix.RUSAGE_SELF) + processor(b, unix.RUSAGE_CHILDREN)
			b.ResetTimer()
			for _, j := range jobs {
				if _, err := child.Analyze(b.Context(), j, func(int, int) {}); err != nil {
					b.Fatal(err)
				}
			}
			used = processor(b, unix.RUSAGE_SELF) + processor(b, unix.RUSAGE_CHILDREN) - used
			b.ReportMetric(used.Seconds()*1e3/float64(b.N), "processor-ms/clip")
		})
	}
}

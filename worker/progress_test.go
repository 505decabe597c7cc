package worker

import (
	"context"
	"testing"
	"time"
)

type steps func(progress func(done, total int))

func (s steps) Analyze(_ context.Context, _ Job, progress func(done, total int)) (Result, error) {
	s(progress)
	return Result{}, nil
}

// What an analysis tells can be read while it runs, by another process too, and is
// gone when it ends.
func TestProgressIsToldWhileItRuns(t *testing.T) {
	home, err := OpenHome(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	const id = "00000000000000000000000000000001"
	var heard int
	told := Telling{Home: home, Analyzer: steps(func(progress func(done, total int)) {
		progress(30, 90)
		p, ok, err := home.Progress(id, time.Now())
		if err != nil || !ok || p.Done != 30 || p.Total != 90 {
			t.Errorf("while it runs: %+v, %v, %v", p, ok, err)
		}
		if _, ok, _ := home.Progress(id, time.Now().Add(time.Hour)); ok {
			t.Error("what a worker told that is long gone still counts")
		}
	})}
	if _, err := told.Analyze(context.Background(), Job{ID: id}, func(done, _ int) { heard = done }); err != nil {
		t.Fatal(err)
	}
	if heard != 30 {
		t.Errorf("the worker heard %d, want 30", heard)
	}
	if _, ok, err := home.Progress(id, time.Now()); ok || err != nil {
		t.Errorf("after the end: %v, %v", ok, err)
	}
}

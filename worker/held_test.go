package worker

import (
	"context"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// TestHeldJobsComeLast: re-runs of low priority are in the ledger from the start
// and on the queue only when nothing else is.
func TestHeldJobsComeLast(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	log := filepath.Join(n.clips, "order")
	n.Analyzer = script{log: log}
	var jobs []Job
	for _, name := range []string{"rerun-1.mp4", "rerun-2.mp4"} {
		j := n.clip(name, "ok")
		j.Low = true
		jobs = append(jobs, j)
	}
	jobs = append(jobs, n.clip("new-1.mp4", "ok"), n.clip("new-2.mp4", "ok"))
	if got := n.submit(jobs...); !slices.Equal(got, []Outcome{OutcomeHeld, OutcomeHeld, OutcomeQueued, OutcomeQueued}) {
		t.Fatalf("submitted: %v", got)
	}
	n.audit(0, 0, 4)
	// The queue is lost and reconciled, and the held stay held.
	n.withQueue(func(d *Desk) {
		if r, err := Reconcile(context.Background(), d); err != nil || r.Resent != 0 {
			t.Fatalf("reconcile: %+v, %v", r, err)
		}
	})
	n.drain()
	n.audit(4, 0, 0)
	b, err := os.ReadFile(log)
	if err != nil {
		t.Fatal(err)
	}
	order := strings.Fields(string(b))
	for i, id := range order {
		if held := id == jobs[0].ID || id == jobs[1].ID; held != (i >= 2) {
			t.Errorf("order %v, held are %s and %s", order, jobs[0].ID, jobs[1].ID)
		}
	}
}

// TestHeldJobIsWantedNow: the same clip submitted by a person is not held.
func TestHeldJobIsWantedNow(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	j := n.clip("a.mp4", "ok")
	low := j
	low.Low = true
	if got := n.submit(low, low, j); !slices.Equal(got, []Outcome{OutcomeHeld, OutcomeHeld, OutcomeQueued}) {
		t.Errorf("outcomes %v", got)
	}
	if s := n.state(j); s != StateQueued {
		t.Errorf("state %s", s)
	}
}

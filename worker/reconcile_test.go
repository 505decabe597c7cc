package worker

import (
	"fmt"
	"testing"
)

// A look that begins at a place goes on from there, and looks for every job once
// before it begins again.
func TestReconcileFromAPlace(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	const all, page = 5, 2
	var jobs []Job
	for i := range all {
		jobs = append(jobs, n.clip(fmt.Sprintf("%d.mp4", i), "ok"))
	}
	n.submit(jobs...)

	seen := map[string]int{}
	at, places := place{}, []place{{}}
	for {
		es, next, err := n.Ledger.some(t.Context(), StateQueued, at, page)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range es {
			seen[e.Job.ID]++
		}
		if at = next; at == (place{}) {
			break
		}
		places = append(places, at)
	}
	for _, j := range jobs {
		if seen[j.ID] != 1 {
			t.Errorf("%s was read %d times", j.Clip, seen[j.ID])
		}
	}
	if len(places) != 3 {
		t.Fatalf("%d pages", len(places))
	}

	n.withQueue(func(d *Desk) {
		if err := d.Queue.purge(t.Context()); err != nil {
			t.Fatal(err)
		}
		from := places[2]
		if r, err := reconcile(t.Context(), d, &from); err != nil || r.Resent != all-2*page || from != (place{}) {
			t.Errorf("%+v, %v, then from %v", r, err, from)
		}
		if r, err := reconcile(t.Context(), d, &from); err != nil || r.Open != all || r.Resent != 2*page {
			t.Errorf("%+v, %v", r, err)
		}
	})
	n.drain()
	n.audit(all, 0, 0)
}

package worker

import (
	"errors"
	"fmt"
	"testing"
)

// Without room on the disk a submit is refused, and nothing was entered.
func TestSubmitWithoutRoom(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	j := n.clip("a.mp4", "ok")
	n.withQueue(func(d *Desk) {
		d.MinFree = 1 << 62
		_, err := d.Submit(t.Context(), j)
		if !errors.Is(err, ErrFull) || !errors.Is(err, ErrStorage) {
			t.Errorf("%v", err)
		}
		if _, err := n.Ledger.Get(t.Context(), j.ID); !errors.Is(err, ErrUnknownJob) {
			t.Errorf("entered all the same: %v", err)
		}
		d.MinFree = 0
		if _, err := d.Submit(t.Context(), j); err != nil {
			t.Error(err)
		}
	})
	n.audit(0, 0, 1)
}

// A full queue refuses, and does not drop its oldest job. What was refused is in the
// ledger, does not keep a worker from starting, and is measured when there is room.
func TestSubmitToAFullQueue(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	refused := 0
	n.withQueue(func(d *Desk) {
		cfg := d.Queue.jobs.CachedInfo().Config
		cfg.MaxBytes = 3000
		if _, err := d.Queue.js.UpdateStream(t.Context(), cfg); err != nil {
			t.Fatal(err)
		}
		for i := range 12 {
			_, err := d.Submit(t.Context(), n.clip(fmt.Sprintf("%02d.mp4", i), "ok"))
			if err != nil {
				refused++
				if !errors.Is(err, ErrFull) || !errors.Is(err, ErrQueue) {
					t.Fatal(err)
				}
			}
		}
		if refused == 0 || refused == 12 {
			t.Fatalf("%d refused", refused)
		}
		depth, err := d.Queue.Depth(t.Context())
		if err != nil || depth.Jobs != uint64(12-refused) {
			t.Errorf("%+v, %v", depth, err)
		}
		if r, err := Reconcile(t.Context(), d); err != nil || r.Resent != 0 {
			t.Errorf("reconcile of a full queue: %+v, %v", r, err)
		}
	})
	n.drain() // opening the queue gives it its size back
	n.audit(12, 0, 0)
}

func TestDeadLettersOfAllSorts(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	j := n.clip("a.mp4", "bad")
	n.submit(j)
	n.withQueue(func(d *Desk) {
		if _, err := d.Queue.js.Publish(t.Context(), jobsPrefix+"hello", []byte("not JSON")); err != nil {
			t.Fatal(err)
		}
	})
	n.drain()
	n.withQueue(func(d *Desk) {
		ls, err := d.Queue.DeadLetters(t.Context())
		if err != nil || len(ls) != 2 {
			t.Fatalf("%+v, %v", ls, err)
		}
		kinds := map[Kind]string{}
		for _, l := range ls {
			kinds[l.Reason.Kind] = l.Job.ID
		}
		if kinds[KindUnreadable] != j.ID || kinds[KindBadJob] != "hello" {
			t.Errorf("%v", kinds)
		}
	})
}

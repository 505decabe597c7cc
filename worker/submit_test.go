package worker

import (
	"fmt"
	"testing"
)

// More jobs than a batch holds, among them one that is measured, one held back, one
// that is refused, and one that is named twice: each gets the answer that it would get
// alone.
func TestSubmitAll(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	done := n.clip("done.mp4", "ok")
	n.submit(done)
	n.drain()

	var jobs []Job
	for i := range submitBatch + 5 {
		jobs = append(jobs, n.clip(fmt.Sprintf("%03d.mp4", i), "ok"))
	}
	low := n.clip("low.mp4", "ok")
	low.Low = true
	minor := n.clip("minor.mp4", "ok")
	minor.Subject.Level, minor.Consent.By = "youth", ConsentSelf
	jobs[1], jobs[2], jobs[3], jobs[submitBatch+1] = done, low, minor, jobs[0]
	want := map[int]Outcome{1: OutcomeMeasured, 2: OutcomeHeld, 3: "", submitBatch + 1: OutcomeWaiting}
	n.withQueue(func(d *Desk) {
		rs, errs := d.SubmitAll(t.Context(), jobs)
		for i := range jobs {
			w, special := want[i]
			if !special {
				w = OutcomeQueued
			}
			if rs[i].JobID != jobs[i].ID || rs[i].Outcome != w || (errs[i] != nil) != (i == 3) {
				t.Fatalf("job %d: %+v, %v, want %q", i, rs[i], errs[i], w)
			}
		}
		if e, err := n.Ledger.Get(t.Context(), jobs[0].ID); err != nil || e.State != StateQueued || e.Sends != 1 || e.Seq == 0 {
			t.Errorf("%+v, %v", e, err)
		}
		rs, errs = d.SubmitAll(t.Context(), jobs[4:6])
		if rs[0].Outcome != OutcomeWaiting || rs[1].Outcome != OutcomeWaiting || errs[0] != nil || errs[1] != nil {
			t.Errorf("again: %+v, %v", rs, errs)
		}
	})
	n.audit(1, 0, submitBatch+5-3)
	if e, err := n.Ledger.Get(t.Context(), low.ID); err != nil || e.State != StateHeld {
		t.Errorf("%+v, %v", e, err)
	}
}

// A submitter that dies within a batch leaves jobs that are only in the ledger and
// jobs that the ledger does not know to be on the queue. None is lost or doubled.
func TestBatchCutShort(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	var jobs []Job
	for i := range 6 {
		jobs = append(jobs, n.clip(fmt.Sprintf("%d.mp4", i), "ok"))
	}
	n.withQueue(func(d *Desk) {
		es, err := n.Ledger.addToSend(t.Context(), jobs)
		if err != nil {
			t.Fatal(err)
		}
		for i, j := range jobs[:3] {
			if _, already, err := d.Queue.Publish(t.Context(), j, es[i].Sends); err != nil || already {
				t.Fatal(already, err)
			}
		}
	})
	n.withQueue(func(d *Desk) {
		if r, err := Reconcile(t.Context(), d); err != nil || r.Open != 6 || r.Resent != 3 {
			t.Fatalf("%+v, %v", r, err)
		}
	})
	for _, j := range jobs {
		if n.state(j) != StateQueued {
			t.Errorf("%s is %s", j.Clip, n.state(j))
		}
	}
	n.drain()
	n.audit(6, 0, 0)
}

package worker

import (
	"context"
	"fmt"
)

// release publishes up to n held jobs, oldest first, and returns how many.
func (d *Desk) release(ctx context.Context, n int) (released int, err error) {
	held, _, err := d.Ledger.some(ctx, StateHeld, place{}, n)
	if err != nil {
		return 0, fmt.Errorf("release held jobs: %w", err)
	}
	for _, e := range held {
		moved, err := d.Ledger.Release(ctx, e.Job.ID)
		if err == nil && moved {
			_, err = d.send(ctx, e.Job)
			released++
		}
		if err != nil {
			return released, fmt.Errorf("release %s: %w", e.Job.ID, err)
		}
	}
	return released, nil
}

// heldAhead is how many held jobs are published for each slot: one to work on
// and none that a new clip would have to wait for.
const heldAhead = 1

// feed publishes held jobs when the queue is empty.
func (w *Worker) feed(ctx context.Context, q *Queue) (released int, err error) {
	depth, err := q.Depth(ctx)
	if err != nil || depth.Jobs > 0 {
		return 0, err
	}
	return (&Desk{Ledger: w.Ledger, Records: w.Records, Queue: q}).release(ctx, heldAhead*max(w.Slots, 1))
}

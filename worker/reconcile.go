package worker

import (
	"context"
	"errors"
	"fmt"
	"time"
)

// Reconciled is what Reconcile found.
type Reconciled struct {
	Open    int // jobs that the ledger holds as not final
	Resent  int // of them, lost by the queue and published again
	Settled int // of them, final in fact
	// WentBack: the stream's last sequence is lower than it once was, so the
	// queue has lost its latest writes or was replaced.
	WentBack bool
}

// Reconcile compares the ledger with the queue and the record store. A job that
// is open in the ledger, absent from the stream, and has neither record nor dead
// letter was lost by the queue and is published again; so is one that the
// stream holds but says it will never deliver. It may run while workers do.
//
// Nothing in JetStream reports either case: one flipped bit in a block cut the
// queue at that point, or left a job undelivered, with the server healthy.
func Reconcile(ctx context.Context, d Desk) (Reconciled, error) {
	var r Reconciled
	open, err := d.Ledger.Entries(ctx, StateSubmitted, StateQueued, StateRunning, StateWaiting)
	if err != nil {
		return r, fmt.Errorf("reconcile: %w", err)
	}
	r.Open = len(open)
	depth, err := d.Queue.Depth(ctx)
	if err != nil {
		return r, fmt.Errorf("reconcile: %w", err)
	}
	was, err := d.Ledger.raise(ctx, "last_seq", depth.LastSeq)
	if err != nil {
		return r, fmt.Errorf("reconcile: %w", err)
	}
	r.WentBack = depth.LastSeq < was
	stranded := depth.stranded()
	if stranded {
		// The two counts are not taken at one instant; only a state that stays
		// is one.
		time.Sleep(200 * time.Millisecond)
		later, err := d.Queue.Depth(ctx)
		if err != nil {
			return r, fmt.Errorf("reconcile: %w", err)
		}
		stranded = later.stranded() && later.LastSeq == depth.LastSeq
	}
	for _, e := range open {
		settled, resent, err := d.reconcile(ctx, e, stranded)
		if err != nil {
			return r, fmt.Errorf("reconcile: %w", err)
		}
		if settled {
			r.Settled++
		}
		if resent {
			r.Resent++
		}
	}
	return r, nil
}

// reconcile looks at one open job. The stream is asked first: a job leaves it
// only after its record is stored, so a job that is in neither, asked in this
// order, is lost.
func (d Desk) reconcile(ctx context.Context, e Entry, stranded bool) (settled, resent bool, err error) {
	id := e.Job.ID
	has, seq, err := d.Queue.Has(ctx, id)
	if err != nil {
		return false, false, err
	}
	if has && !stranded {
		if e.State == StateSubmitted {
			err = d.Ledger.Queued(ctx, id, seq)
		}
		return false, false, err
	}
	rec, err := d.Records.Get(id)
	switch {
	case err == nil && !rec.Failed:
		return true, false, d.Ledger.Measured(ctx, id, len(rec.Events))
	case err == nil:
		f, err := failureOf(rec)
		if err != nil {
			return false, false, err
		}
		if f.Round >= e.Job.Round {
			return true, false, settleFailed(ctx, d.Ledger, id, f)
		}
	case !errors.Is(err, ErrNoRecord) && !errors.Is(err, ErrDamaged):
		return false, false, err
	}
	// Another home's worker may have settled it.
	if yes, err := d.Queue.announced(ctx, id); err != nil {
		return false, false, err
	} else if yes {
		return true, false, d.Ledger.Measured(ctx, id, 1)
	}
	if l, ok, err := d.Queue.Buried(ctx, id); err != nil || (ok && l.Job.Round >= e.Job.Round) {
		if err == nil {
			err = d.Ledger.Dead(ctx, id, l.Reason.Kind, l.Reason.Words)
		}
		return err == nil, false, err
	}
	if !e.Ours {
		return false, false, nil // its submitter answers for it
	}
	return false, true, d.resend(ctx, e.Job)
}

// resend publishes a job again, after whatever the stream may still keep of it
// is removed.
func (d Desk) resend(ctx context.Context, j Job) error {
	if err := d.Queue.purge(ctx, j.ID); err != nil {
		return err
	}
	moved, err := d.Ledger.Resend(ctx, j.ID, "lost by the queue")
	if err != nil || !moved {
		return err
	}
	_, err = d.send(ctx, j)
	return err
}

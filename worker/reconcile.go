package worker

import (
	"context"
	"errors"
	"fmt"
	"time"

	"nightcage/worker/depot"
)

// Reconciled is what Reconcile found.
type Reconciled struct {
	Open    int  // jobs that the ledger holds as not final
	Resent  int  // of them, lost by the queue and published again
	Settled int  // of them, final in fact
	Rebuilt bool // the stream was emptied and filled from the ledger
	// WentBack: the stream's last sequence is lower than it once was, so the
	// queue has lost its latest writes or was replaced.
	WentBack bool
	// Mended: dead letters and announcements that the queue had lost and that were
	// stored again from the records.
	Mended int
}

// Reconcile compares the ledger with the queue and the record store. A job that
// is open in the ledger, absent from the stream, and has neither record nor dead
// letter was lost by the queue and is published again. It may run while workers
// do.
//
// Nothing in JetStream reports such a loss: one flipped bit in a block cut the
// queue at that point, or left a job undelivered, with the server healthy. In
// server 2.15.2 a message whose bytes have rotted can be neither read nor
// deleted, and still occupies its subject; jobs whose deliveries are used up
// stay in the stream, invisible, by design. In both cases the stream is emptied
// and filled again from the ledger.
func Reconcile(ctx context.Context, d *Desk) (Reconciled, error) { return reconcile(ctx, d, nil) }

// lookAtOnce is how many jobs on the queue a worker looks for at a time, at 0.2 ms of a
// processor each. A million held up the first clip for minutes, and took two thirds of
// a processor when all were looked for every reconcileEvery.
const lookAtOnce = 10_000

// reconcile is Reconcile, or, with a place, for the next lookAtOnce jobs on the queue
// after it, and all that are not there; the place moves on.
func reconcile(ctx context.Context, d *Desk, from *place) (Reconciled, error) {
	r, err := d.reconcile(ctx, from)
	if err == nil && d.Queue.opts.Remote.URL == "" && (from == nil || *from == (place{})) {
		r.Mended, err = d.mend(ctx)
	}
	if err != nil {
		return r, fmt.Errorf("reconcile: %w", err)
	}
	return r, nil
}

func (d *Desk) reconcile(ctx context.Context, from *place) (r Reconciled, err error) {
	depth, err := d.Queue.Depth(ctx)
	if err != nil {
		return r, err
	}
	if r.WentBack, err = d.Ledger.wentBack(ctx, depth.LastSeq); err != nil {
		return r, err
	}
	rebuild := depth.stranded()
	if rebuild {
		// The two counts are not taken at one instant; only a state that stays
		// is one.
		time.Sleep(200 * time.Millisecond)
		later, err := d.Queue.Depth(ctx)
		if err != nil {
			return r, err
		}
		rebuild = later.stranded() && later.LastSeq == depth.LastSeq
	}
	if r.WentBack {
		from = nil
	}
	if !rebuild {
		err := d.reconcileAll(ctx, &r, from)
		if !errors.Is(err, errRotten) {
			return r, err
		}
	}
	r.Rebuilt = true
	if err := d.empty(ctx); err != nil {
		return r, err
	}
	return r, d.reconcileAll(ctx, &r, nil)
}

// empty takes everything off the stream, after the ledger answers for all of
// it.
func (d *Desk) empty(ctx context.Context) error {
	var jobs []Job
	enter := func() error {
		_, err := d.Ledger.addToSend(ctx, jobs)
		jobs = jobs[:0]
		return err
	}
	err := d.Queue.readable(ctx, func(j Job) error {
		if jobs = append(jobs, j); len(jobs) < submitBatch {
			return nil
		}
		return enter()
	})
	if err == nil {
		err = enter()
	}
	if err != nil {
		return err
	}
	return d.Queue.purge(ctx)
}

func (d *Desk) reconcileAll(ctx context.Context, r *Reconciled, from *place) error {
	r.Open = 0
	look := func(e Entry) error {
		r.Open++
		settled, resent, err := d.reconcileJob(ctx, e)
		r.Settled += b2i(settled)
		r.Resent += b2i(resent)
		return err
	}
	err := d.lookForQueued(ctx, from, look)
	for _, s := range []State{StateSubmitted, StateRunning, StateWaiting} {
		if err == nil {
			err = d.Ledger.each(ctx, s, look)
		}
	}
	if errors.Is(err, ErrFull) {
		return nil // the others would find no room either; they stay in the ledger
	}
	return err
}

func (d *Desk) lookForQueued(ctx context.Context, from *place, look func(Entry) error) error {
	if from == nil {
		return d.Ledger.each(ctx, StateQueued, look)
	}
	es, next, err := d.Ledger.some(ctx, StateQueued, *from, lookAtOnce)
	if err != nil {
		return err
	}
	for _, e := range es {
		if err := look(e); err != nil {
			return err
		}
	}
	*from = next
	return nil
}

// reconcileJob looks at one open job. The stream is asked first: a job leaves it
// only after its record is stored, so a job that is in neither, asked in this
// order, is lost.
func (d *Desk) reconcileJob(ctx context.Context, e Entry) (settled, resent bool, err error) {
	id := e.Job.ID
	has, seq, err := d.Queue.Has(ctx, id)
	if err != nil {
		return false, false, err
	}
	if has {
		if e.State == StateSubmitted {
			err = d.Ledger.Queued(ctx, id, seq)
		}
		return false, false, err
	}
	rec, err := d.Records.Get(id)
	found := err == nil
	if errors.Is(err, ErrNoRecord) {
		rec, found, err = d.Queue.announced(ctx, id) // by another home's worker
		if found && err == nil {
			_, err = d.bring(ctx, id)
		}
		if errors.Is(err, depot.ErrAway) {
			return false, false, nil // it stays open until its record can be brought
		}
	}
	if err != nil && !errors.Is(err, ErrDamaged) {
		return false, false, err
	}
	if found && !rec.Failed {
		return true, false, d.Ledger.Measured(ctx, id, len(rec.Events))
	}
	if found {
		f, err := failureOf(rec)
		if err != nil {
			return false, false, err
		}
		if f.Round >= e.Job.Round {
			return true, false, settleFailed(ctx, d.Ledger, id, f)
		}
	}
	if !e.Ours {
		return false, false, nil // its submitter answers for it
	}
	moved, err := d.Ledger.Resend(ctx, id, "lost by the queue")
	if err != nil || !moved {
		return false, false, err
	}
	_, err = d.send(ctx, e.Job)
	return false, err == nil, err
}

// mend stores again what the queue has lost of jobs that are done: dead letters,
// and the whole feed when nothing was ever on it. A feed that lost a part cannot be
// told from one that dropped its oldest records to make room, as it does. Only the
// home's own queue is mended: one elsewhere has replicas, and is another's.
func (d *Desk) mend(ctx context.Context) (mended int, err error) {
	feed, err := d.Queue.recs.Info(ctx)
	if err != nil {
		return 0, fmt.Errorf("%w: %w", ErrQueue, err)
	}
	states, refeed := []State{StateDead}, feed.State.LastSeq == 0
	if refeed {
		states = append(states, StateMeasured, StateUnmeasured)
	}
	for _, s := range states {
		if err := d.Ledger.each(ctx, s, func(e Entry) error {
			did, err := d.mendJob(ctx, e, refeed)
			if err != nil {
				return fmt.Errorf("mend %s: %w", e.Job.ID, err)
			}
			mended += b2i(did)
			return nil
		}); err != nil {
			return mended, err
		}
	}
	return mended, nil
}

func (d *Desk) mendJob(ctx context.Context, e Entry, refeed bool) (did bool, err error) {
	id := e.Job.ID
	if e.State == StateDead && !refeed {
		if _, ok, err := d.Queue.Buried(ctx, id); ok && err == nil {
			return false, nil
		}
	}
	release, err := d.Records.hold(id)
	if errors.Is(err, ErrForgotten) {
		return false, nil
	}
	if err != nil {
		return false, err
	}
	defer release()
	rec, err := d.Records.Get(id)
	if errors.Is(err, ErrNoRecord) || errors.Is(err, ErrDamaged) {
		return false, nil // another home's, or the audit's to tell
	}
	if err != nil {
		return false, err
	}
	if e.State == StateDead {
		f, err := failureOf(rec)
		if err != nil {
			return false, err
		}
		l := DeadLetter{Job: e.Job, Attempts: f.Attempts, At: rec.Events[0].Time(), Reason: f.Reason}
		if err := d.Queue.Bury(ctx, id, l); err != nil {
			return false, err
		}
	}
	if refeed {
		return true, d.Queue.announceAll(ctx, e.Job.Subject.Team, rec)
	}
	return true, nil
}

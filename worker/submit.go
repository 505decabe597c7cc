package worker

import (
	"context"
	"errors"
	"fmt"

	"nightcage/worker/depot"
)

// Outcome is what Submit found or did.
type Outcome string

// The outcomes.
const (
	OutcomeQueued   Outcome = "queued"           // it will be measured
	OutcomeHeld     Outcome = "held back"        // it will be measured when nothing else waits
	OutcomeWaiting  Outcome = "already queued"   // submitted before and not done
	OutcomeMeasured Outcome = "already measured" // there is a record
	OutcomeFailed   Outcome = "already failed"   // there is a record that says why; Retry sends it again
)

// Receipt answers a submission.
type Receipt struct {
	JobID   string   `json:"job_id"`
	Outcome Outcome  `json:"outcome"`
	Records []string `json:"records,omitempty"` // ids of the records there are
	Reason  string   `json:"reason,omitempty"`  // for OutcomeFailed
}

// Desk is where jobs are handed in.
type Desk struct {
	Ledger  *Ledger
	Records *Records
	Queue   *Queue // replaced when it has to be opened anew; the caller closes the last one
	// Depot is what hosts share besides the queue: Submit puts clips into it, and records
	// that another home made come from it. nil: nothing is shared.
	Depot depot.Depot
	// MinFree is how many bytes must be free on the home's disk for Submit to take a
	// job; 0 asks for none.
	MinFree uint64
}

// Submit enters a job in the ledger and puts it on the queue, unless it is there
// or done already. After nil the job is safe: in the ledger, and on the queue or
// recorded. After an error it may be in the ledger; submitting it again, or the
// next worker's Reconcile, completes it.
// ErrFull: the disk has less than MinFree, and nothing was entered; or the queue is
// full, and the job is kept in the ledger until there is room.
//
// When the process that has the home's queue open leaves in the middle, Submit
// opens the queue anew and asks again.
func (d *Desk) Submit(ctx context.Context, j Job) (Receipt, error) {
	for again := 0; ; again++ {
		r, err := d.submit(ctx, j)
		if err == nil || again == maxReopen || ctx.Err() != nil || !errors.Is(err, ErrQueue) || !d.Queue.ownerLeft() {
			return r, err
		}
		q, oerr := d.Queue.reopen(ctx)
		if oerr != nil {
			return r, oerr
		}
		d.Queue = q
	}
}

// maxReopen bounds how many owners of the queue may leave during one question.
const maxReopen = 5

// submit asks once.
func (d *Desk) submit(ctx context.Context, j Job) (Receipt, error) {
	r := Receipt{JobID: j.ID}
	err := CheckConsent(j.Consent.By, j.Subject.Level)
	if err == nil {
		err = d.Records.welcome(j)
	}
	if err == nil {
		err = d.Ledger.TellConsent(ctx, j.Subject.Team, j.Subject.Hitter, j.Consent)
	}
	if err != nil {
		return r, fmt.Errorf("submit %s: %w", j.ID, err)
	}
	rec, err := d.Records.Get(j.ID)
	switch {
	case err == nil:
		return d.known(ctx, j, rec)
	case !errors.Is(err, ErrNoRecord):
		return r, fmt.Errorf("submit %s: %w", j.ID, err)
	}
	if err := room(d.Queue.home.Dir(), d.MinFree); err != nil {
		return r, fmt.Errorf("submit %s: %w", j.ID, err)
	}
	if d.Depot != nil {
		if j, err = Deposit(ctx, d.Depot, j); err != nil {
			return r, fmt.Errorf("submit %s: %w", j.ID, err)
		}
	}
	e, created, err := d.Ledger.Add(ctx, j)
	if err != nil {
		return r, fmt.Errorf("submit %s: %w", j.ID, err)
	}
	if e.State == StateHeld && !j.Low { // now it is wanted
		if _, err := d.Ledger.Release(ctx, j.ID); err != nil {
			return r, fmt.Errorf("submit %s: %w", j.ID, err)
		}
	} else if e.State == StateHeld {
		r.Outcome = OutcomeHeld
		return r, nil
	}
	if e.State.Final() {
		// The ledger remembers a record that the store no longer has.
		j.Round = e.Job.Round + 1
		if err := d.anew(ctx, j, "its record is gone from the store"); err != nil {
			return r, fmt.Errorf("submit %s: %w", j.ID, err)
		}
	} else if !created {
		j.Round = e.Job.Round
		has, _, err := d.Queue.Has(ctx, j.ID)
		if err != nil {
			return r, fmt.Errorf("submit %s: %w", j.ID, err)
		}
		if has {
			r.Outcome = OutcomeWaiting
			return r, nil
		}
	}
	already, err := d.send(ctx, j)
	if errors.Is(err, errRotten) {
		if rec, err := d.Records.Get(j.ID); err == nil {
			return d.known(ctx, j, rec)
		}
		err = nil // in the ledger as submitted; Reconcile makes room for it
	}
	if err != nil {
		return r, fmt.Errorf("submit %s: %w", j.ID, err)
	}
	r.Outcome = OutcomeQueued
	if already && !created {
		r.Outcome = OutcomeWaiting
	}
	return r, nil
}

// known answers for a job that has a record, and enters it in a ledger that does
// not know it (a new ledger beside an old store).
func (d *Desk) known(ctx context.Context, j Job, rec Record) (Receipt, error) {
	r := Receipt{JobID: j.ID, Outcome: OutcomeMeasured}
	for _, e := range rec.Events {
		r.Records = append(r.Records, e.ID())
	}
	e, _, err := d.Ledger.Add(ctx, j)
	if err != nil {
		return r, fmt.Errorf("submit %s: %w", j.ID, err)
	}
	if !rec.Failed {
		return r, d.Ledger.Measured(ctx, j.ID, len(rec.Events))
	}
	f, err := failureOf(rec)
	if err != nil {
		return r, err
	}
	if !e.State.Final() && f.Round < e.Job.Round {
		r.Outcome = OutcomeWaiting // being retried
		return r, nil
	}
	r.Outcome, r.Reason = OutcomeFailed, f.Reason.Words
	return r, settleFailed(ctx, d.Ledger, j.ID, f)
}

// settleFailed brings the ledger in line with a stored failure.
func settleFailed(ctx context.Context, l *Ledger, id string, f ended) error {
	if f.Reason.Class == ClassNothing {
		return l.Unmeasured(ctx, id, f.Reason.Kind, f.Reason.Words)
	}
	return l.Dead(ctx, id, f.Reason.Kind, f.Reason.Words)
}

// send publishes a job that the ledger holds as submitted.
func (d *Desk) send(ctx context.Context, j Job) (already bool, err error) {
	n, err := d.Ledger.NextSend(ctx, j.ID)
	if err != nil {
		return false, err
	}
	seq, already, err := d.Queue.Publish(ctx, j, n)
	if err != nil {
		return false, err
	}
	return already, d.Ledger.Queued(ctx, j.ID, seq)
}

// Retry sends a job again that is dead or unmeasured, or whose record is
// damaged, in a new round with all attempts. The failure record stays until the
// new one replaces it.
func (d *Desk) Retry(ctx context.Context, jobID string) error {
	e, err := d.Ledger.Get(ctx, jobID)
	if err != nil {
		return fmt.Errorf("retry: %w", err)
	}
	rerr := d.Records.Verify(jobID)
	switch {
	case !e.State.Final():
		return fmt.Errorf("retry %s: it is %s", jobID, e.State)
	case e.State == StateMeasured && rerr == nil:
		return fmt.Errorf("retry %s: %w", jobID, ErrRecorded)
	}
	j := e.Job
	j.Round++
	if err := d.anew(ctx, j, "retry"); err != nil {
		return fmt.Errorf("retry %s: %w", jobID, err)
	}
	if _, err := d.send(ctx, j); err != nil {
		return fmt.Errorf("retry %s: %w", jobID, err)
	}
	return nil
}

// anew opens a final job for another round, after the queue has forgotten how
// the last one ended.
func (d *Desk) anew(ctx context.Context, j Job, why string) error {
	if err := d.Queue.unbury(ctx, j.ID); err != nil {
		return err
	}
	if err := d.Queue.unannounce(ctx, j.ID); err != nil {
		return err
	}
	_, err := d.Ledger.Retry(ctx, j, why)
	return err
}

package worker

import (
	"context"
	"errors"
	"fmt"
	"slices"

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
	rs, errs := d.SubmitAll(ctx, []Job{j})
	return rs[0], errs[0]
}

// SubmitAll is Submit for many jobs; answers and errors stand where the jobs do. The
// ledger is synced twice for submitBatch jobs, the queue's server for each.
func (d *Desk) SubmitAll(ctx context.Context, jobs []Job) ([]Receipt, []error) {
	rs, errs := make([]Receipt, len(jobs)), make([]error, len(jobs))
	for i := range jobs {
		rs[i].JobID = jobs[i].ID
	}
	for from := 0; from < len(jobs); from += submitBatch {
		var these []int
		for i := from; i < min(from+submitBatch, len(jobs)); i++ {
			these = append(these, i)
		}
		for again := 0; ; again++ {
			d.submit(ctx, jobs, these, rs, errs)
			these = slices.DeleteFunc(these, func(i int) bool { return !errors.Is(errs[i], ErrQueue) })
			if len(these) == 0 || again == maxReopen || ctx.Err() != nil || !d.Queue.ownerLeft() {
				break
			}
			q, err := d.Queue.reopen(ctx)
			if err != nil {
				for _, i := range these {
					errs[i] = err
				}
				break
			}
			d.Queue = q
		}
	}
	return rs, errs
}

// submitBatch is how many jobs share the ledger's syncs: with two for so many, what
// is left is the queue's one for each.
const submitBatch = 256

// maxReopen bounds how many owners of the queue may leave during one question.
const maxReopen = 5

// submit asks once for the jobs of these numbers. A crash at any point leaves each of
// them unknown, in the ledger as submitted, which Reconcile completes, or queued.
func (d *Desk) submit(ctx context.Context, jobs []Job, these []int, rs []Receipt, errs []error) {
	told := map[Hitter]Consent{}
	var fresh []int
	var enter []Job
	for _, i := range these {
		j, done := jobs[i], false
		if j, done, errs[i] = d.admit(ctx, j, told, &rs[i]); errs[i] == nil && !done {
			fresh, enter = append(fresh, i), append(enter, j)
		}
	}
	entries, err := d.Ledger.addToSend(ctx, enter)
	var sent []sending
	for n, i := range fresh {
		if errs[i] = err; err != nil {
			continue
		}
		e, j := entries[n], enter[n]
		switch {
		case !e.created:
			errs[i] = d.submitKnown(ctx, j, e.Entry, &rs[i])
		case e.State == StateHeld:
			rs[i].Outcome = OutcomeHeld
		default:
			var s sending
			if s.seq, _, errs[i] = d.Queue.Publish(ctx, j, e.Sends); errors.Is(errs[i], errRotten) {
				errs[i] = d.behindRotten(ctx, j, &rs[i])
			} else if errs[i] == nil {
				rs[i].Outcome = OutcomeQueued
				s.id, s.of = j.ID, i
				sent = append(sent, s)
			}
		}
	}
	if err := d.Ledger.queuedAll(ctx, sent); err != nil {
		for _, s := range sent {
			errs[s.of] = err
		}
	}
	for _, i := range these {
		if errs[i] != nil {
			errs[i] = fmt.Errorf("submit %s: %w", jobs[i].ID, errs[i])
		}
	}
}

// admit does what comes before a job is entered. done: it is answered, by its record.
// told is what was told in this batch.
func (d *Desk) admit(ctx context.Context, j Job, told map[Hitter]Consent, r *Receipt) (_ Job, done bool, err error) {
	if err := CheckConsent(j.Consent.By, j.Subject.Level); err != nil {
		return j, false, err
	}
	if err := d.Records.welcome(j); err != nil {
		return j, false, err
	}
	if who := (Hitter{j.Subject.Hitter, j.Subject.Team}); told[who] != j.Consent {
		if err := d.Ledger.TellConsent(ctx, who.Team, who.Name, j.Consent); err != nil {
			return j, false, err
		}
		told[who] = j.Consent
	}
	rec, err := d.Records.Get(j.ID)
	if err == nil {
		return j, true, d.known(ctx, j, rec, r)
	}
	if !errors.Is(err, ErrNoRecord) {
		return j, false, err
	}
	if err := room(d.Queue.home.Dir(), d.MinFree); err != nil {
		return j, false, err
	}
	if d.Depot != nil {
		j, err = Deposit(ctx, d.Depot, j)
		return j, false, err
	}
	return j, false, nil
}

// submitKnown answers for a job that the ledger had.
func (d *Desk) submitKnown(ctx context.Context, j Job, e Entry, r *Receipt) error {
	if e.State == StateHeld && j.Low {
		r.Outcome = OutcomeHeld
		return nil
	}
	j.Round = e.Job.Round
	switch {
	case e.State == StateHeld: // now it is wanted
		if _, err := d.Ledger.Release(ctx, j.ID); err != nil {
			return err
		}
	case e.State.Final():
		// The ledger remembers a record that the store no longer has.
		j.Round++
		if err := d.anew(ctx, j, "its record is gone from the store"); err != nil {
			return err
		}
	}
	if !e.State.Final() {
		if has, _, err := d.Queue.Has(ctx, j.ID); has || err != nil {
			r.Outcome = OutcomeWaiting
			return err
		}
	}
	already, err := d.send(ctx, j)
	if errors.Is(err, errRotten) {
		return d.behindRotten(ctx, j, r)
	}
	r.Outcome = OutcomeQueued
	if already {
		r.Outcome = OutcomeWaiting
	}
	return err
}

// behindRotten answers for a job whose place on the queue is taken by what cannot be
// read: it is measured by now, or in the ledger as submitted, and Reconcile makes room.
func (d *Desk) behindRotten(ctx context.Context, j Job, r *Receipt) error {
	if rec, err := d.Records.Get(j.ID); err == nil {
		return d.known(ctx, j, rec, r)
	}
	r.Outcome = OutcomeQueued
	return nil
}

// known answers for a job that has a record, and enters it in a ledger that does
// not know it (a new ledger beside an old store).
func (d *Desk) known(ctx context.Context, j Job, rec Record, r *Receipt) error {
	r.Outcome = OutcomeMeasured
	for _, e := range rec.Events {
		r.Records = append(r.Records, e.ID())
	}
	e, _, err := d.Ledger.Add(ctx, j)
	if err != nil {
		return err
	}
	if !rec.Failed {
		return d.Ledger.Measured(ctx, j.ID, len(rec.Events))
	}
	f, err := failureOf(rec)
	if err != nil {
		return err
	}
	if !e.State.Final() && f.Round < e.Job.Round {
		r.Outcome = OutcomeWaiting // being retried
		return nil
	}
	r.Outcome, r.Reason = OutcomeFailed, f.Reason.Words
	return settleFailed(ctx, d.Ledger, j.ID, f)
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

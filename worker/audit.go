package worker

import (
	"context"
	"errors"
	"fmt"
)

// AuditReport accounts for every job of a home. Each is counted once.
type AuditReport struct {
	Submitted int `json:"submitted"`
	// Recorded: a record that was measured, or that says there was nothing to
	// measure.
	Recorded int `json:"recorded"`
	Dead     int `json:"dead_lettered"`
	Open     int `json:"open"` // on the queue, waiting or running
	// Lost: in neither store nor queue, or final without what a final job has.
	Lost []string `json:"lost,omitempty"`
	// Twice: measured and dead-lettered both.
	Twice   []string `json:"twice,omitempty"`
	Damaged []string `json:"damaged,omitempty"` // a stored file fails its checksum
	// Unlisted: in the store and not in the ledger. No fault: an older ledger
	// may have been lost.
	Unlisted []string `json:"unlisted,omitempty"`
}

// Balanced reports whether every job is accounted for exactly once.
func (a AuditReport) Balanced() bool {
	return len(a.Lost)+len(a.Twice)+len(a.Damaged) == 0 && a.Submitted == a.Recorded+a.Dead+a.Open
}

func (a AuditReport) String() string {
	word := "balanced"
	if !a.Balanced() {
		word = "NOT BALANCED"
	}
	return fmt.Sprintf("audit: submitted %d = recorded %d + dead-lettered %d + open %d; lost %d, twice %d, damaged %d: %s",
		a.Submitted, a.Recorded, a.Dead, a.Open, len(a.Lost), len(a.Twice), len(a.Damaged), word)
}

// Audit checks every job of the ledger against record store, dead letters and
// queue, reading every stored file. On a home that is at work, a job that moves
// while it is looked at may show as lost; ask again.
func Audit(ctx context.Context, d *Desk) (AuditReport, error) {
	var a AuditReport
	entries, err := d.Ledger.Entries(ctx)
	if err != nil {
		return a, fmt.Errorf("audit: %w", err)
	}
	listed := map[string]bool{}
	for _, e := range entries {
		listed[e.Job.ID] = true
		if err := d.auditJob(ctx, e, &a); err != nil {
			return a, fmt.Errorf("audit %s: %w", e.Job.ID, err)
		}
	}
	ids, err := d.Records.IDs()
	if err != nil {
		return a, fmt.Errorf("audit: %w", err)
	}
	for _, id := range ids {
		if !listed[id] {
			a.Unlisted = append(a.Unlisted, id)
			if err := d.Records.Verify(id); errors.Is(err, ErrDamaged) {
				a.Damaged = append(a.Damaged, id)
			} else if err != nil {
				return a, fmt.Errorf("audit %s: %w", id, err)
			}
		}
	}
	return a, nil
}

func (d *Desk) auditJob(ctx context.Context, e Entry, a *AuditReport) error {
	id := e.Job.ID
	a.Submitted++
	_, buried, err := d.Queue.Buried(ctx, id)
	if err != nil {
		return err
	}
	err = d.Records.Verify(id)
	if errors.Is(err, ErrDamaged) {
		a.Damaged = append(a.Damaged, id)
		return nil
	}
	if err != nil && !errors.Is(err, ErrNoRecord) {
		return err
	}
	rec, ok, err := d.outcome(ctx, e)
	if err != nil {
		return err
	}
	measured := ok && !rec.Failed
	var nothing, failed bool
	if ok && rec.Failed {
		f, err := failureOf(rec)
		if err != nil {
			return err
		}
		now := f.Round >= e.Job.Round // else it is being retried
		nothing = now && f.Reason.Class == ClassNothing
		failed = now && !nothing
	}
	switch {
	case measured && buried:
		a.Twice = append(a.Twice, id)
	case measured, nothing:
		a.Recorded++
	case failed && buried:
		a.Dead++
	default:
		has, _, err := d.Queue.Has(ctx, id)
		if err != nil {
			return err
		}
		if e.State == StateHeld {
			has = true // its place is the ledger
		}
		if !has || e.State.Final() {
			a.Lost = append(a.Lost, id)
			return nil
		}
		a.Open++
	}
	return nil
}

// outcome returns the job's record, or, when it was made in another home, what
// the feed says of it.
func (d *Desk) outcome(ctx context.Context, e Entry) (rec Record, ok bool, err error) {
	rec, err = d.Records.Get(e.Job.ID)
	if errors.Is(err, ErrNoRecord) {
		if !e.State.Final() {
			return rec, false, nil
		}
		return d.Queue.announced(ctx, e.Job.ID)
	}
	return rec, err == nil, err
}

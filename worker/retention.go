package worker

import (
	"context"
	"errors"
	"fmt"
	"time"
)

// Retention says how long what is done is kept, counted from when the clip was
// submitted. Zero: for ever.
type Retention struct {
	Clips   time.Duration // the film
	Records time.Duration // record, stills and tracks, ledger rows, queue entries
}

// Expiring counts what Expire would remove and removes nothing.
func (d *Desk) Expiring(ctx context.Context, r Retention, now time.Time) (Proof, error) {
	x, err := d.doomOld(ctx, r, now)
	if err != nil {
		return Proof{}, fmt.Errorf("expire: %w", err)
	}
	was, err := d.count(ctx, x)
	return proof(x, was, was), err
}

// Expire removes what is older than r allows, in the way and with the proof of
// Forget. Jobs that are not done are left alone, and so is a clip that one of
// them, or a younger one, needs. What was told of consent stays. A record
// whose clip has expired can be remade from its track, not measured again.
//
// Errors: ErrStorage, ErrQueue; ErrRemains with the proof.
func (d *Desk) Expire(ctx context.Context, r Retention, now time.Time) (Proof, error) {
	x, err := d.doomOld(ctx, r, now)
	if err != nil {
		return Proof{}, fmt.Errorf("expire: %w", err)
	}
	p, err := d.remove(ctx, x)
	if err != nil {
		err = fmt.Errorf("expire: %w", err)
	}
	return p, err
}

func (d *Desk) doomOld(ctx context.Context, r Retention, now time.Time) (doomed, error) {
	x := doomed{ids: map[string]bool{}}
	old := func(at time.Time, limit time.Duration) bool { return limit > 0 && now.Sub(at) > limit }
	entries, err := d.Ledger.Entries(ctx)
	if err != nil {
		return x, err
	}
	var needed []clipFile
	seen, listed := map[clipFile]bool{}, map[string]bool{}
	for _, e := range entries {
		listed[e.Job.ID] = true
		done := e.State.Final()
		if done && old(e.Job.SubmittedAt, r.Records) {
			x.ids[e.Job.ID] = true
		}
		c := clipFile{e.Job.Clip, e.Job.ClipSHA256}
		switch {
		case !done || !old(e.Job.SubmittedAt, r.Clips):
			needed = append(needed, c)
		case !seen[c]:
			seen[c] = true
			x.clips = append(x.clips, c)
		}
	}
	x.spare(needed, "a job that is younger or not done needs it")
	if r.Records == 0 {
		return x, nil
	}
	// A ledger that was lost leaves records that it does not know.
	ids, err := d.Records.IDs()
	if err != nil {
		return x, err
	}
	for _, id := range ids {
		if listed[id] {
			continue
		}
		rec, err := d.Records.Get(id)
		if errors.Is(err, ErrDamaged) || errors.Is(err, ErrNoRecord) {
			continue // no date to go by; the audit names it
		}
		if err != nil {
			return x, err
		}
		if old(rec.Events[len(rec.Events)-1].Time(), r.Records) {
			x.ids[id] = true
		}
	}
	return x, nil
}

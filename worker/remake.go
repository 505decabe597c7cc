package worker

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"nightcage/vision"
)

// Remaker makes records anew from the tracks and timelines that are stored, with
// no clip.
type Remaker struct {
	Pipeline string // version that goes into the records it makes
	Vision   string // version whose tracks are those that Pipeline would make
	Schema   Schema
	// Measure makes a record's data from a vision.Track and a phases.Timeline.
	Measure func(ctx context.Context, track, timeline json.RawMessage) (json.RawMessage, error)
	// Carry, if any, takes along what is kept beside the record of one job to that
	// of another, made of r, just before it is stored. Called again for the two, as
	// after a crash, it changes nothing.
	Carry func(ctx context.Context, from, to string, r Result) error
}

// Make makes a job's swings anew and stores nothing. vision is the version that
// made their tracks.
//
// Errors: ErrNoRecord when the job has no measured record, ErrDamaged, ErrNoMaker,
// a *Failure of ClassBroken when what was made must not be stored, that of Measure,
// or ctx's.
func (m Remaker) Make(ctx context.Context, r *Records, jobID string) (res Result, vision string, err error) {
	fail := func(err error) (Result, string, error) {
		return Result{}, "", fmt.Errorf("remake %s: %w", jobID, err)
	}
	res, err = r.Result(jobID)
	if err != nil {
		return fail(err)
	}
	res.From = jobID
	for i := range res.Swings {
		w := &res.Swings[i]
		v, err := trackMaker(w.Track)
		if err == nil && i > 0 && v != vision {
			err = fmt.Errorf("%w: swing %d has a track of vision %s, swing 1 of %s", ErrDamaged, i+1, v, vision)
		}
		if err == nil {
			vision = v
			w.Data, err = m.Measure(ctx, w.Track, w.Timeline)
		}
		if err != nil {
			return fail(err)
		}
	}
	if err := res.check(m.Schema); err != nil {
		return fail(err)
	}
	return res, vision, nil
}

// trackMaker is the version that made a stored track.
func trackMaker(track json.RawMessage) (string, error) {
	var t struct {
		Maker *vision.Maker `json:"maker"`
	}
	if err := json.Unmarshal(track, &t); err != nil {
		return "", fmt.Errorf("%w: track: %w", ErrDamaged, err)
	}
	if t.Maker == nil || t.Maker.Version == "" {
		return "", ErrNoMaker
	}
	return t.Maker.Version, nil
}

// Remake makes a record of the present version from a job's stored tracks, beside
// the old one, which stays as it is. The new record is that of another job, whose
// ID is the one that the clip would get if it were submitted now; where the
// tracks are of another vision it is one of its own, so that the clip can still be
// measured. Its events name the old job (extension "remadefrom"). It has no
// stills: those are drawn from the clip, with the old record's numbers on them.
//
// Stored and synced first, then announced, then entered in the ledger; repeated
// after a crash it completes what is missing. When there was nothing left to do,
// the error is ErrRecorded, with the record. Other errors: those of Make and Carry,
// ErrStorage (no room on the disk, say; nothing is left of the new record), ErrQueue,
// ErrForgotten.
func (d *Desk) Remake(ctx context.Context, m Remaker, jobID string) (Record, error) {
	res, vision, err := m.Make(ctx, d.Records, jobID)
	if err != nil {
		return Record{}, err
	}
	rec, err := d.storeRemade(ctx, m, jobID, res, vision)
	if err != nil {
		return rec, fmt.Errorf("remake %s: %w", jobID, err)
	}
	return rec, nil
}

func (d *Desk) storeRemade(ctx context.Context, m Remaker, jobID string, res Result, vision string) (Record, error) {
	release, err := d.Records.hold(jobID) // whoever forgets the old job finds the new one
	if err != nil {
		return Record{}, err
	}
	defer release()
	old, err := d.Records.Get(jobID)
	if err != nil {
		return Record{}, err
	}
	j, listed, err := d.jobOf(ctx, old)
	if err != nil {
		return Record{}, err
	}
	j = m.job(j, vision)
	files, err := res.bundle(j, m.Schema, m.Pipeline, time.Now())
	if err != nil {
		return Record{}, err
	}
	if m.Carry != nil {
		if err := m.Carry(ctx, jobID, j.ID, res); err != nil {
			return Record{}, err
		}
	}
	put := d.Records.Put(j.ID, files)
	if put != nil && !errors.Is(put, ErrRecorded) {
		return Record{}, put
	}
	rec, err := d.Records.Get(j.ID)
	if err != nil {
		return rec, err
	}
	if put != nil {
		e, err := d.Ledger.Get(ctx, j.ID)
		if err == nil && e.State == StateMeasured || errors.Is(err, ErrUnknownJob) && !listed {
			return rec, put
		}
		if err != nil && !errors.Is(err, ErrUnknownJob) {
			return rec, err
		}
	}
	if err := d.Queue.announceAll(ctx, j.Subject.Team, rec); err != nil {
		return rec, err
	}
	if !listed {
		return rec, nil // where the clip lay is not known
	}
	if err := d.Ledger.adopt(ctx, j); err != nil {
		return rec, err
	}
	return rec, d.Ledger.Measured(ctx, j.ID, len(rec.Events))
}

// job is the one that the record of a remade job is stored under.
func (m Remaker) job(old Job, vision string) Job {
	j := old
	j.Pipeline, j.Round, j.Low = m.Pipeline, 0, false
	if vision != m.Vision {
		j.Pipeline += " on vision " + vision
	}
	j.ID = jobID(j.ClipSHA256, j.Subject, j.Pipeline)
	if j.ID == old.ID { // submitted to a worker that was behind its submitter
		j.Pipeline += " remade"
		j.ID = jobID(j.ClipSHA256, j.Subject, j.Pipeline)
	}
	return j
}

// jobOf is a measured record's job as the ledger has it. In a store beside another
// ledger it is read off the record, without the place of its clip.
func (d *Desk) jobOf(ctx context.Context, rec Record) (j Job, listed bool, err error) {
	e, err := d.Ledger.Get(ctx, rec.JobID)
	if err == nil || !errors.Is(err, ErrUnknownJob) {
		return e.Job, err == nil, err
	}
	var data struct {
		Subject vision.Subject `json:"subject"`
	}
	if err := rec.Events[0].DataAs(&data); err != nil {
		return j, false, fmt.Errorf("%w: %s: %w", ErrDamaged, rec.JobID, err)
	}
	sum, _ := rec.Events[0].Extensions()[extClip].(string)
	return Job{ID: rec.JobID, ClipSHA256: sum, Subject: data.Subject}, false, nil
}

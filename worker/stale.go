package worker

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"time"

	"github.com/cloudevents/sdk-go/v2/event"
	"golang.org/x/mod/semver"
)

// Remedy is what brings a stale record up to date.
type Remedy string

// The remedies.
const (
	RemedyRemake  Remedy = "remake"        // the present vision would make the same track: Remake
	RemedyMeasure Remedy = "measure again" // its vision is older, its clip is there: Again
	// RemedyOldTrack: its vision is older and its clip is gone. Remake gives it the
	// present measures of what the older vision saw.
	RemedyOldTrack Remedy = "remake from the older track"
	RemedyNone     Remedy = "none" // its clip is gone and no track of it can be used
)

// Remedies lists them all.
func Remedies() []Remedy {
	return []Remedy{RemedyRemake, RemedyMeasure, RemedyOldTrack, RemedyNone}
}

// Stale is a record that a newer version would change.
type Stale struct {
	JobID    string `json:"job_id"`
	Team     string `json:"team,omitempty"`
	Hitter   string `json:"hitter,omitempty"`
	Clip     string `json:"clip"`                     // name of the file
	Pipeline string `json:"pipeline_version"`         // that made it
	Vision   string `json:"vision_version,omitempty"` // of its track; empty when it does not say, or has none
	Failed   bool   `json:"failed,omitempty"`         // it says why the clip could not be measured
	Remedy   Remedy `json:"remedy"`
	// Waiting: the job that measures the clip anew has been submitted.
	Waiting bool `json:"waiting,omitempty"`
}

// Staleness sorts the newest record of every hitter's clip.
type Staleness struct {
	Stale   []Stale `json:"stale"`   // oldest record first
	Current int     `json:"current"` // records that the present version would not change
	Newer   int     `json:"newer"`   // records of a version later than the present one
}

// dated is a stored record with what tells whose it is and when it was made.
type dated struct {
	rec      Record
	at       time.Time
	pipeline string
	data     struct {
		Vision string `json:"vision_version"`
		Clip   struct {
			Name string `json:"name"`
		} `json:"clip"`
	}
}

// whose names a hitter's clip.
type whose struct{ team, hitter, sha256 string }

func whoseOf(e event.Event) whose {
	sum, _ := e.Extensions()[extClip].(string)
	return whose{teamOf(e), e.Subject(), sum}
}

// newest reads the store and keeps of each hitter's clip the record made last, a
// measured one before a failure, as all who list swings do. damaged joins what was wrong with records that could not
// be read.
func (r *Records) newest(ctx context.Context) (all []dated, damaged, err error) {
	ids, err := r.IDs()
	if err != nil {
		return nil, nil, err
	}
	var bad []error
	last := map[whose]dated{}
	for _, id := range ids {
		if ctx.Err() != nil {
			return nil, nil, ctx.Err()
		}
		d := dated{}
		d.rec, err = r.Get(id)
		switch {
		case errors.Is(err, ErrDamaged):
			bad = append(bad, err)
			continue
		case errors.Is(err, ErrNoRecord): // being replaced this very moment
			continue
		case err != nil:
			return nil, nil, err
		}
		e := d.rec.Events[0]
		d.at = e.Time()
		d.pipeline, _ = e.Extensions()[extPipeline].(string)
		if err := e.DataAs(&d.data); err != nil {
			bad = append(bad, fmt.Errorf("%w: %s: %w", ErrDamaged, id, err))
			continue
		}
		k := whoseOf(e)
		was, ok := last[k]
		if !ok || was.rec.Failed && !d.rec.Failed || was.rec.Failed == d.rec.Failed && d.at.After(was.at) {
			last[k] = d
		}
	}
	for _, d := range last {
		all = append(all, d)
	}
	slices.SortFunc(all, func(a, b dated) int {
		return cmp.Or(a.at.Compare(b.at), cmp.Compare(a.rec.JobID, b.rec.JobID))
	})
	return all, errors.Join(bad...), nil
}

// older reports whether version a came before b. Versions that are no semantic
// ones come before those that are, and before each other.
func older(a, b string) bool {
	return a != b && semver.Compare("v"+a, "v"+b) <= 0
}

// Stale says which records m would change, by their versions alone; what it would
// change them to, Make says. Only the newest record of a hitter's clip counts. It
// needs no queue.
//
// A failure is stale when the vision that gave up on the clip is older, or the
// analysis broke in an older version; one that was a matter of the machine is for
// Retry.
//
// damaged joins what was wrong with records that could not be read.
func (d *Desk) Stale(ctx context.Context, m Remaker) (s Staleness, damaged, err error) {
	all, damaged, err := d.Records.newest(ctx)
	if err != nil {
		return s, nil, fmt.Errorf("stale records: %w", err)
	}
	for _, r := range all {
		stale, err := m.needs(r)
		if err != nil {
			damaged = errors.Join(damaged, err)
			continue
		}
		switch {
		case older(m.Pipeline, r.pipeline):
			s.Newer++
			continue
		case stale == RemedyNone:
			s.Current++
			continue
		}
		e := r.rec.Events[0]
		x := Stale{JobID: r.rec.JobID, Team: teamOf(e), Hitter: e.Subject(), Clip: r.data.Clip.Name, Pipeline: r.pipeline,
			Vision: r.data.Vision, Failed: r.rec.Failed, Remedy: stale}
		if stale == RemedyMeasure {
			if err := d.whereabouts(ctx, m, r, &x); err != nil {
				return s, nil, fmt.Errorf("stale records: %w", err)
			}
		}
		if x.Remedy == "" {
			s.Current++
			continue
		}
		s.Stale = append(s.Stale, x)
	}
	return s, damaged, nil
}

// needs is what a record would need were its clip there; RemedyNone when it is up
// to date.
func (m Remaker) needs(r dated) (Remedy, error) {
	if r.rec.Failed {
		f, err := failureOf(r.rec)
		if err != nil {
			return "", err
		}
		if f.Reason.Class != ClassTransient && older(r.pipeline, m.Vision) ||
			f.Reason.Class == ClassBroken && older(r.pipeline, m.Pipeline) {
			return RemedyMeasure, nil
		}
		return RemedyNone, nil
	}
	vision := r.data.Vision
	if vision == "" && r.pipeline == m.Pipeline {
		vision = m.Vision // measured from its clip by what measures now
	}
	switch {
	case vision != m.Vision:
		return RemedyMeasure, nil
	case r.pipeline != m.Pipeline:
		return RemedyRemake, nil
	}
	return RemedyNone, nil
}

// whereabouts looks for the clip of a record that has to be measured again, and
// settles for less where it is gone, or where measuring it again has failed: Remedy
// is empty when nothing less would change the record.
func (d *Desk) whereabouts(ctx context.Context, m Remaker, r dated, x *Stale) error {
	e, err := d.Ledger.Get(ctx, r.rec.JobID)
	if err != nil && !errors.Is(err, ErrUnknownJob) {
		return err
	}
	if err == nil {
		next, err := d.Ledger.Get(ctx, m.again(e.Job).ID)
		if err != nil && !errors.Is(err, ErrUnknownJob) {
			return err
		}
		tried := err == nil && next.State.Final()
		x.Waiting = err == nil && !tried
		if st, err := os.Stat(e.Job.Clip); err == nil && st.Mode().IsRegular() && !tried {
			return nil
		}
	}
	switch {
	case r.rec.Failed || r.data.Vision == "":
		x.Remedy = RemedyNone
	case r.pipeline != m.Pipeline:
		x.Remedy = RemedyOldTrack
	default:
		x.Remedy = "" // remade already
	}
	return nil
}

// again is the job that measures an older job's clip with the present version when
// nothing else waits. It keeps the time of submission, from which the clip's and
// the record's age count.
func (m Remaker) again(old Job) Job {
	j := old
	j.Pipeline, j.Round, j.Low = m.Pipeline, 0, true
	j.ID = jobID(j.ClipSHA256, j.Subject, j.Pipeline)
	return j
}

// Again submits the clip of a stale record at low priority: it is measured when no
// other job waits.
//
// Errors: a *Failure of ClassBadClip when the clip is not there any more or not the
// one that was submitted; ErrUnknownJob when the ledger does not say where it was;
// those of Submit.
func (d *Desk) Again(ctx context.Context, m Remaker, oldID string) (Receipt, error) {
	fail := func(err error) (Receipt, error) { return Receipt{}, fmt.Errorf("measure %s again: %w", oldID, err) }
	e, err := d.Ledger.Get(ctx, oldID)
	if err != nil {
		return fail(err)
	}
	sum, err := hashClip(ctx, e.Job.Clip, nil)
	if err != nil {
		return fail(err)
	}
	if sum != e.Job.ClipSHA256 {
		return fail(&Failure{Class: ClassBadClip, Kind: KindClipChanged, Words: filepath.Base(e.Job.Clip) + " is not the file that was submitted"})
	}
	r, err := d.Submit(ctx, m.again(e.Job))
	if err != nil {
		return fail(err)
	}
	return r, nil
}

// Has reports whether a job's record is stale.
func (s Staleness) Has(jobID string) bool {
	return slices.ContainsFunc(s.Stale, func(x Stale) bool { return x.JobID == jobID })
}

// Count is how many records have a remedy.
func (s Staleness) Count(r Remedy) (n int) {
	for _, x := range s.Stale {
		n += b2i(x.Remedy == r)
	}
	return n
}

// Package analysis runs the stages on one clip: it reads the pictures, finds
// hitter, bat and ball, solves the swing in three dimensions, times its events,
// measures it and draws the stills.
//
// A clip is read once on thumbnails to find where it is cut and when something
// moves as a swing does. For each such burst a few pictures are looked at for the
// hitter; then the frames around it are read once to follow the body, once to
// follow the bat with the hands known, and up to contact once more for the
// stills. Pictures are never kept: memory does not grow with the clip.
package analysis

import (
	"context"

	"nightcage/metrics"
	"nightcage/metrics/rules"
	"nightcage/models"
	"nightcage/phases"
	"nightcage/vision"
	"nightcage/vision/bat"
	"nightcage/vision/clip"
	"nightcage/vision/pose"
	"nightcage/vision/solve"
)

// PipelineVersion names the whole of code and networks that makes a record. It
// is raised when any number in a record can change; records are keyed by it.
const PipelineVersion = "0.4.0"

// VisionVersion is the PipelineVersion in which a Track or Timeline of some clip
// last became another one: by the code of vision or phases, by a network, or by
// how this package runs them. A record of this vision can be remade from its
// stored Track; one of an older vision needs its clip. Never above PipelineVersion.
const VisionVersion = "0.4.0"

// Result is one measured swing, stage by stage.
type Result struct {
	Seen     vision.Track // what Measure makes the rest from
	Track    vision.Track // what the record was read from
	Timeline phases.Timeline
	Swing    metrics.Swing
	Stills   []Still
}

// Options says how much is made. The zero value is the whole job.
type Options struct {
	NoStills bool       // draw none: the judge needs none
	Budget   bool       // each measure says which source gives what share of its variance
	Rules    *rules.Set // nil: those that ship
}

// Analyser holds the networks. It is for one goroutine at a time; make it once
// and use it for many clips.
type Analyser struct {
	pose *pose.Estimator
	bat  *bat.Finder
	nets []vision.Model
}

// New loads the networks. Errors: those of models.Open.
func New(ctx context.Context) (*Analyser, error) {
	a := &Analyser{}
	var err error
	if a.pose, err = pose.New(ctx); err != nil {
		return nil, err
	}
	if a.bat, err = bat.NewFinder(ctx); err != nil {
		a.Close()
		return nil, err
	}
	for _, n := range models.Networks() {
		sum, err := models.SHA256(n)
		if err != nil {
			a.Close()
			return nil, err
		}
		a.nets = append(a.nets, vision.Model{Name: string(n), SHA256: sum})
	}
	return a, nil
}

// Close frees the networks.
func (a *Analyser) Close() {
	if a.pose != nil {
		a.pose.Close()
	}
	if a.bat != nil {
		a.bat.Close()
	}
}

// Failed is the record of a clip that could not be measured.
func (a *Analyser) Failed(f metrics.Failure, c vision.Clip, subject vision.Subject) metrics.Swing {
	return metrics.Failed(f, c, subject, metrics.Options{Pipeline: PipelineVersion, Models: a.nets})
}

// Run measures the swings in the clip at path, in order of time, numbered. A
// take, a check or a bunt is one of them, with its own Timeline.Kind; a burst of
// motion that turns out to be nothing of the kind is only told of in the notes.
// progress, which may be nil, is called from the calling goroutine as frames are
// done; total is 0 until it is known.
//
// The error is a *clip.Error when the file cannot be read, an *Error when there
// is nothing in it to measure, the context's when that ends first. Where one of
// several swings cannot be measured the others are.
func (a *Analyser) Run(ctx context.Context, path string, subject vision.Subject, o Options, progress func(done, total int)) ([]*Result, error) {
	c, err := clip.Probe(ctx, path, subject)
	if err != nil {
		return nil, err
	}
	steps := newSteps(o, progress)
	s, err := surveyClip(ctx, path, c, steps)
	if err != nil {
		return nil, err
	}
	found, err := a.seeAll(ctx, path, s.clip, s, subject, steps)
	if err != nil {
		return nil, err
	}
	if c, doubted, err := found.doubt(); err != nil {
		return nil, err
	} else if doubted {
		if found, err = a.seeAll(ctx, path, c, s, subject, steps); err != nil {
			return nil, err
		}
	}
	found.dropEmpty()
	if len(found.swings) == 0 {
		return nil, found.why()
	}
	var out []*Result
	for i, w := range found.swings {
		w.track.Swing, w.track.Swings = i+1, len(found.swings)
		w.track.Notes = append(w.track.Notes, found.notes()...)
		w.track.Maker = &vision.Maker{Version: VisionVersion, Models: a.nets}
		res, err := a.measure(ctx, path, w, o, steps)
		if err != nil {
			return nil, err
		}
		out = append(out, res)
	}
	steps.finish()
	return out, nil
}

// measure makes the record and the stills of one swing.
func (a *Analyser) measure(ctx context.Context, path string, w seen, o Options, steps *steps) (*Result, error) {
	as := metrics.Options{Budget: o.Budget}
	if o.Rules != nil {
		as.Rules = o.Rules
	}
	track, swing, err := Measure(ctx, w.track, w.timeline, as)
	if err != nil {
		return nil, err
	}
	res := &Result{Seen: w.track, Track: track, Timeline: w.timeline, Swing: swing}
	if !o.NoStills {
		if res.Stills, err = drawStills(ctx, path, res, steps); err != nil {
			return nil, err
		}
	}
	return res, nil
}

// see follows body, bat, ball and sound in one window by the clip's clock and
// times the swing.
func (a *Analyser) see(ctx context.Context, path string, c vision.Clip, win [2]int, subject vision.Subject, steps *steps) (w seen, err error) {
	track, height, err := a.follow(ctx, path, c, win, subject, steps)
	if err != nil {
		return w, err
	}
	if err := a.addBat(ctx, path, &track, height, steps); err != nil {
		return w, err
	}
	if w.track, err = solve.Run(ctx, track); err != nil {
		return w, err
	}
	if err := addSounds(ctx, path, &w.track); err != nil {
		return w, err
	}
	w.timeline, err = phases.Find(w.track)
	return w, err
}

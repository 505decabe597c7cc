// Package analysis runs the stages on one clip: it reads the pictures, finds
// hitter, bat and ball, solves the swing in three dimensions, times its events,
// measures it and draws the stills.
//
// A long clip is read once on thumbnails to find the swing. A few pictures are
// looked at for the hitter; then the frames around the swing are read once to
// follow the body, once to follow the bat with the hands known, and up to
// contact once more for the stills. Pictures are never kept: memory does not
// grow with the clip.
package analysis

import (
	"context"
	"fmt"

	"nightcage/metrics"
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
const PipelineVersion = "0.1.0"

// Result is one measured swing, stage by stage.
type Result struct {
	Track    vision.Track
	Timeline phases.Timeline
	Swing    metrics.Swing
	Stills   []Still
}

// Options says how much is made. The zero value is the whole job.
type Options struct {
	NoStills bool // draw none: the judge needs none
	Budget   bool // each measure says which source gives what share of its variance
}

// Analyser holds the networks. It is for one goroutine at a time; make it once
// and use it for many clips.
type Analyser struct {
	pose *pose.Estimator
	bat  *bat.Finder
	nets []metrics.Model
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
		a.nets = append(a.nets, metrics.Model{Name: string(n), SHA256: sum})
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
	return metrics.Failed(f, c, subject, a.options(Options{}))
}

func (a *Analyser) options(o Options) metrics.Options {
	return metrics.Options{Pipeline: PipelineVersion, Models: a.nets, Budget: o.Budget, Calibration: metrics.ShippedCalibration()}
}

// Run measures the swing in the clip at path. progress, which may be nil, is
// called from the calling goroutine as frames are done.
//
// The error is a *clip.Error when the file cannot be read, an *Error when there
// is nothing in it to measure, the context's when that ends first.
func (a *Analyser) Run(ctx context.Context, path string, subject vision.Subject, o Options, progress func(done, total int)) (*Result, error) {
	c, err := clip.Probe(ctx, path, subject)
	if err != nil {
		return nil, err
	}
	steps := newSteps(o, progress)
	track, tl, err := a.see(ctx, path, c, subject, steps)
	if err != nil {
		return nil, err
	}
	if c, doubted, err := doubtClock(track); err != nil {
		return nil, err
	} else if doubted {
		if track, tl, err = a.see(ctx, path, c, subject, steps); err != nil {
			return nil, err
		}
	}
	if tl.Kind == phases.KindNone {
		return nil, &Error{Kind: NoSwing, Clip: c.Name, Reason: "No swing was found in the clip: " + tl.Why + "."}
	}
	for _, e := range tl.Events {
		if e.ID == phases.Contact && e.Found && tl.Timed && (tl.Result == phases.ResultHit || tl.Result == phases.ResultUnknown) {
			// A path smoothed through the blow reads slow; now its instant is known.
			if track, err = solve.Struck(ctx, track, e.Ms, e.SigmaMs); err != nil {
				return nil, err
			}
		}
	}
	swing, err := metrics.Measure(ctx, track, tl, a.options(o))
	if err != nil {
		return nil, err
	}
	res := &Result{Track: track, Timeline: tl, Swing: swing}
	if !o.NoStills {
		if res.Stills, err = drawStills(ctx, path, res, steps); err != nil {
			return nil, err
		}
	}
	steps.finish()
	return res, nil
}

// see follows body, bat, ball and sound by the clip's clock and times the swing.
func (a *Analyser) see(ctx context.Context, path string, c vision.Clip, subject vision.Subject, steps *steps) (track vision.Track, tl phases.Timeline, err error) {
	track, height, err := a.follow(ctx, path, c, subject, steps)
	if err != nil {
		return track, tl, err
	}
	if err := a.addBat(ctx, path, &track, height, steps); err != nil {
		return track, tl, err
	}
	if track, err = solve.Run(ctx, track); err != nil {
		return track, tl, err
	}
	if err := addSounds(ctx, path, &track); err != nil {
		return track, tl, err
	}
	tl, err = phases.Find(track)
	return track, tl, err
}

// steps turns the passes over the window into one count of progress.
type steps struct {
	done, total int
	passes      int
	say         func(done, total int)
}

func newSteps(o Options, say func(done, total int)) *steps {
	s := &steps{passes: 2, say: say}
	if !o.NoStills {
		s.passes++
	}
	if say == nil {
		s.say = func(int, int) {}
	}
	return s
}

// frames says how many frames each pass from here on reads.
func (s *steps) frames(n int) { s.total = s.done + n*s.passes }

func (s *steps) frame() {
	s.done = min(s.done+1, s.total)
	s.say(s.done, s.total)
}

func (s *steps) finish() { s.say(s.total, s.total) }

func wrap(c vision.Clip, doing string, err error) error {
	return fmt.Errorf("%s in clip %s: %w", doing, c.Name, err)
}

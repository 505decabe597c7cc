// Package analysis runs the stages on one clip: it reads the pictures, finds
// hitter, bat and ball, solves the swing in three dimensions, times its events,
// measures it and draws the stills.
//
// A clip is read once on thumbnails to find where it is cut and when something
// moves as a swing does. For each such burst a few pictures are looked at for the
// hitter; then the frames around it are read once, closely about the burst and less
// so elsewhere, to follow body, bat and ball, and a few once more for the stills. Of
// the pictures only a handful are ever held: memory does not grow with the clip.
package analysis

import (
	"context"
	"slices"

	"nightcage/metrics"
	"nightcage/metrics/rules"
	"nightcage/models"
	"nightcage/phases"
	"nightcage/vision"
	ballpath "nightcage/vision/ball/path"
	"nightcage/vision/bat"
	"nightcage/vision/bat/path"
	"nightcage/vision/clip"
	"nightcage/vision/pose"
	"nightcage/vision/solve"
)

// PipelineVersion names the whole of code and networks that makes a record. It
// is raised when any number in a record can change; records are keyed by it.
const PipelineVersion = "0.5.0"

// VisionVersion is the PipelineVersion in which a Track or Timeline of some clip
// last became another one: by the code of vision or phases, by a network, or by
// how this package runs them. A record of this vision can be remade from its
// stored Track; one of an older vision needs its clip. Never above PipelineVersion.
const VisionVersion = "0.5.0"

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
	steps := newSteps(progress)
	s, err := surveyClip(ctx, path, c, steps)
	if err != nil {
		return nil, err
	}
	defer s.close()
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
		res, err := a.measure(ctx, path, w, o)
		if err != nil {
			return nil, err
		}
		out = append(out, res)
	}
	steps.finish()
	return out, nil
}

// measure makes the record and the stills of one swing.
func (a *Analyser) measure(ctx context.Context, path string, w seen, o Options) (*Result, error) {
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
		if res.Stills, err = drawStills(ctx, path, res); err != nil {
			return nil, err
		}
	}
	return res, nil
}

// minBatShare of the frames must show the bat before a clip counts as one with
// a bat in it; false candidates that agree with each other are rarer.
const minBatShare = 0.05

// see follows body, bat, ball and sound in one window by the clip's clock and
// times the swing.
func (a *Analyser) see(ctx context.Context, g *gallery, win window, subject vision.Subject, steps *steps) (w seen, err error) {
	l, err := a.aim(ctx, g, win, subject, steps)
	if err != nil {
		return w, err
	}
	track, s, err := a.look(ctx, l)
	if err != nil {
		return w, err
	}
	if !slices.ContainsFunc(track.Frames, func(f vision.Frame) bool { return len(f.Body) > 0 }) {
		// A person who lies in the picture is found at times and followed never.
		return w, a.nobody(ctx, g, (win.frames[0]+win.frames[1])/2)
	}
	if err := joinPaths(ctx, &track, s, s.heightPx); err != nil {
		return w, err
	}
	enlarge(&track, l.shrink, g.clip)
	if w.track, err = solve.Run(ctx, track); err != nil {
		return w, err
	}
	if err := addSounds(ctx, g.path, &w.track); err != nil {
		return w, err
	}
	w.timeline, err = phases.Find(w.track)
	return w, err
}

// joinPaths makes paths of what was seen of bat and ball and puts them in the track.
// height is the hitter's, standing, px.
func joinPaths(ctx context.Context, track *vision.Track, s sights, height float64) error {
	scale, err := solve.Scale(ctx, *track)
	if err != nil {
		return err
	}
	if scale.PxPerIn == 0 {
		scale = vision.Scale{PxPerIn: height / nominalHeightIn, SigmaRel: nominalSigmaRel}
	}
	found, err := path.Smooth(s.bat, path.Options{BatIn: track.Subject.BatIn, PxPerIn: scale.PxPerIn, ScaleSigmaRel: scale.SigmaRel})
	if err != nil {
		return wrap(track.Clip, "follow the bat", err)
	}
	n := 0
	for i, b := range found.Frames {
		f := &track.Frames[i]
		f.Knob, f.Tip, f.BatAngleSigmaDeg = b.Knob, b.Tip, b.AngleSigmaDeg
		if b.Knob.Found() && b.Tip.Found() {
			n++
		}
	}
	if float64(n) < minBatShare*float64(len(track.Frames)) {
		return &Error{Kind: NoBat, Clip: track.Clip.Name, Reason: "No bat was found in the hitter's hands."}
	}
	flight, err := ballpath.Follow(s.ball, track.Frames, ballpath.Options{PxPerIn: scale.PxPerIn, Width: float64(track.Clip.Width), Height: float64(track.Clip.Height)})
	if err != nil {
		return wrap(track.Clip, "follow the ball", err)
	}
	for i, m := range flight.Marks {
		track.Frames[i].Ball = m
	}
	track.Ball = &flight.Flight
	return nil
}

// A hitter of unknown height is taken for one between a child of 52 in and a
// man of 76 in when only the order of sizes matters.
const (
	nominalHeightIn = 66
	nominalSigmaRel = 0.1
)

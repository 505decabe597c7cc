package metrics

import (
	"context"
	"fmt"
	"hash/fnv"
	"math"
	"slices"
	"strings"

	"nightcage/phases"
	"nightcage/vision"
)

// Options says how a swing is measured. The zero value measures landmarks found
// by a pose network.
type Options struct {
	Pipeline string      // pipeline version, for the record
	Models   []Model     // networks, for the record of a track that names none: see vision.Maker
	Joints   JointErrors // nil: NetworkJointErrors; empty: landmarks are the joints themselves
	Draws    int         // Monte Carlo draws; 0: DefaultDraws
	Seed     uint64      // of the draws; 0: from the clip's hash and name
	Budget   bool        // fill Result.Budget, at one more pass for each source of error
	// Calibration scales the drawn error bars; nil leaves them as drawn.
	Calibration *Calibration
	// Rules set bands and findings when everything is measured: a *rules.Set. nil
	// leaves them empty.
	Rules interface{ Apply(*Swing) }
}

func (o Options) draws() int {
	if o.Draws <= 0 {
		return DefaultDraws
	}
	return o.Draws
}

// seed differs from clip to clip, so that what a finite number of draws leaves
// to chance does not push the same measure the same way in every record. It is
// kept to 32 bits, which every JSON reader holds exactly.
func (o Options) seed(c vision.Clip) uint64 {
	if o.Seed != 0 {
		return o.Seed
	}
	h := fnv.New32a()
	h.Write([]byte(c.SHA256 + "/" + c.Name))
	return uint64(h.Sum32())
}

// cameraRollSigmaDeg is how far from level a phone is held when nothing in the
// picture tells (judgement; no source).
const cameraRollSigmaDeg = 1.5

// impactNearMs is how far the solver's impact and the found contact may lie
// apart and still be one: the bat turns some 30 deg in it.
const impactNearMs = 15

// Measure makes the record of one swing. It fails when the context ends or when
// track and timeline do not belong together; whatever merely could not be read
// is in the record as an unavailable measure with its reason.
func Measure(ctx context.Context, track vision.Track, tl phases.Timeline, o Options) (Swing, error) {
	s := newSwing(track.Clip, track.Subject, o)
	s.Hand, s.Sighting, s.Scale = track.Hand, track.Sighting, track.Scale
	if s.Hand.Bats == "" {
		s.Hand.Bats = vision.SideUnknown
	}
	if s.Sighting.View == "" {
		s.Sighting.View = vision.ViewUnknown
	}
	s.Clip.Window = track.Window
	s.Clip.Swing, s.Clip.Swings = track.Swing, track.Swings
	if track.Maker != nil {
		s.Vision, s.Models = track.Maker.Version, track.Maker.Models
	}
	if w := track.Window; w[0] < w[1] && w[1] <= len(track.Clip.Times) {
		s.Clip.FromMs, s.Clip.ToMs = track.Clip.Times[w[0]].Ms, track.Clip.Times[w[1]-1].Ms
	}
	s.Timeline.Kind, s.Timeline.Timed, s.Timeline.Why = tl.Kind, tl.Timed, tl.Why
	s.Timeline.Result, s.Timeline.ResultWhy = tl.Result, tl.ResultWhy
	s.Timeline.Events = append(s.Timeline.Events, tl.Events...)
	for i := range s.Timeline.Events {
		if s.Timeline.Events[i].Evidence == nil {
			s.Timeline.Events[i].Evidence = []string{}
		}
	}
	s.Timeline.Phases = append(s.Timeline.Phases, tl.Phases...)
	s.Notes = append(s.Notes, track.Notes...)
	s.Notes = append(s.Notes, ballNotes(&track, tl.Result)...)
	if track.Solution != nil {
		if len(track.Solution.Frames) != len(track.Frames) {
			return Swing{}, fmt.Errorf("measure %s: solution has %d frames, track %d", track.Clip.Name, len(track.Solution.Frames), len(track.Frames))
		}
		s.Notes = append(s.Notes, track.Solution.Notes...)
		s.Camera = cameraFacts(track.Solution)
	} else if track.Unsolved != "" {
		s.Notes = append(s.Notes, "three dimensions could not be had: "+track.Unsolved)
	}
	r, why, err := newReading(&track, tl, o)
	if err != nil {
		return Swing{}, fmt.Errorf("measure %s: %w", track.Clip.Name, err)
	}
	all := entries()
	if why != nil {
		for i := range s.Measures {
			refuse(&s.Measures[i], why)
		}
		if s.Measures, err = timesOnly(ctx, s.Measures, all, &track, tl, o); err != nil {
			return Swing{}, fmt.Errorf("measure %s: %w", track.Clip.Name, err)
		}
		if o.Rules != nil {
			o.Rules.Apply(&s)
		}
		return s, nil
	}
	if err := fill(ctx, s.Measures, all, r, &track, o); err != nil {
		return Swing{}, fmt.Errorf("measure %s: %w", track.Clip.Name, err)
	}
	if slices.ContainsFunc(s.Measures, func(m Result) bool { return m.Calibration != 0 }) {
		s.Notes = append(s.Notes, fmt.Sprintf("error bars were set against %d clips: %s", o.Calibration.Clips, o.Calibration.RestsOn))
	}
	// Centres of mass differ with the table: the record has to say which.
	if slices.ContainsFunc(s.Measures, func(m Result) bool {
		return m.Value != nil && strings.HasPrefix(m.ID, massPrefix)
	}) {
		s.Notes = append(s.Notes, "weight over the base rests on the segment table of "+DeLevaTable)
	}
	if o.Rules != nil {
		o.Rules.Apply(&s)
	}
	return s, nil
}

// timesOnly measures what needs no picture when the picture gave nothing.
func timesOnly(ctx context.Context, out []Result, all []entry, track *vision.Track, tl phases.Timeline, o Options) ([]Result, error) {
	r, err := newTimes(track, tl, o)
	if err != nil {
		return nil, err
	}
	r.m = &motion{solved: true}
	var part []entry
	var at []int
	for i, e := range all {
		if e.View == NeedTimes {
			part, at = append(part, e), append(at, i)
		}
	}
	some := make([]Result, len(part))
	for i := range part {
		some[i] = out[at[i]]
	}
	if err := fill(ctx, some, part, r, track, o); err != nil {
		return nil, err
	}
	for i := range part {
		out[at[i]] = some[i]
	}
	return out, nil
}

func cameraFacts(sol *vision.Solution) *CameraFacts {
	c := sol.Camera
	from := c.From
	if from == nil {
		from = []string{}
	}
	return &CameraFacts{DistanceIn: round(math.Hypot(c.Centre.X, c.Centre.Z)), HeightIn: round(c.Centre.Y), FocalPx: round(c.FocalPx), From: from, Doubt: sol.Doubt}
}

// newTimes is a reading of event times alone.
func newTimes(t *vision.Track, tl phases.Timeline, o Options) (*reading, error) {
	r := &reading{hand: t.Hand, subject: t.Subject, kind: tl.Kind, contact: math.NaN(), corner: math.NaN(), timeSigma: t.Clip.Clock.SigmaRel,
		fits: newFits(), spots: map[spotKey]*heldSpot{}, bats: map[spotKey]*heldBat{}}
	var times, pictures []float64 // of frames; the pictures of the clip up to them
	for _, f := range t.Frames {
		if n := len(times); n == 0 || f.Ms > times[n-1] {
			times, pictures = append(times, f.Ms), append(pictures, float64(f.Index))
		}
	}
	for i, id := range phases.Events() {
		r.events[i] = phases.Event{ID: id}
	}
	for _, e := range tl.Events {
		i := eventIndex(e.ID)
		if i < 0 {
			return nil, fmt.Errorf("unknown event %q in the timeline", e.ID)
		}
		frameMs := spacing(times, e.Ms)
		if e.SigmaMs == 0 && len(times) > 1 { // the clock is unknown
			e.SigmaMs = e.SigmaFrames * frameMs / spacing(pictures, e.Frame)
		}
		if e.Found && !finite(e.Ms, e.SigmaMs) {
			return nil, fmt.Errorf("event %s is at %v ms +- %v", e.ID, e.Ms, e.SigmaMs)
		}
		r.events[i] = e
		// No event is placed better than by rounding it to a frame: the
		// standard deviation of a value rounded to a step is step/sqrt(12)
		// (JCGM 100:2008, F.2.2.1), 4.81 / 2.41 / 1.20 ms at 60 / 120 / 240 fps.
		r.eventSigma[i] = max(e.SigmaMs, frameMs/math.Sqrt(12))
		if e.Found && e.ID == phases.Contact {
			r.contact = e.Ms
		}
	}
	r.corner = r.contact
	// The impact the solver's path was fitted with says on which side of its
	// corner each frame is; one far from contact is some other kink.
	if t.Solution != nil && t.Solution.Impact != nil && math.Abs(t.Solution.Impact.Ms-r.contact) <= max(impactNearMs, 2*spacing(times, r.contact)) {
		r.corner = t.Solution.Impact.Ms
	}
	return r, nil
}

func newReading(t *vision.Track, tl phases.Timeline, o Options) (*reading, *missing, error) {
	r, err := newTimes(t, tl, o)
	if err != nil {
		return nil, nil, err
	}
	m, why := newMotion(t)
	if why != nil {
		return nil, why, nil
	}
	r.m, r.sight = m, newBallSight(t, m)
	if m.solved {
		r.lengthSigma = t.Solution.ScaleSigmaRel
		r.batSigma = max(t.Solution.ScaleSigmaRel, t.Solution.BatScaleSigmaRel)
		r.bodyDepthSigma, r.batDepthSigma = t.Solution.BodyDepthSigmaIn, t.Solution.BatDepthSigmaIn
		r.yawSigma = t.Solution.YawSigmaDeg * math.Pi / 180
		r.rollSigma = t.Solution.TiltSigmaDeg * math.Pi / 180
		r.pitchSigma = t.Solution.Camera.TiltSigmaDeg * math.Pi / 180
	} else {
		r.lengthSigma, r.yawSigma = t.Scale.SigmaRel, m.flat.yawSigma
		r.batSigma = r.lengthSigma
		r.rollSigma = cameraRollSigmaDeg * math.Pi / 180
	}
	if !finite(r.lengthSigma, r.batSigma, r.bodyDepthSigma, r.batDepthSigma, r.yawSigma, r.rollSigma, r.pitchSigma, r.timeSigma, m.flat.yaw) {
		return nil, nil, fmt.Errorf("scale, camera or clock error is not a number")
	}
	size := 1.0
	if t.Subject.HeightIn > 0 {
		size = t.Subject.HeightIn / jointHeightIn
	}
	from := o.Joints
	if from == nil {
		from = NetworkJointErrors()
	}
	for p := range pointKnob {
		e := from.of(p)
		e = JointError{Pair: e.Pair * size, Own: e.Own * size}
		switch left := point(leftOf(p)); {
		case m.lineOf(left) != nil && p == left:
			r.joints[p] = e.beyondLine(m.lineOf(left))
		case p == left && p != point(vision.Nose) && p != pointHead:
			r.joints[p] = e.beyond(m, p, p+1)
		case p == left:
			r.joints[p] = e.beyond(m, p)
		default:
			r.joints[p] = r.joints[left] // left-hand landmarks come first
		}
	}
	if !m.solved {
		for p := range r.depth {
			e := expectedDepth(point(p))
			r.depth[p] = spread{e.mean * size, e.sigma * size}
		}
	}
	return r, nil, nil
}

// fill reads every entry and puts error bars to it.
func fill(ctx context.Context, out []Result, all []entry, r *reading, t *vision.Track, o Options) error {
	nominal := make([]float64, len(all))
	uses := make([]*usage, len(all))
	open := make([]bool, len(all))
	for i, e := range all {
		uses[i] = newUsage()
		why := precondition(e, r, t)
		if why == nil {
			s := &scene{reading: r, log: uses[i]}
			nominal[i] = e.formula(s)
			why = s.why
			if why == nil && !finite(nominal[i]) {
				why = &missing{ReasonUndefined, ""}
			}
		}
		describe(&out[i], e, r, uses[i])
		if why != nil {
			refuse(&out[i], why)
			continue
		}
		open[i] = true
	}
	samples, whys, err := propagate(ctx, all, nominal, open, r, o.seed(t.Clip), o.draws(), everySource())
	if err != nil {
		return err
	}
	lengthened, err := scatterBias(ctx, all, nominal, open, r, o.seed(t.Clip))
	if err != nil {
		return err
	}
	for i := range all {
		if !open[i] {
			continue
		}
		// A reading that most draws cannot repeat stands on its last leg.
		if 2*len(samples[i].values) < o.draws() {
			refuse(&out[i], whys[i])
			open[i] = false
			continue
		}
		conclude(&out[i], all[i], nominal[i], lengthened[i], samples[i])
		o.Calibration.calibrate(&out[i])
		grade(&out[i], all[i], r, t, uses[i])
		if all[i].placed && out[i].Value != nil {
			out[i].Place = r.place(*out[i].Value, *out[i].Low95, *out[i].High95)
		}
	}
	if !o.Budget {
		return nil
	}
	return budget(ctx, out, all, nominal, open, r, o.seed(t.Clip), o.draws())
}

func everySource() map[SourceOfError]bool {
	on := map[SourceOfError]bool{}
	for _, s := range SourcesOfError() {
		on[s] = true
	}
	return on
}

// drawn is the formula's value in a draw.
func (e entry) drawn(s *scene, nominal float64) (float64, bool, *missing) {
	v := e.formula(s)
	switch {
	case s.why != nil:
		return 0, false, s.why
	case !finite(v):
		return 0, false, &missing{ReasonUndefined, ""}
	case e.turn:
		v = nominal + wrap(v-nominal)
	}
	return v, s.other, nil
}

// precondition is what can be said before anything is read.
func precondition(e entry, r *reading, t *vision.Track) *missing {
	switch {
	case e.NeedsClock && !t.Clip.Clock.Known:
		return &missing{ReasonNoClock, ""}
	case e.View == NeedSolved && !r.m.solved:
		return &missing{ReasonNoSolution, t.Unsolved}
	case e.height && t.Subject.HeightIn <= 0:
		return &missing{ReasonNoHeight, ""}
	case e.inseam && t.Subject.InseamIn <= 0:
		return &missing{ReasonNoInseam, ""}
	}
	return nil
}

// describe says what a result was read from.
func describe(out *Result, e entry, r *reading, u *usage) {
	for i := range r.events {
		if u.events[i] {
			ev := r.events[i]
			out.Events = append(out.Events, ReadAt{ID: ev.ID, Ms: round(ev.Ms), SigmaMs: round(r.eventSigma[i]), Frame: round(ev.Frame)})
		}
	}
	if u.last >= u.first {
		out.Frames = &[2]int{u.first, u.last}
	}
	for p := range numPoints {
		if u.points[point(p)] != nil {
			out.Landmarks = append(out.Landmarks, point(p).String())
		}
	}
	if u.ball {
		out.Landmarks = append(out.Landmarks, roleBall)
	}
	switch {
	case e.View == NeedTimes:
		out.View = HowTimes
	case r.m.solved:
		out.View = HowSolved
	case e.View == NeedSide:
		out.View = HowPlanar
	}
}

func refuse(out *Result, why *missing) {
	out.Value, out.Sigma, out.Low95, out.High95 = nil, nil, nil, nil
	out.Grade, out.Reason, out.ReasonText = GradeUnavailable, why.reason, why.text()
}

// biasDraws is how many draws tell what scatter adds to an extreme on average,
// to a tenth of what it adds to its standard uncertainty.
const biasDraws = 100

// scatterBias is what the jitter of marks adds to each extreme on average, 0
// for other measures. A largest value or a path length can only grow by
// scatter. The camera has put it into the reading once, so what a second helping
// adds is an estimate of what the first did (bootstrap bias correction: Davison
// and Hinkley 1997, section 2.2). What lasts is left out of this: on a solver's
// path it is not scatter that the reading holds but what smoothing may have taken
// from it.
func scatterBias(ctx context.Context, all []entry, nominal []float64, open []bool, r *reading, seed uint64) ([]float64, error) {
	if r.m.solved && r.m.lasting == 1 { // nothing jitters
		return make([]float64, len(all)), nil
	}
	some := make([]bool, len(all))
	for i, e := range all {
		some[i] = open[i] && e.extreme
	}
	samples, _, err := propagate(ctx, all, nominal, some, r, mix(seed), biasDraws, map[SourceOfError]bool{FromLandmarks: true, FromBat: true, jitterAlone: true})
	if err != nil {
		return nil, err
	}
	out := make([]float64, len(all))
	for i, s := range samples {
		if 2*len(s.values) > biasDraws {
			out[i] = s.mean() - nominal[i]
		}
	}
	return out, nil
}

// conclude puts value and error bar into a result. The interval is the central
// one of the draws; for an extreme both lose what jitter lengthened them by, the
// draws twice, having had it twice; for an angle of limbs the interval is
// bias-corrected.
func conclude(out *Result, e entry, nominal, lengthened float64, s sampleOf) {
	value := nominal - lengthened
	low, high := s.central(.95)
	low, high = low-2*lengthened, high-2*lengthened
	if e.bent {
		low, high = s.corrected(value, .95)
	}
	// Near the end of its range (an angle near 180) every draw falls to one side.
	low, high = min(low, value), max(high, value)
	set := func(p **float64, v float64) { v = round(v); *p = &v }
	set(&out.Value, value)
	set(&out.Sigma, s.sd())
	set(&out.Low95, low)
	set(&out.High95, high)
	out.Reason, out.ReasonText = "", ""
}

// round keeps four decimals, far below every error bar, so that records read
// the same on every CPU.
func round(v float64) float64 { return math.Round(v*1e4) / 1e4 }

func grade(out *Result, e entry, r *reading, t *vision.Track, u *usage) {
	if *out.Sigma > useless*e.UsefulSigma {
		refuse(out, &missing{ReasonTooWide, fmt.Sprintf("standard uncertainty %.2g%s", *out.Sigma, UnitText(e.Unit)) + r.endOn(u)})
		return
	}
	out.Grade = GradeMeasured
	lower := func(reason Reason, detail string) {
		if out.Grade == GradeMeasured {
			m := missing{reason, detail}
			out.Grade, out.Reason, out.ReasonText = GradeEstimated, reason, m.text()
		}
	}
	for i := range r.events {
		if u.events[i] && r.events[i].Confidence < eventConfidenceLimit {
			lower(ReasonEventUnsure, eventNames[r.events[i].ID])
		}
	}
	if e.NeedsScale && priorScale(t) {
		lower(ReasonPriorScale, "")
	}
	if out.View == HowPlanar {
		lower(ReasonPlanar, "")
	}
	if e.View == NeedSolved && t.Solution != nil && t.Solution.Doubt > doubtLimit {
		lower(ReasonDoubt, "")
	}
	if p, found := u.filledIn(); found {
		lower(ReasonFilledIn, p.String())
	}
	if *out.Sigma > e.UsefulSigma {
		lower(ReasonWide, fmt.Sprintf("standard uncertainty %.2g%s, useful up to %.2g%s", *out.Sigma, UnitText(e.Unit), e.UsefulSigma, UnitText(e.Unit))+r.endOn(u))
	}
}

// priorScale reports whether nothing but a guess from the level of play set the
// size of things.
func priorScale(t *vision.Track) bool {
	for _, s := range t.Scale.Sources {
		if s.From != "prior" {
			return false
		}
	}
	return true
}

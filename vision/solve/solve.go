package solve

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"nightcage/vision"
)

// ErrTrack is wrapped by the error that Run returns for a Track that breaks
// its own rules (no frames, frames out of order, no picture size).
var ErrTrack = errors.New("track cannot be solved")

// Run fills Hand, Sighting, Scale and Solution of a copy of the Track from its
// image marks, Subject and Clip, and leaves the given one as it is. When three
// dimensions cannot be had, Solution is nil and Unsolved says why; that is no
// error. The error is ErrTrack, or the context's when it ends first.
//
// Solution.Camera relates the swing frame to the px of the first tracked frame
// (see vision.Frame.Shift).
func Run(ctx context.Context, track vision.Track) (vision.Track, error) {
	out, w, err := begin(ctx, track)
	if err != nil || w == nil {
		return out, err
	}
	if err := w.three(ctx, &out); err != nil {
		if ctx.Err() != nil {
			return track, fmt.Errorf("solve %s: %w", track.Clip.Name, ctx.Err())
		}
		out.Solution = nil
		out.Unsolved = err.Error()
	}
	return out, nil
}

// Scale is the scale that Run begins with: from the hitter's height, what lies on
// the ground and the bat's longest images, before anything is fitted. For a Track
// without a bat it is Run's. Without a hitter whose stance is seen it is zero.
//
// Errors: as of Run.
func Scale(ctx context.Context, track vision.Track) (vision.Scale, error) {
	out, _, err := begin(ctx, track)
	return out.Scale, err
}

// begin does what goes before the fits: it sets Hand, Sighting and Scale of a copy
// of the track. The work is nil where there is nothing to fit; Unsolved then says
// why.
func begin(ctx context.Context, track vision.Track) (vision.Track, *work, error) {
	if err := check(&track); err != nil {
		return track, nil, fmt.Errorf("solve %s: %w", track.Clip.Name, err)
	}
	out := track
	out.Notes = append([]string(nil), track.Notes...)
	out.Solution, out.Unsolved = nil, ""
	out.Sighting, out.Scale = vision.Sighting{View: vision.ViewUnknown, SigmaDeg: 180}, vision.Scale{}

	z := sizesOf(track.Subject)
	sc := newScene(&track, false)
	rough := sc.roughScale(z.height)
	if rough == 0 {
		out.Hand, _ = decideHand(track.Subject.Bats, nil)
		out.Unsolved = "no body was found"
		return out, nil, nil
	}
	m := sc.findMoments(rough)
	hand, note := decideHand(track.Subject.Bats, sc.clues(m, rough))
	out.Hand = hand
	if note != "" {
		out.Notes = append(out.Notes, note)
	}
	if hand.Bats == vision.SideUnknown {
		out.Unsolved = "the side the hitter bats from cannot be told"
		return out, nil, nil
	}
	if len(m.stance) == 0 {
		out.Unsolved = "no stance with hips, shoulders and ankles in view"
		return out, nil, nil
	}
	if err := ctx.Err(); err != nil {
		return track, nil, fmt.Errorf("solve %s: %w", track.Clip.Name, err)
	}
	if hand.Bats == vision.SideLeft {
		sc = newScene(&track, true)
	}
	w := &work{clip: &track.Clip, scene: sc, moments: m, sizes: z}
	if err := w.sight(&out); err != nil {
		out.Unsolved = err.Error()
		return out, nil, nil
	}
	return out, w, nil
}

func check(t *vision.Track) error {
	if t.Clip.Width <= 0 || t.Clip.Height <= 0 {
		return fmt.Errorf("%w: picture of %d x %d px", ErrTrack, t.Clip.Width, t.Clip.Height)
	}
	if len(t.Frames) == 0 {
		return fmt.Errorf("%w: no frames", ErrTrack)
	}
	for i := 1; i < len(t.Frames); i++ {
		if !(t.Frames[i].Ms > t.Frames[i-1].Ms) {
			return fmt.Errorf("%w: frame %d at %g ms after %g ms", ErrTrack, t.Frames[i].Index, t.Frames[i].Ms, t.Frames[i-1].Ms)
		}
	}
	return nil
}

// work is one solve in progress.
type work struct {
	clip    *vision.Clip
	scene   *scene
	moments moments
	sizes   sizes
	cam     camera

	contactMs  float64              // of the impact, or of the barrel's peak for want of one
	bodyScale  vision.ScaleSource   // from the hitter's height alone
	known      vision.ScaleSource   // from height and ground: all but the bat; focal length held
	perFocal   float64              // by how much the log of known moves with that of the focal length
	sources    []vision.ScaleSource // what known comes from
	bodyTraces [vision.NumLandmarks]*trace
}

// sight sets Scale and Sighting and the camera to begin with.
func (w *work) sight(out *vision.Track) error {
	sc, m := w.scene, w.moments
	// lens and distance are needed to turn World, World to see the scale
	f0, _ := w.focal(sc.roughScale(w.sizes.height))
	sc.turnWorld(f0)
	scale, ok := sc.scaleFromBody(m.stance, w.sizes)
	if !ok {
		return errors.New("no stance with hips, shoulders and ankles in view")
	}
	w.bodyScale, w.known, w.sources = scale, scale, []vision.ScaleSource{scale}
	yaw, ok := sc.yawFromWorld(m.stance)
	if !ok {
		if yaw, ok = sc.yawFromPicture(m.stance, scale.PxPerIn, w.sizes.height); !ok {
			return errors.New("the camera's side of the hitter cannot be told")
		}
	}
	w.findCamera(out, yaw)
	return nil
}

// findCamera sets the camera and scale to begin with, from what is known of
// lenses and distances and from what is seen on the ground, and Scale and
// Sighting.
func (w *work) findCamera(out *vision.Track, yaw angleGuess) {
	c := &w.cam
	ground, why := w.seeGround(out.Ground, yaw)
	if ground != nil {
		c.take(ground)
		w.known, w.perFocal, w.sources = ground.scale, ground.perFocal, append(w.sources, ground.alone)
	} else if why != "" {
		out.Notes = append(out.Notes, "what looks like home plate was not used: "+why)
	}
	c.scale, c.scaleSigma = w.known.PxPerIn, w.known.SigmaRel
	if ground == nil {
		c.f, c.fSigmaRel = w.focal(c.scale)
	}
	sources := w.sources
	if bat, ok := w.scene.scaleFromBat(w.moments, w.sizes, c.f/c.scale, yaw.rad); ok {
		s := combineScale([]vision.ScaleSource{w.known, bat})
		c.scale, c.scaleSigma = s.PxPerIn, s.SigmaRel
		sources = append(slices.Clone(sources), bat)
	}
	c.scaleSigma = math.Hypot(c.scaleSigma, w.perFocal*c.fSigmaRel)
	out.Scale = vision.Scale{PxPerIn: c.scale, SigmaRel: c.scaleSigma, Sources: sources}
	c.yaw = yaw.rad
	w.replace()
	w.plumb(out.Ground)
	w.replace()
	c.yaw, c.yawSigma = w.yaw(yaw, ground)
	w.replace()
	for _, src := range sources {
		if src.From != "plate" {
			c.from = append(c.from, src.From)
		}
	}
	if w.clip.FocalPx > 0 {
		c.from = append(c.from, "lens")
	} else {
		c.from = append(c.from, "prior")
	}
	out.Sighting = sightingOf(c.placeYaw*180/math.Pi, c.yawSigma*180/math.Pi)
}

// yaw weighs what body, feet, pitch and plate say of the direction of the
// pitcher.
func (w *work) yaw(body angleGuess, ground *onGround) (rad, sigma float64) {
	guesses := []angleGuess{body}
	if feet, ok := w.feetLine(); ok {
		guesses = append(guesses, feet)
		w.cam.from = append(w.cam.from, "ground")
	}
	stance, _ := fuse(guesses)
	stance.sigma = math.Hypot(stance.sigma, squareSigma)
	guesses = []angleGuess{stance}
	if pitch, ok := w.yawFromPitch(); ok {
		guesses = append(guesses, pitch)
		w.cam.from = append(w.cam.from, "ball")
	}
	if ground != nil {
		guesses = append(guesses, angleGuess{ground.Yaw, math.Hypot(ground.YawSigma(), plateAskew)})
	}
	all, _ := fuse(guesses)
	return all.rad, all.sigma
}

// replace sets the camera's place anew after its lens, scale or yaw changed.
func (w *work) replace() {
	sc, st := w.scene, w.moments.stance
	hl, hr := sc.median(st, vision.LeftHip), sc.median(st, vision.RightHip)
	w.cam.place(sc.median(st, vision.LeftAnkle), sc.median(st, vision.RightAnkle),
		point{u: (hl.u + hr.u) / 2, v: (hl.v + hr.v) / 2, ok: true}, w.sizes.height)
}

func (w *work) feetLine() (angleGuess, bool) {
	return w.cam.feetLine(w.scene.median(w.moments.stance, vision.LeftAnkle), w.scene.median(w.moments.stance, vision.RightAnkle))
}

// three fits body and bat and writes the Solution. They take turns, see grip.go:
// the arms place the bat, its direction tells the arms' readings apart, and the
// arms so read place it anew.
func (w *work) three(ctx context.Context, out *vision.Track) error {
	sc, c := w.scene, &w.cam
	sol := &vision.Solution{Frames: make([]vision.Pose3, len(sc.looks)),
		ScaleSigmaRel: c.scaleSigma, BatScaleSigmaRel: c.scaleSigma, YawSigmaDeg: c.yawSigma * 180 / math.Pi, TiltSigmaDeg: c.rollSigma * 180 / math.Pi}
	w.contactMs = sc.looks[w.moments.peak].ms
	body, err := w.fitBody(nil, nil)
	if err != nil {
		return err
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	if w.moments.hasBat {
		if body, err = w.together(ctx, sol, body); err != nil {
			return err
		}
		out.Scale = w.scaleFound(sol.ScaleSigmaRel)
	} else {
		sol.Notes = append(sol.Notes, "too few frames show both ends of the bat to place it in depth")
	}
	w.note(sol)
	body.write(sol, sc)
	sol.Camera = c.public(sc)
	out.Solution = sol
	return nil
}

// together fits the bat, the body around it and the bat in its hands.
func (w *work) together(ctx context.Context, sol *vision.Solution, body *bodyFit) (*bodyFit, error) {
	peakMs := w.scene.looks[w.moments.peak].ms
	bat := w.newBat(body)
	s, cov, err := w.firstBat(sol, bat, peakMs)
	if err != nil {
		return nil, err
	}
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	// the bat has changed scale and contact
	w.contactMs = contactOf(sol, w.scene, w.contactMs)
	if body, err = w.fitBody(bat, cov); err != nil {
		return nil, err
	}
	bat.holdHands(body)
	if err := minimise(bat, s, fitSteps); err != nil {
		return nil, fmt.Errorf("fit the bat in the hands: %w", err)
	}
	w.takeScale(bat)
	body.follow()
	_, err = bat.write(sol, s, peakMs)
	return body, err
}

// firstBat fits the bat for the first time, choosing its depth signs and its
// break.
func (w *work) firstBat(sol *vision.Solution, b *batFit, peakMs float64) (s *normal, cov *covariance, err error) {
	b.turnCue(peakMs)
	s = b.size()
	if sol.Doubt, err = b.refine(b.chooseSigns(peakMs), s); err != nil {
		return nil, nil, fmt.Errorf("fit the bat: %w", err)
	}
	b.findBreak(peakMs)
	if err := minimise(b, s, fitSteps); err != nil {
		return nil, nil, fmt.Errorf("fit the bat: %w", err)
	}
	w.takeScale(b)
	cov, err = b.write(sol, s, peakMs)
	return s, cov, err
}

// takeScale takes lens and scale from the bat's fit.
func (w *work) takeScale(b *batFit) {
	w.cam.f, w.cam.scale = b.f(), b.scale()
	w.replace()
}

// newBat is the bat's problem over all frames that show it, with its depth near
// the hands'.
func (w *work) newBat(body *bodyFit) *batFit {
	sc, c := w.scene, &w.cam
	first, last := -1, -1
	for i := range sc.looks {
		if sc.looks[i].knob.ok || sc.looks[i].tip.ok {
			if first < 0 {
				first = i
			}
			last = i
		}
	}
	n := last - first + 1
	b := &batFit{looks: sc.looks[first : last+1], first: first, cam: c, f0: c.f, s0: c.scale, length0: w.sizes.bat,
		knob: make([]r3.Vec, n), dir: make([]r3.Vec, n), depth: make([]float64, n), depthSigma: make([]float64, n),
		leanWeight: make([]float64, n), nearCost: make([]float64, n), breakMs: math.NaN(), scalePerFocal: w.perFocal}
	b.prior = [numGlobals]share{
		globalFocal:  {0, focalHeld},
		globalScale:  {math.Log(w.known.PxPerIn / c.scale), w.known.SigmaRel},
		globalLength: {0, w.sizes.batSigmaRel},
		globalLoss:   {lossMean, lossSigma},
	}
	for i := range n {
		dt := 1.0 / 30
		if i > 0 {
			dt = (b.looks[i].ms - b.looks[i-1].ms) / 1000
		}
		if b.looks[i].ms-sc.looks[w.moments.peak].ms < -stanceLatestMs {
			// one observation per 300 ms
			b.leanWeight[i] = min(1, dt/0.3) / (leanSigmaIn * leanSigmaIn)
		}
	}
	b.holdHands(body)
	return b
}

// holdHands takes the bottom hand's depth from the body's fit.
func (b *batFit) holdHands(body *bodyFit) {
	for i := range b.looks {
		b.depth[i], b.depthSigma[i] = body.handDepth(b.looks[i].ms)
	}
}

// doubtNoted is the Doubt from which a reader of the record should know of it.
const doubtNoted = 0.3

// note says in words what one camera left open.
func (w *work) note(sol *vision.Solution) {
	if w.clip.FocalPx <= 0 && w.moments.hasBat && !slices.Contains(w.cam.from, "plate") {
		sol.Notes = append(sol.Notes, fmt.Sprintf("the lens is not known: its focal length is that of a phone held at a usual distance, give or take %.0f %%, and lengths and speeds of the barrel are sure to %.0f %%",
			100*w.cam.fSigmaRel, 100*max(sol.ScaleSigmaRel, sol.BatScaleSigmaRel)))
	}
	if w.sizes.heightFrom != "height" {
		sol.Notes = append(sol.Notes, "the hitter's height was not told: a usual one was taken")
	}
	if w.sizes.batFrom != "bat" && w.moments.hasBat {
		sol.Notes = append(sol.Notes, "the bat's length was not told: a usual one was taken")
	}
	if sol.Doubt >= doubtNoted {
		sol.Notes = append(sol.Notes, "another choice of which end of the bat is nearer fits nearly as well")
	}
}

// contactOf is the time of the impact, or of the fastest barrel in three
// dimensions within breakWithinMs of the fastest in the picture.
func contactOf(sol *vision.Solution, sc *scene, peakMs float64) float64 {
	if sol.Impact != nil {
		return sol.Impact.Ms
	}
	at, fastest := peakMs, 0.0
	for i := range sol.Frames {
		v := sol.Frames[i].TipVelocity
		if s := r3.Norm(r3.Vec(v.Vec3)); v.Valid && s > fastest && math.Abs(sc.looks[i].ms-peakMs) <= breakWithinMs {
			at, fastest = sc.looks[i].ms, s
		}
	}
	return at
}

// scaleFound is the scale that the fit of the bat settled on. What the bat
// itself says is what takes the scale without it to that.
func (w *work) scaleFound(sigmaRel float64) vision.Scale {
	out := vision.Scale{PxPerIn: w.cam.scale, SigmaRel: sigmaRel, Sources: slices.Clone(w.sources)}
	known := w.known
	known.SigmaRel = math.Hypot(known.SigmaRel, w.perFocal*w.cam.fSigmaRel)
	if more := 1/sq(sigmaRel) - 1/sq(known.SigmaRel); more > 0 {
		// log p = (log b / sb^2 + log x / sx^2) * s^2
		x := (math.Log(out.PxPerIn)/sq(sigmaRel) - math.Log(known.PxPerIn)/sq(known.SigmaRel)) / more
		out.Sources = append(out.Sources, vision.ScaleSource{From: w.sizes.batFrom, PxPerIn: math.Exp(x), SigmaRel: 1 / math.Sqrt(more)})
	}
	return out
}

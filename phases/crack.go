package phases

import (
	"math"

	"nightcage/vision"
)

const (
	// soundInS is the speed of sound in air of airC, inches per second: 331.3 +
	// 0.606 m/s for each degree Celsius (linearised ideal gas; the usual text-book
	// value). The air's warmth is not told: a ball park is within airS of airC two
	// times in three.
	airC, airS = 20.0, 10.0
	soundInS   = (331.3 + 0.606*airC) / 0.0254
	soundS     = 0.606 * airS / (331.3 + 0.606*airC) // relative

	// crackReachMs: only a sound this near the time that the pictures give may be
	// the bat's. The mitt's pop, as sharp, follows it by 40 ms and more (75 in at
	// 100 mph).
	crackReachMs = 35
	// crackHeard is the share of hits whose crack stands out of the background.
	crackHeard = 0.7
	// alikeDB: sounds no weaker than this below a crack could be taken for it.
	alikeDB = 6
	// echoMs: what follows a crack so soon may be its echo or the mitt.
	echoMs = 150
	// clear is the odds against chance at which a sound says that the ball was
	// met.
	clear = 10
)

// crack multiplies p by the time of the one sound near it that may be the
// bat's, if it is clear of chance, and returns the odds that the ball was met
// for it; 0 without one. Of several the first counts: echo and mitt come later.
func (r *reading) crack(b batPath, p posterior) (odds float64) {
	if !r.timed || len(r.track.Sounds) == 0 {
		return 0
	}
	mean, sd, _ := p.moments()
	away, awayS, ok := r.cameraAway(b, mean)
	if !ok {
		return 0
	}
	late := 1000 * away / soundInS
	lateS := late * math.Hypot(awayS, soundS)
	near := func(s vision.Sound) bool {
		return math.Abs(s.Ms-late-mean) < math.Min(3*math.Hypot(sd, math.Hypot(s.SigmaMs, lateS)), crackReachMs)
	}
	strongest := math.Inf(-1)
	for _, s := range r.track.Sounds {
		if near(s) {
			strongest = math.Max(strongest, s.Strength)
		}
	}
	for _, s := range r.track.Sounds {
		if near(s) && s.Strength >= strongest-alikeDB {
			return p.heard(s.Ms-late, math.Hypot(s.SigmaMs, lateS), r.byChance(s))
		}
	}
	return 0
}

// byChance is how many sounds that could be taken for s come in a ms: as many
// as elsewhere in the track, and half a one.
func (r *reading) byChance(s vision.Sound) float64 {
	n := 0.5
	for _, o := range r.track.Sounds {
		if after := o.Ms - s.Ms; o.Strength >= s.Strength-alikeDB && (after < 0 || after > echoMs) {
			n++
		}
	}
	return n / (r.t[len(r.t)-1] - r.t[0])
}

// heard multiplies p by the likelihood of a sound that left the bat at t +-
// sigma, where perMs others come by chance:
//
//	1 - crackHeard + crackHeard * N(t; time, sigma) / perMs
//
// whose mean over p, the odds that the ball was met, it returns. p is left
// alone when they are not clear.
func (p posterior) heard(t, sigma, perMs float64) (odds float64) {
	l, top := make([]float64, len(p.t)), math.Inf(-1)
	for i, u := range p.t {
		z := (u - t) / sigma
		l[i] = 1 - crackHeard + crackHeard*math.Exp(-z*z/2)/(sigma*math.Sqrt(2*math.Pi)*perMs)
		top = math.Max(top, p.logp[i])
	}
	var w, sum float64
	for i := range l {
		k := math.Exp(p.logp[i] - top)
		w, sum = w+k, sum+k*l[i]
	}
	if odds = sum / w; odds < clear {
		return 0
	}
	for i := range l {
		p.logp[i] += math.Log(l[i])
	}
	return odds
}

// cameraAway is how far the camera is from the swing, inches, and its relative
// standard error.
func (r *reading) cameraAway(b batPath, t float64) (in, relative float64, ok bool) {
	if s := r.track.Solution; s != nil {
		x, y, z := b.tip3.x.at(t), b.tip3.y.at(t), b.tip3.z.at(t)
		if math.IsNaN(x + y + z) {
			x, y, z = 0, 40, 30 // about where balls are met
		}
		c := s.Camera.Centre
		dx, dy, dz := c.X-x, c.Y-y, c.Z-z
		return math.Sqrt(dx*dx + dy*dy + dz*dz), math.Max(s.Camera.DistanceSigmaRel, 0.02), true
	}
	// Main cameras of phones see as 24 to 28 mm on film 36 mm wide, steadying and
	// high rates crop some of that, and hitters are filmed at up to twice the size
	// (common practice, no source): focal lengths of 0.7 to 1.5 widths.
	const focalWidths, focalS = 0.9, 0.3
	c := r.track.Clip
	if px := r.track.Scale.PxPerIn; px > 0 && c.Width > 0 {
		focal := focalWidths * float64(max(c.Width, c.Height))
		if c.FocalPx > 0 {
			return c.FocalPx / px, math.Hypot(math.Max(c.FocalSigmaRel, 0.1), r.track.Scale.SigmaRel), true
		}
		return focal / px, math.Hypot(focalS, r.track.Scale.SigmaRel), true
	}
	return 0, 0, false
}

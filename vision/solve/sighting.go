package solve

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"
	"gonum.org/v1/gonum/stat/distuv"

	"nightcage/vision"
)

// angleGuess is an angle with its standard error, radians.
type angleGuess struct{ rad, sigma float64 }

// fuse combines guesses of one angle by inverse variance, on the circle.
// Guesses that disagree widen the result (the larger of the internal and the
// external error, as in a weighted mean whose residuals exceed its sigmas).
func fuse(gs []angleGuess) (angleGuess, bool) {
	var c, s, w float64
	for _, g := range gs {
		k := 1 / (g.sigma * g.sigma)
		c, s, w = c+k*math.Cos(g.rad), s+k*math.Sin(g.rad), w+k
	}
	if w == 0 || math.Hypot(c, s) < 1e-9*w {
		return angleGuess{}, false
	}
	out := angleGuess{math.Atan2(s, c), 1 / math.Sqrt(w)}
	chi2 := 0.0
	for _, g := range gs {
		d := wrap(g.rad-out.rad) / g.sigma
		chi2 += d * d
	}
	if n := len(gs) - 1; n > 0 && chi2 > float64(n) {
		out.sigma *= math.Sqrt(chi2 / float64(n))
	}
	return out, true
}

// Standard errors of the camera's yaw from single lines of the pose network's
// 3-D guess in the stance, radians. Ankles stand along the line to the pitcher
// (see squareSigma); hips and shoulders are turned in by some 5 and 10 deg,
// spreading as much. The network's own error of a heading is 10 to 20 deg.
const (
	worldAnklesSigma    = 12 * math.Pi / 180
	worldHipsSigma      = 16 * math.Pi / 180
	worldShouldersSigma = 18 * math.Pi / 180
	hipsClosed          = 5 * math.Pi / 180
	shouldersClosed     = 10 * math.Pi / 180
)

// yawFromWorld is the yaw of the camera's axis (see camera.yaw) from the pose
// network's 3-D guess over the stance.
func (s *scene) yawFromWorld(stance []int) (angleGuess, bool) {
	lines := []struct {
		left   vision.Landmark
		closed float64
		sigma  float64
	}{
		{vision.LeftAnkle, 0, worldAnklesSigma},
		{vision.LeftHip, hipsClosed, worldHipsSigma},
		{vision.LeftShoulder, shouldersClosed, worldShouldersSigma},
	}
	var gs []angleGuess
	for _, ln := range lines {
		var c, sn float64
		for _, i := range stance {
			l := &s.looks[i]
			if !l.hasWorld {
				continue
			}
			h := heading(l.world[ln.left], l.world[ln.left+1])
			c, sn = c+math.Cos(h), sn+math.Sin(h)
		}
		if math.Hypot(c, sn) == 0 {
			continue
		}
		// A chest closed by an angle faces that much further from the pitcher.
		gs = append(gs, angleGuess{wrap(-(math.Atan2(sn, c) + math.Pi/2) - ln.closed), ln.sigma})
	}
	return fuse(gs)
}

// yawFromPicture is the yaw from image marks alone: the shoulders' signed
// width gives its cosine, the hands' place beside the shoulders its sine (in
// the stance they are held some 8 in to the rear and 12 in in front). It is
// good to 25 deg at best.
func (s *scene) yawFromPicture(stance []int, pxPerIn, heightIn float64) (angleGuess, bool) {
	var width, hands []float64
	for _, i := range stance {
		l := &s.looks[i]
		sh, wr := l.middle(vision.LeftShoulder, vision.RightShoulder), l.middle(vision.LeftWrist, vision.RightWrist)
		if !sh.ok {
			continue
		}
		width = append(width, (l.body[vision.LeftShoulder].u-l.body[vision.RightShoulder].u)/(pxPerIn*shareShoulders.mean*heightIn))
		if wr.ok {
			hands = append(hands, (wr.u-sh.u)/pxPerIn)
		}
	}
	if len(width) == 0 {
		return angleGuess{}, false
	}
	c := max(-1, min(1, median(width)))
	sine := 0.0
	if len(hands) > 0 {
		sine = -(median(hands) + 8*c) / 12
	}
	return angleGuess{math.Atan2(max(-1, min(1, sine)), c), 25 * math.Pi / 180}, true
}

// A quarter is 90 deg wide: beyond unsureDeg even a camera square to it is as
// likely as one in five to stand in another.
const unsureDeg = 35.0

// viewOf names the view at a yaw in degrees.
func viewOf(yawDeg float64) vision.View {
	switch {
	case math.Abs(yawDeg) <= 45:
		return vision.ViewOpenSide
	case yawDeg > 45 && yawDeg <= 135:
		return vision.ViewFront
	case yawDeg < -45 && yawDeg >= -135:
		return vision.ViewRear
	}
	return vision.ViewClosedSide
}

// sightingOf describes a camera's place; the confidence is the probability
// that the yaw lies in the quarter of the view by that name. Where that would be
// a guess the view is unknown; the yaw stays.
func sightingOf(yawDeg, sigmaDeg float64) vision.Sighting {
	v := vision.Sighting{View: viewOf(yawDeg), YawDeg: yawDeg, SigmaDeg: sigmaDeg}
	mid := map[vision.View]float64{vision.ViewOpenSide: 0, vision.ViewFront: 90, vision.ViewRear: -90, vision.ViewClosedSide: 180}[v.View]
	off := math.Remainder(yawDeg-mid, 360)
	n := distuv.Normal{Mu: off, Sigma: max(sigmaDeg, 1e-6)}
	v.Confidence = n.CDF(45) - n.CDF(-45)
	if !(sigmaDeg <= unsureDeg) {
		v.View = vision.ViewUnknown
	}
	return v
}

// turnWorld turns the network's 3-D guess from the axes of a camera that looks
// straight at the hitter into those of the clip's camera.
func (s *scene) turnWorld(focalPx float64) {
	for i := range s.looks {
		l := &s.looks[i]
		hip := l.middle(vision.LeftHip, vision.RightHip)
		if !l.hasWorld || !hip.ok {
			l.hasWorld = false
			continue
		}
		x, y, z := straightAt(hip, focalPx)
		for j, p := range l.world {
			l.world[j] = r3.Add(r3.Scale(p.X, x), r3.Add(r3.Scale(p.Y, y), r3.Scale(p.Z, z)))
		}
	}
}

package solve

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"nightcage/vision"
	"nightcage/vision/ground/fit"
)

// onGround is the camera that plate, lines and posts fix, once they pass for
// what they seem to be.
type onGround struct {
	*fit.Result
	scale    vision.ScaleSource // at the hips, from plate and height together, focal length held
	perFocal float64            // by how much log scale moves with log focal length
	alone    vision.ScaleSource // from the plate without the height
	from     []string
}

// How sure a thing must be to pass for home plate: a true one fails each of three
// tests once in a thousand times.
const (
	groundChance = 1e-3
	groundSigmas = 3.3

	// The plate's line to the pitcher: set by eye or string to a degree.
	plateAskew = 1 * math.Pi / 180
	// A field's ground is not level to within this, radians (see fit).
	groundSlope = 0.4 * math.Pi / 180
)

// Where the feet of a hitter may be about the plate: in a box, which begins 6 in
// beside the plate and is 4 ft wide and 6 to 7 ft long, give or take a shoe.
const (
	boxHalfLongIn = 42.0 + 6
	boxNearIn     = 8.5 + 6 - 4
	boxFarIn      = 8.5 + 6 + 48 + 6
	scaleByFeet   = 0.02 // what ankles' marks and their height leave open of the depth of the hips
)

// seeGround fits the camera to the ground's marks and judges whether they are
// what they seem: they must fit a plate, hitter and bat must have the
// sizes that the plate gives them where they stand, stand in a box, and
// face about the way the plate says. why says what speaks against a plate that
// was seen and not used.
func (w *work) seeGround(g *vision.Ground, yaw angleGuess) (seen *onGround, why string) {
	if g == nil || len(g.Plate) != len(fit.PlateCorners) {
		return nil, ""
	}
	m := w.groundMarks(g)
	prior := fit.Before(w.clip)
	free, err := fit.Fit(&m, &prior)
	if err != nil {
		return nil, "no camera sees a plate there"
	}
	hitter := w.hitterAt()
	told := []vision.ScaleSource{w.bodyScale}
	if bat, ok := w.scene.scaleFromBat(w.moments, w.sizes, free.FocalPx/w.bodyScale.PxPerIn, yaw.rad); ok {
		told = append(told, bat)
	}
	if why := w.unlikePlate(free, hitter, combineScale(told), yaw); why != "" {
		return nil, why
	}
	m.Hitter = hitter
	all, err := fit.Fit(&m, &prior)
	if err != nil {
		return nil, "no camera sees a plate there"
	}
	out := &onGround{Result: all, from: []string{"plate"}}
	var sigma float64
	out.scale.PxPerIn, sigma, out.perFocal = all.HipsScale(hitter)
	out.scale.SigmaRel = math.Hypot(sigma, scaleByFeet/2)
	p, s, per := free.HipsScale(hitter)
	out.alone = vision.ScaleSource{From: "plate", PxPerIn: p, SigmaRel: math.Sqrt(s*s + sq(per*free.FocalSigmaRel()) + sq(scaleByFeet))}
	if len(m.Lines) > 0 {
		out.from = append(out.from, "box lines")
	}
	if len(m.Uprights) > 0 {
		out.from = append(out.from, "posts")
	}
	return out, ""
}

// unlikePlate is what speaks against a plate, empty when nothing does; told is the
// scale by the sizes of hitter and bat.
func (w *work) unlikePlate(r *fit.Result, h *fit.Hitter, told vision.Scale, yaw angleGuess) string {
	if distuv.ChiSquared.Survival(distuv.ChiSquared{K: float64(r.Freedom)}, r.Chi2) < groundChance {
		return "plate and lines do not fit each other"
	}
	scale, sigma, per := r.HipsScale(h)
	all := math.Sqrt(sigma*sigma + sq(per*r.FocalSigmaRel()) + sq(told.SigmaRel) + sq(scaleByFeet))
	if math.Abs(math.Log(scale/told.PxPerIn)) > groundSigmas*all {
		return "hitter and bat would not have their sizes"
	}
	at, ok := r.Below(h.Ankles, h.AnkleUpIn)
	if !ok || math.Abs(at.X) > boxHalfLongIn || -at.Z < boxNearIn || -at.Z > boxFarIn {
		return "the hitter does not stand in a box beside it"
	}
	if d := math.Abs(wrap(r.Yaw - yaw.rad)); d > groundSigmas*math.Hypot(yaw.sigma, math.Hypot(squareSigma, r.YawSigma())) {
		return "the hitter does not face across it"
	}
	return ""
}

// hitterAt is the hitter in the stance as the ground's fit wants it.
func (w *work) hitterAt() *fit.Hitter {
	sc, st := w.scene, w.moments.stance
	lead, rear := sc.median(st, vision.LeftAnkle), sc.median(st, vision.RightAnkle)
	hl, hr := sc.median(st, vision.LeftHip), sc.median(st, vision.RightHip)
	mid := fit.Point{U: (lead.u + rear.u) / 2, V: (lead.v + rear.v) / 2, Sigma: math.Hypot(lead.sigma, rear.sigma) / 2}
	return &fit.Hitter{PxPerIn: w.bodyScale.PxPerIn, SigmaRel: math.Hypot(w.bodyScale.SigmaRel, scaleByFeet), Ankles: mid,
		AnkleUpIn: shareAnkleUp.mean * w.sizes.height, HipsUpPx: mid.V - (hl.v+hr.v)/2, HipsBehindIn: hipsBehindIn}
}

// mirroredCorner is the corner that takes a corner's place in a mirror held
// along the line to the pitcher.
var mirroredCorner = [5]int{0, 4, 3, 2, 1}

// groundMarks are the marks in canonical px.
func (w *work) groundMarks(g *vision.Ground) (m fit.Marks) {
	flip := 1.0
	if w.scene.mirrored {
		flip = -1
	}
	at := func(x, y, sigma float64) fit.Point {
		return fit.Point{U: flip * (x - w.scene.cx), V: y - w.scene.cy, Sigma: max(0.1, sigma)}
	}
	for i, k := range g.Plate {
		if w.scene.mirrored {
			i = mirroredCorner[i]
		}
		m.Corners[i] = at(k.X, k.Y, k.SigmaPx)
	}
	piece := func(s vision.Segment) fit.Segment {
		return fit.Segment{A: at(s.X0, s.Y0, s.SigmaPx), B: at(s.X1, s.Y1, s.SigmaPx)}
	}
	for _, l := range g.Lines {
		f := fit.Line{Segment: piece(l.Segment), AlongX: l.Name == vision.LineInner || l.Name == vision.LineOuter}
		if l.Name == vision.LineInner {
			f.AtIn, f.Placed = fit.InnerLine(l.Side*int(flip)), true
		}
		m.Lines = append(m.Lines, f)
	}
	for _, s := range g.Uprights {
		m.Uprights = append(m.Uprights, piece(s))
	}
	return m
}

// take makes the ground's camera the solve's.
func (c *camera) take(g *onGround) {
	c.f, c.fSigmaRel = g.FocalPx, g.FocalSigmaRel()
	c.tilt, c.tiltSigma = g.Tilt, math.Hypot(g.TiltSigma(), groundSlope)
	c.roll, c.rollSigma = g.Roll, math.Hypot(g.RollSigma(), groundSlope)
	c.tiltSeen = true
	c.from = append(c.from, g.from...)
}

// plumb takes tilt and roll from posts alone, where no plate fixes them and the
// posts agree with each other and with how a camera is held.
func (w *work) plumb(g *vision.Ground) {
	c := &w.cam
	if g == nil || c.tiltSeen || len(g.Uprights) == 0 {
		return
	}
	m := w.groundMarks(&vision.Ground{Uprights: g.Uprights})
	t, r, chi2 := fit.Plumb(m.Uprights, c.f, fit.Angle{Rad: c.tilt, Sigma: c.tiltSigma}, fit.Angle{Sigma: fit.RollSigma})
	if chi2 > 2*float64(len(m.Uprights)) || math.Abs(t.Rad-c.tilt) > groundSigmas*c.tiltSigma || math.Abs(r.Rad) > groundSigmas*fit.RollSigma {
		return
	}
	c.tilt, c.roll, c.rollSigma, c.tiltSeen = t.Rad, r.Rad, r.Sigma, true
	// the lens turns an angle of the picture into one of the camera
	c.tiltSigma = math.Hypot(t.Sigma, math.Sin(2*c.tilt)/2*c.fSigmaRel)
	c.from = append(c.from, "posts")
}

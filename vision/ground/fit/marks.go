package fit

import "math"

// Segment is a straight piece of an image line between two points; Sigma of the
// points is across it.
type Segment struct{ A, B Point }

// Line is the middle of a line on the ground: parallel to X at AtIn of Z, or to
// Z at AtIn of X.
type Line struct {
	Segment
	AlongX bool
	AtIn   float64
	Placed bool // AtIn holds in every rule book; without it only the direction is used
}

// Hitter is what the hitter's body says about depth: the scale at the hips in
// the stance, and where the feet stand.
type Hitter struct {
	PxPerIn, SigmaRel float64
	Ankles            Point   // midway between them
	AnkleUpIn         float64 // above the ground
	HipsUpPx          float64 // hips above ankles in the picture
	HipsBehindIn      float64 // of the ankles, along -Z for somebody who faces +Z
}

// Marks is what the camera saw.
type Marks struct {
	Corners  [5]Point // in the order of PlateCorners
	Lines    []Line
	Uprights []Segment
	Hitter   *Hitter // nil: not known
}

// How true things on the ground are, inches and radians.
const (
	// The white of a plate ends in a bevel and wears off at its edges: each corner
	// is where the rules put it to an eighth of an inch and the plate's size to
	// 1 % (common practice, no source).
	cornerSigmaIn = 0.125
	plateSigmaRel = 0.01

	// Lines are laid with a frame or a string and 2 to 4 in wide: the middle of the
	// inner one is 1 to 2 in beyond the 6 in from the plate, and any line's ends
	// are off its direction by half an inch (common practice, no source).
	innerLineIn    = 8.5 + 6 + 1.5
	innerSigmaIn   = 1.5
	lineEndSigmaIn = 0.5

	// Posts and poles stand plumb, and a field is level, to a degree: infields are
	// graded to fall by 0.5 to 1.5 % so that they drain (common practice).
	uprightSigma = 1.0 * math.Pi / 180
)

// InnerLine is the place of the inner line of the box on a side (+1 right of the
// plate seen by the catcher, -1 left).
func InnerLine(side int) float64 { return float64(side) * innerLineIn }

// residuals are all misfits over their standard errors; those of corners come
// first.
func (m *Marks) residuals(c *Camera, pr *Prior, out []float64) []float64 {
	scale, down := c.PxPerIn()
	for i, k := range m.Corners {
		p := PlateCorners[i]
		q, ok := c.See(Place{p.X * c.PlateSize, p.Z * c.PlateSize})
		if !ok {
			q = Point{U: 1e6, V: 1e6}
		}
		across, deep := cornerSigmaIn*scale, cornerSigmaIn*scale*down
		out = append(out, (q.U-k.U)/math.Hypot(k.Sigma, across), (q.V-k.V)/math.Hypot(k.Sigma, deep))
	}
	out = append(out, (c.PlateSize-1)/plateSigmaRel, math.Log(c.FocalPx/pr.FocalPx)/pr.FocalSigmaRel,
		(c.UpIn-pr.UpIn)/pr.UpSigmaIn, c.Roll/pr.RollSigma)
	if pr.DepthSigmaRel > 0 {
		out = append(out, math.Log(c.FocalPx/scale/pr.DepthIn)/pr.DepthSigmaRel)
	}
	for i := range m.Lines {
		out = m.Lines[i].residuals(c, out)
	}
	for i := range m.Uprights {
		out = append(out, soften(m.Uprights[i].lean(c)))
	}
	if h := m.Hitter; h != nil {
		out = append(out, math.Log(h.scale(c)/h.PxPerIn)/h.SigmaRel)
	}
	return out
}

// soften turns a residual into one whose square grows as a Student t's
// log-likelihood with 4 degrees of freedom does: a single false line must not
// rule.
func soften(z float64) float64 {
	return math.Copysign(math.Sqrt(5*math.Log1p(z*z/4)), z) / math.Sqrt(5.0/4)
}

// residuals of direction and, for a Placed line, of place.
func (l *Line) residuals(c *Camera, out []float64) []float64 {
	a, sa, ok1 := l.off(c, l.A)
	b, sb, ok2 := l.off(c, l.B)
	if !ok1 || !ok2 {
		a, b, sa, sb = 1e3, -1e3, 1, 1
	}
	sa, sb = math.Hypot(sa, lineEndSigmaIn), math.Hypot(sb, lineEndSigmaIn)
	out = append(out, soften((a-b)/math.Hypot(sa, sb)))
	if l.Placed {
		out = append(out, soften((a+b)/2/math.Hypot(innerSigmaIn, math.Hypot(sa, sb)/2)))
	}
	return out
}

// off is by how much a point of the line lies beside its place, and what the
// mark's error makes of that, inches.
func (l *Line) off(c *Camera, p Point) (in, sigma float64, ok bool) {
	at := func(p Point) (float64, bool) {
		q, ok := c.Below(p, 0)
		if l.AlongX {
			return q.Z - l.AtIn, ok
		}
		return q.X - l.AtIn, ok
	}
	in, ok = at(p)
	long := math.Hypot(l.B.U-l.A.U, l.B.V-l.A.V)
	if !ok || long == 0 {
		return 0, 0, false
	}
	moved, ok := at(Point{U: p.U - (l.B.V-l.A.V)/long*p.Sigma, V: p.V + (l.B.U-l.A.U)/long*p.Sigma})
	return in, math.Abs(moved - in), ok
}

// lean is the angle between a segment and the image of a plumb line through its
// middle, over its standard error.
func (s *Segment) lean(c *Camera) float64 {
	u, v := (s.A.U+s.B.U)/2, (s.A.V+s.B.V)/2
	du, dv := s.B.U-s.A.U, s.B.V-s.A.V
	long := math.Hypot(du, dv)
	pu, pv := c.FocalPx*c.up.X-u*c.up.Z, c.FocalPx*c.up.Y-v*c.up.Z
	sine := (du*pv - dv*pu) / (long * math.Hypot(pu, pv))
	return sine / math.Hypot(uprightSigma, math.Hypot(s.A.Sigma, s.B.Sigma)/long)
}

// scale is px per inch at the hips that the camera makes of where the feet are.
func (h *Hitter) scale(c *Camera) float64 {
	feet, ok := c.Meet(h.Ankles, h.AnkleUpIn)
	if !ok {
		return 1e-3
	}
	at := c.FocalPx / feet.Z
	depth := feet.Z + h.HipsUpPx/at*c.up.Z - h.HipsBehindIn*c.axZ.Z
	return c.FocalPx / max(depth, 1)
}

// With is a copy with one line more.
func (m *Marks) With(l Line) *Marks {
	out := *m
	out.Lines = append(append([]Line(nil), m.Lines...), l)
	return &out
}

package ground

import (
	"math"

	"nightcage/vision"
	"nightcage/vision/ground/fit"
)

// boxLine is where a line of a box is looked for, inches about the plate.
type boxLine struct {
	name     vision.LineName
	side     int
	from, to fit.Place
	reachIn  float64
	line     fit.Line
}

// Boxes reach 3 ft (baseball and youth) or 4 ft (softball, OBR-like boxes are
// centred on the plate) forward of the plate's middle and 3 ft back; 3 or 4 ft
// wide. Where books differ the reach covers both.
const (
	boxReachIn  = 36.0
	innerReach  = 4.5
	squareReach = 8.0
	outerNear   = 8.5 + 6 + 36 - 1.5
	outerFar    = 8.5 + 6 + 48 - 1.5
)

func boxLines() (out []boxLine) {
	for _, side := range []int{-1, 1} {
		s := float64(side)
		z := fit.InnerLine(side)
		along := func(name vision.LineName, z, reach float64, placed bool) boxLine {
			return boxLine{name, side, fit.Place{X: -boxReachIn + 3, Z: z}, fit.Place{X: boxReachIn - 3, Z: z}, reach,
				fit.Line{AlongX: true, AtIn: z, Placed: placed}}
		}
		square := func(name vision.LineName, x float64) boxLine {
			return boxLine{name, side, fit.Place{X: x, Z: z + 3*s}, fit.Place{X: x, Z: s * (outerFar - 3)}, squareReach, fit.Line{AtIn: x}}
		}
		out = append(out, along(vision.LineInner, z, innerReach, true),
			square(vision.LineFront, boxReachIn), square(vision.LineBack, -boxReachIn),
			along(vision.LineOuter, s*outerNear, innerReach, false), along(vision.LineOuter, s*outerFar, innerReach, false))
	}
	return out
}

// leastLine is the share of a line that must be seen: chalk breaks, feet cover
// it.
const leastLine = 0.4

// find looks for one line where the camera says it is.
func (b *boxLine) find(g *gray, c *fit.Camera) (straight, bool) {
	const count = 60
	cx, cy := float64(g.w-1)/2, float64(g.h-1)/2
	px := func(x, z float64) (vec, bool) {
		p, ok := c.See(fit.Place{X: x, Z: z})
		return vec{p.U + cx, p.V + cy}, ok
	}
	d := vec{b.to.X - b.from.X, b.to.Z - b.from.Z}
	d = vec{d.x / d.norm(), d.y / d.norm()}
	var pts []vec
	asked := 0
	for i := range count {
		t := (float64(i) + 0.5) / count
		x, z := b.from.X+t*(b.to.X-b.from.X), b.from.Z+t*(b.to.Z-b.from.Z)
		p, ok1 := px(x, z)
		q, ok2 := px(x-d.y, z+d.x) // an inch to the side
		r, ok3 := px(x+d.x, z+d.y) // an inch on
		if !ok1 || !ok2 || !ok3 {
			continue
		}
		if _, inside := g.value(p.x, p.y); !inside {
			continue
		}
		asked++
		on := r.sub(p)
		n := vec{-on.y / on.norm(), on.x / on.norm()}
		inch := math.Abs(n.dot(q.sub(p)))
		if at, ok := g.ridge(p, n, b.reachIn*inch, inch); ok {
			pts = append(pts, p.add(at, n))
		}
	}
	if asked < count/3 {
		return straight{}, false
	}
	s, ok := through(pts, asked)
	return s, ok && s.share >= leastLine
}

// ridge is where along the unit normal n through p, within reach px, the middle
// of a bright line of 2 to 5 in lies; inch is px per inch across it.
func (g *gray) ridge(p, n vec, reach, inch float64) (at float64, ok bool) {
	if inch < 0.35 {
		return 0, false // thinner than a px
	}
	const ds = 0.5
	beside := int(math.Ceil(4*inch/ds)) + 1
	k := int(math.Ceil(reach/ds)) + beside
	v := make([]float64, 2*k+1)
	for i := range v {
		q := p.add(float64(i-k)*ds, n)
		if v[i], ok = g.value(q.x, q.y); !ok {
			return 0, false
		}
	}
	best, rise := -1, leastStep
	for i := beside; i+beside < len(v); i++ {
		if r := v[i] - max(v[i-beside], v[i+beside]); r > rise {
			best, rise = i, r
		}
	}
	if best < 0 {
		return 0, false
	}
	half := v[best] - rise/2
	lo, hi := best, best
	for lo > best-beside && v[lo] > half {
		lo--
	}
	for hi < best+beside && v[hi] > half {
		hi++
	}
	// between the samples, where the value passes through half
	left := float64(lo) + (half-v[lo])/max(1e-9, v[lo+1]-v[lo])
	right := float64(hi) - (half-v[hi])/max(1e-9, v[hi-1]-v[hi])
	wide := (right - left) * ds / inch
	return ((left+right)/2 - float64(k)) * ds, wide > 0.8 && wide < 6
}

// lines finds what there is of both boxes, the inner lines first: with them the
// camera knows better where to look for the others.
func (g *gray) lines(plate *fit.Result, marks fit.Marks, pr *fit.Prior) (found []vision.GroundLine) {
	res := plate
	for _, placed := range []bool{true, false} {
		seen := map[boxKey]bool{}
		for _, b := range boxLines() {
			key := boxKey{b.side, b.name}
			if b.line.Placed != placed || (b.name == vision.LineOuter && seen[key]) {
				continue
			}
			s, ok := b.find(g, &res.Camera)
			if !ok {
				continue
			}
			with := b.line
			with.Segment = s.centred(g)
			if trial, err := fit.Fit(marks.With(with), pr); err != nil || trial.Chi2-res.Chi2 > lineMisfit {
				continue // a line, but not this one
			}
			seen[key] = true
			marks.Lines = append(marks.Lines, with)
			found = append(found, vision.GroundLine{Segment: s.segment(), Name: b.name, Side: b.side})
			if placed {
				if better, err := fit.Fit(&marks, pr); err == nil {
					res = better
				}
			}
		}
	}
	return found
}

// lineMisfit is how much a line may add to the chi-square: it brings two numbers
// at most.
const lineMisfit = 9.2

func (s *straight) segment() vision.Segment {
	return vision.Segment{X0: s.from.x, Y0: s.from.y, X1: s.to.x, Y1: s.to.y, SigmaPx: s.sigma}
}

func (s *straight) centred(g *gray) fit.Segment {
	cx, cy := float64(g.w-1)/2, float64(g.h-1)/2
	return fit.Segment{A: fit.Point{U: s.from.x - cx, V: s.from.y - cy, Sigma: s.sigma}, B: fit.Point{U: s.to.x - cx, V: s.to.y - cy, Sigma: s.sigma}}
}

type boxKey struct {
	side int
	name vision.LineName
}

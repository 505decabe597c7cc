package ground

import (
	"math"
	"slices"
)

type vec struct{ x, y float64 }

func (a vec) sub(b vec) vec            { return vec{a.x - b.x, a.y - b.y} }
func (a vec) add(k float64, b vec) vec { return vec{a.x + k*b.x, a.y + k*b.y} }
func (a vec) dot(b vec) float64        { return a.x*b.x + a.y*b.y }
func (a vec) norm() float64            { return math.Hypot(a.x, a.y) }

// straight is a line n.p = c with unit n, and how well points lie on it.
type straight struct {
	n     vec
	c     float64
	share float64 // of the points asked for that lie on it
	sigma float64 // standard error at either end, px
	from  vec     // extent of the points that lie on it
	to    vec
}

// leastStep is the difference in brightness, of 255, below which an edge drowns
// in grain and compression.
const leastStep = 10.0

// crossing is where along the unit normal n through p, within reach px, the
// picture falls most steeply from bright (against n) to dark.
func (g *gray) crossing(p, n vec, reach float64) (at float64, ok bool) {
	const ds = 0.5
	k := int(math.Ceil(reach / ds))
	v := make([]float64, 2*k+5)
	for i := range v {
		q := p.add(float64(i-k-2)*ds, n)
		if v[i], ok = g.value(q.x, q.y); !ok {
			return 0, false
		}
	}
	// differences over 2 px
	d := func(i int) float64 { return v[i-2] - v[i+2] }
	best := 2
	for i := 2; i < len(v)-2; i++ {
		if d(i) > d(best) {
			best = i
		}
	}
	if d(best) < leastStep || best == 2 || best == len(v)-3 {
		return 0, false
	}
	a, b, c := d(best-1), d(best), d(best+1)
	off := 0.0
	if curve := a - 2*b + c; curve < 0 {
		off = (a - c) / (2 * curve)
	}
	return (float64(best-k-2) + off) * ds, true
}

// edge fits a line to the edge between bright (to the right of a -> b when y is
// down, if n points left) and dark along a -> b. n is the unit normal toward the
// dark side.
func (g *gray) edge(a, b, n vec, reach float64) (straight, bool) {
	long := b.sub(a).norm()
	count := max(8, int(long/1.5))
	var pts []vec
	for i := range count {
		p := a.add(0.12+0.76*float64(i)/float64(count-1), b.sub(a))
		if s, ok := g.crossing(p, n, reach); ok {
			pts = append(pts, p.add(s, n))
		}
	}
	return through(pts, count)
}

// onLinePx is how far a point may lie from its line: blur and steps of px.
const onLinePx = 0.8

// through is the line through most of the points: the best of the lines through
// two of them, then least squares over those that lie on it.
func through(pts []vec, asked int) (straight, bool) {
	if len(pts) < 6 {
		return straight{}, false
	}
	var best []vec
	for gap := len(pts) / 3; gap < len(pts); gap += max(1, len(pts)/6) {
		for i := 0; i+gap < len(pts); i++ {
			if on := onLine(pts, pts[i], pts[i+gap]); len(on) > len(best) {
				best = on
			}
		}
	}
	if len(best) < 6 {
		return straight{}, false
	}
	return leastSquares(best, asked), true
}

func onLine(pts []vec, a, b vec) (on []vec) {
	d := b.sub(a)
	l := d.norm()
	if l == 0 {
		return nil
	}
	for _, p := range pts {
		q := p.sub(a)
		if math.Abs(d.x*q.y-d.y*q.x) <= onLinePx*l {
			on = append(on, p)
		}
	}
	return on
}

func leastSquares(pts []vec, asked int) straight {
	k := float64(len(pts))
	var m vec
	for _, p := range pts {
		m = m.add(1/k, p)
	}
	var xx, xy, yy float64
	for _, p := range pts {
		q := p.sub(m)
		xx, xy, yy = xx+q.x*q.x, xy+q.x*q.y, yy+q.y*q.y
	}
	turn := math.Atan2(2*xy, xx-yy) / 2
	d := vec{math.Cos(turn), math.Sin(turn)}
	s := straight{n: vec{-d.y, d.x}, share: k / float64(asked)}
	s.c = s.n.dot(m)
	along := make([]float64, len(pts))
	sum := 0.0
	for i, p := range pts {
		r := s.n.dot(p) - s.c
		sum += r * r
		along[i] = d.dot(p.sub(m))
	}
	// Points nearer than a px or two share their px: every third counts. An end
	// is twice as uncertain as the middle.
	s.sigma = 2 * math.Hypot(math.Sqrt(sum/k), 0.1) / math.Sqrt(max(1, k/3))
	s.from, s.to = m.add(slices.Min(along), d), m.add(slices.Max(along), d)
	return s
}

// meet is where two lines cross, and the standard error of the place. ok is
// false for lines within 5 deg of parallel.
func meet(a, b straight) (p vec, sigma float64, ok bool) {
	det := a.n.x*b.n.y - a.n.y*b.n.x
	if math.Abs(det) < 0.09 {
		return vec{}, 0, false
	}
	p = vec{(a.c*b.n.y - b.c*a.n.y) / det, (a.n.x*b.c - b.n.x*a.c) / det}
	return p, math.Hypot(a.sigma, b.sigma) / math.Abs(det), true
}

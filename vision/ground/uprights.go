package ground

import (
	"math"

	"gocv.io/x/gocv"

	"nightcage/vision"
)

const (
	uprightShare   = 0.12 // of the picture's height: shorter edges tell little
	uprightLeanDeg = 15.0 // edges that lean further are no posts
	leastUprights  = 4    // fewer may point to one place by chance
	uprightOnDeg   = 0.7  // how far one may point beside that place
	uprightRule    = 0.5  // share of the edges' length that must point to it
)

// uprights finds long, nearly upright edges away from the hitter that point to
// one place as plumb lines do for a camera of this focal length, px.
func (g *gray) uprights(a *About) ([]vision.Segment, error) {
	edges, err := g.nearlyUpright(a)
	if err != nil || len(edges) < leastUprights {
		return nil, err
	}
	total := 0.0
	for _, e := range edges {
		total += e.to.sub(e.from).norm()
	}
	var best []straight
	most := 0.0
	for rollDeg := -5.0; rollDeg <= 5; rollDeg += 0.25 {
		for tiltDeg := -12.0; tiltDeg <= 35; tiltDeg++ {
			on, sum := g.pointing(edges, a.Prior.FocalPx, rollDeg*math.Pi/180, tiltDeg*math.Pi/180)
			if sum > most {
				best, most = on, sum
			}
		}
	}
	if len(best) < leastUprights || most < uprightRule*total {
		return nil, nil
	}
	var out []vision.Segment
	for _, s := range best {
		out = append(out, s.segment())
	}
	return out, nil
}

// pointing are the edges that lie along plumb lines of a camera, and their
// length.
func (g *gray) pointing(edges []straight, f, roll, tilt float64) (on []straight, sum float64) {
	ux, uy, uz := math.Sin(roll)*math.Cos(tilt), -math.Cos(roll)*math.Cos(tilt), -math.Sin(tilt)
	for _, e := range edges {
		d := e.to.sub(e.from)
		u, v := (e.from.x+e.to.x-float64(g.w-1))/2, (e.from.y+e.to.y-float64(g.h-1))/2
		p := vec{f*ux - u*uz, f*uy - v*uz}
		if math.Abs(d.x*p.y-d.y*p.x) < math.Sin(uprightOnDeg*math.Pi/180)*d.norm()*p.norm() {
			on, sum = append(on, e), sum+d.norm()
		}
	}
	return on, sum
}

func (g *gray) nearlyUpright(a *About) (out []straight, err error) {
	m, err := gocv.NewMatFromBytes(g.h, g.w, gocv.MatTypeCV8UC1, g.at)
	if err != nil {
		return nil, err
	}
	defer m.Close()
	canny, found := gocv.NewMat(), gocv.NewMat()
	defer canny.Close()
	defer found.Close()
	gocv.Canny(m, &canny, 30, 80)
	least := uprightShare * float64(g.h)
	gocv.HoughLinesPWithParams(canny, &found, 1, math.Pi/360, int(least/2), float32(least), float32(least/10))
	for i := range found.Rows() {
		v := found.GetVeciAt(i, 0)
		p, q := vec{float64(v[0]), float64(v[1])}, vec{float64(v[2]), float64(v[3])}
		d := q.sub(p)
		if math.Abs(d.x) > math.Tan(uprightLeanDeg*math.Pi/180)*math.Abs(d.y) || math.Abs((p.x+q.x)/2-a.AnklesX) < 0.4*a.HeightPx {
			continue
		}
		if s, ok := g.eitherEdge(p, q); ok && !known(out, s) {
			out = append(out, s)
		}
	}
	return out, nil
}

func (g *gray) eitherEdge(p, q vec) (best straight, ok bool) {
	d := q.sub(p)
	n := vec{-d.y / d.norm(), d.x / d.norm()}
	for _, n := range []vec{n, {-n.x, -n.y}} {
		if s, found := g.edge(p, q, n, 3); found && s.share >= leastShare && s.share > best.share {
			best, ok = s, true
		}
	}
	return best, ok
}

// known reports whether an edge of the list lies within 6 px of the middle of s,
// as both sides of one pole do.
func known(list []straight, s straight) bool {
	m := s.from.add(0.5, s.to.sub(s.from))
	for _, o := range list {
		d := o.to.sub(o.from)
		along := m.sub(o.from).dot(d) / d.norm()
		if math.Abs(o.n.dot(m)-o.c) < 6 && along > -d.norm()/2 && along < 1.5*d.norm() {
			return true
		}
	}
	return false
}

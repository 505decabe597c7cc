package bat

import (
	"math"
	"slices"
)

// look3 is the luma of a crop before, at and after a frame, cropSide² each.
type look3 struct{ before, now, after []float32 }

// motion writes into out how far each pixel is unlike both neighbours in time:
// the smaller of its two differences, less what noise and shake make, and
// squeezed so that a strong contrast counts little more than a plain one. What
// it leaves is what was in this place in this frame only: for a bat that moves
// by more than its thickness per frame, the fan of the exposure and no more.
func (l look3) motion(out []float32) {
	for i, c := range l.now {
		a, b := abs(c-l.before[i]), abs(c-l.after[i])
		out[i] = min(a, b)
	}
	floor := 3*quantile(out, 0.75) + 0.012
	for i, d := range out {
		d = max(0, d-floor)
		out[i] = d / (d + 0.06)
	}
}

func abs(x float32) float32 { return float32(math.Abs(float64(x))) }

// quantile of values in 0..1 by histogram, to a thousandth.
func quantile(v []float32, q float64) float32 {
	var hist [1001]int
	for _, x := range v {
		hist[int(x*1000)]++
	}
	left := int(q * float64(len(v)))
	for i, n := range hist {
		if left -= n; left < 0 {
			return float32(i) / 1000
		}
	}
	return 1
}

// ray is a straight thing found in a crop: a point on it, its unit direction
// away from the hands, how far it reaches from the point, all crop px.
type ray struct {
	x, y, ux, uy float64
	reach        float64
	across, turn float64 // standard errors: px across at the point, radians
	mass         float64
}

const (
	angles  = 120 // 3 degrees apart
	offsets = 13  // an inch apart

	fillFloor  = 0.3 // a ray gains where the motion is above, loses where below
	leastScore = 2.0
)

// thicken joins the outline that a slow bat leaves in motion into a bar: a box
// mean of half-width r, doubled and capped at 1. tmp is scratch.
func thicken(w, tmp []float32, r int) {
	boxMean(w, tmp, r, 1, cropSide)
	boxMean(tmp, w, r, cropSide, 1)
	for i, v := range w {
		w[i] = min(1, 2*v)
	}
}

// boxMean filters along lines whose pixels are step apart, the lines themselves
// next apart.
func boxMean(from, to []float32, r, step, next int) {
	for j := range cropSide {
		line, sum := j*next, float32(0)
		for i := -r; i < cropSide; i++ {
			if i+r < cropSide {
				sum += from[line+(i+r)*step]
			}
			if i > r {
				sum -= from[line+(i-r-1)*step]
			}
			if i >= 0 {
				to[line+i*step] = sum / float32(2*r+1)
			}
		}
	}
}

// fans looks for straight streaks of w (cropSide², 0..1) that start near the
// hands at (hx, hy) and run outward. in is crop px per inch. Best first.
func fans(w []float32, hx, hy, in float64, most int) []ray {
	type cell struct {
		score, reach float64
		a, o         int
	}
	grid := make([]cell, 0, angles*offsets)
	start, step := 4.0*in, 0.75*in
	steps := int(36 * in / step)
	for a := range angles {
		uy, ux := math.Sincos(2 * math.Pi * float64(a) / angles)
		for o := range offsets {
			off := (float64(o) - (offsets-1)/2) * in
			x, y := hx-uy*off+ux*start, hy+ux*off+uy*start
			sum, best, reach := 0.0, 0.0, 0.0
			for s := range steps {
				sum += float64(at(w, x, y)) - fillFloor
				if sum > best {
					best, reach = sum, start+float64(s)*step
				}
				x, y = x+ux*step, y+uy*step
			}
			grid = append(grid, cell{best, reach, a, o})
		}
	}
	slices.SortStableFunc(grid, func(p, q cell) int { return compare(q.score, p.score) })
	var found []ray
	for _, c := range grid {
		if len(found) == most || c.score < leastScore {
			break
		}
		uy, ux := math.Sincos(2 * math.Pi * float64(c.a) / angles)
		off := (float64(c.o) - (offsets-1)/2) * in
		r := fitRay(w, hx-uy*off, hy+ux*off, ux, uy, start, c.reach, in)
		near := slices.ContainsFunc(found, func(f ray) bool { return f.ux*r.ux+f.uy*r.uy > math.Cos(15*math.Pi/180) })
		if !near {
			r.mass = c.score
			found = append(found, r)
		}
	}
	return found
}

// fitRay fits a line to the weights within a wedge around the ray.
func fitRay(w []float32, ox, oy, ux, uy, from, to, in float64) ray {
	r := ray{x: ox, y: oy, ux: ux, uy: uy}
	for range 3 {
		var sw, ss, st, sst, sss, stt float64
		for s := from; s <= to; s += 1 {
			half := (1.5 + 0.12*s/in) * in // the fan opens outward
			for t := -half; t <= half; t += 1 {
				v := float64(at(w, ox+ux*s-uy*t, oy+uy*s+ux*t))
				sw += v
				ss += v * s
				st += v * t
				sst += v * s * t
				sss += v * s * s
				stt += v * t * t
			}
		}
		if sw < 1 {
			break
		}
		ms, mt := ss/sw, st/sw
		vs := sss/sw - ms*ms
		if vs <= 0 {
			break
		}
		slope := (sst/sw - ms*mt) / vs
		x, y := ox+ux*ms-uy*mt, oy+uy*ms+ux*mt
		d := math.Hypot(1, slope)
		nx, ny := (ux-uy*slope)/d, (uy+ux*slope)/d
		spread := math.Sqrt(max(0, stt/sw-mt*mt))
		r.x, r.y, r.ux, r.uy = x, y, nx, ny
		r.reach = to - ms
		// The fan's middle is known to a fifth of its width. Found on rendered
		// swings: of the directions 95 % lie within twice their error.
		r.across = max(0.2*spread, 0.3*in)
		r.turn = 0.75 * r.across / math.Sqrt(vs)
		ox, oy, ux, uy = x-nx*ms, y-ny*ms, nx, ny
	}
	return r
}

func at(w []float32, x, y float64) float32 {
	i, j := int(x+0.5), int(y+0.5)
	if i < 0 || j < 0 || i >= cropSide || j >= cropSide {
		return 0
	}
	return w[j*cropSide+i]
}

func compare(a, b float64) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}

package bat

import (
	"math"
	"slices"
)

// The planes of the network's output, heatSide² cells each.
const (
	planeKnob     = 0
	planeTip      = 1
	planeKnobPrec = 2
	planeTipPrec  = 5
	planeMask     = 8
)

const (
	mostPeaks = 4
	leastMass = 0.02 // share of the map's belief below which a peak is dropped
)

// spot is a peak of a heat map, crop px.
type spot struct {
	u, v, sigma, mass float64
}

// peaks reads the places of one end from its heat logits and the three planes
// of precision parameters that follow it. A peak is the largest cell of the 3x3
// around it; its place is the mean of the 5x5 window round it, weighted by the
// softmax of the heat in that window; its mass the share of the whole map's
// softmax in the window. Its sigma is the standard deviation, per axis, of the
// bivariate Student t (4 degrees of freedom) whose scale matrix is the inverse
// of L L', L = [[exp a, 0], [b, exp c]], a, b, c the precision parameters.
func peaks(heat, prec []float32) []spot {
	cells := heatSide * heatSide
	top := slices.Max(heat)
	var total float64
	for _, h := range heat {
		total += math.Exp(float64(h - top))
	}
	var found []spot
	for j := range heatSide {
		for i := range heatSide {
			if !isPeak(heat, i, j) {
				continue
			}
			ci, cj := min(max(i, 2), heatSide-3), min(max(j, 2), heatSide-3)
			var w, x, y, a, b, c float64
			for dj := -2; dj <= 2; dj++ {
				for di := -2; di <= 2; di++ {
					k := (cj+dj)*heatSide + ci + di
					e := math.Exp(float64(heat[k] - top))
					w += e
					x += e * float64(ci+di)
					y += e * float64(cj+dj)
					a += e * float64(prec[k])
					b += e * float64(prec[k+cells])
					c += e * float64(prec[k+2*cells])
				}
			}
			if w/total < leastMass {
				continue
			}
			s := spot{mass: w / total, sigma: cellPx * sigmaOf(a/w, b/w, c/w)}
			s.u, s.v = (x/w+0.5)*cellPx-0.5, (y/w+0.5)*cellPx-0.5
			found = append(found, s)
		}
	}
	slices.SortStableFunc(found, func(p, q spot) int { return compare(q.mass, p.mass) })
	var kept []spot
	for _, s := range found {
		same := slices.ContainsFunc(kept, func(k spot) bool { return math.Hypot(k.u-s.u, k.v-s.v) < 3*cellPx })
		if !same {
			kept = append(kept, s)
		}
		if len(kept) == mostPeaks {
			break
		}
	}
	return kept
}

func isPeak(heat []float32, i, j int) bool {
	h := heat[j*heatSide+i]
	for y := max(j-1, 0); y <= min(j+1, heatSide-1); y++ {
		for x := max(i-1, 0); x <= min(i+1, heatSide-1); x++ {
			if heat[y*heatSide+x] > h {
				return false
			}
		}
	}
	return true
}

// sigmaOf is the standard deviation per axis in cells: the root mean variance
// of (L L')^-1 times nu/(nu-2) = 2.
func sigmaOf(a, b, c float64) float64 {
	clip := func(v float64) float64 { return min(max(v, -6), 6) }
	ea, ec, b := math.Exp(clip(a)), math.Exp(clip(c)), clip(b)
	return math.Sqrt((ea*ea + b*b + ec*ec) / (ea * ea * ec * ec))
}

// maskAxis fits a line to the cells that the mask calls bat, from the hands at
// (u, v) outward; ok is false when too few do.
func maskAxis(mask []float32, u, v, in float64) (r ray, ok bool) {
	var w, sx, sy, sxx, sxy, syy float64
	for j := range heatSide {
		for i := range heatSide {
			p := 1 / (1 + math.Exp(-float64(mask[j*heatSide+i])))
			if p < 0.4 {
				continue
			}
			x, y := (float64(i)+0.5)*cellPx-0.5, (float64(j)+0.5)*cellPx-0.5
			w += p
			sx += p * x
			sy += p * y
			sxx += p * x * x
			sxy += p * x * y
			syy += p * y * y
		}
	}
	if w*cellPx*cellPx < 12*in*in {
		return ray{}, false // less than a handle's length of an inch and a half
	}
	mx, my := sx/w, sy/w
	cxx, cxy, cyy := sxx/w-mx*mx, sxy/w-mx*my, syy/w-my*my
	turn := math.Atan2(2*cxy, cxx-cyy) / 2
	uy, ux := math.Sincos(turn)
	long := cxx*ux*ux + 2*cxy*ux*uy + cyy*uy*uy
	short := max(cxx+cyy-long, 0)
	if long < 4*short {
		return ray{}, false // a blob has no direction
	}
	if (mx-u)*ux+(my-v)*uy < 0 {
		ux, uy = -ux, -uy
	}
	r = ray{x: mx, y: my, ux: ux, uy: uy, reach: math.Sqrt(3 * long)}
	r.across = 0.25*math.Sqrt(short) + 0.1*in
	r.turn = r.across / math.Sqrt(long)
	return r, true
}

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

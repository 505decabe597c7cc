package smooth

import (
	"math"
	"slices"

	"nightcage/vision"
)

// Step is how far the patch of picture under a landmark moved from the picture
// before, by optical flow.
type Step struct {
	X, Y    float64 // px: where in the picture before it was measured
	DX, DY  float64 // px
	SigmaPx float64 // standard error along either axis; 0: not measured
}

// How the network's places and the flow's steps share the work. A network's
// mark wanders about its true place by some 0.4 in over a tenth of a second
// (facts measured on rendered hitters: 2 to 3 px at 6 px an inch), which is as
// long as the foot takes to come down; a step is right within a fraction of a
// pixel but knows no place. So the places rule slowly and the steps quickly.
const (
	wanderShare = 0.006 // standard deviation of the wander over the body's height
	wanderMs    = 80.0  // time over which it keeps its sign
	// A patch that holds still background beside the limb moves less than the
	// limb: the share of a step that may be missing.
	dragShare = 0.08
	// A step measured farther than this from the smoothed mark, over the body's
	// height, belongs to something else: the other leg, a wrong mark.
	farShare = 0.04
)

// Steps returns frames whose bodies follow the steps between pictures as well
// as the marks they came with, by weighted least squares over each stretch of
// frames: it minimises
//
//	sum (x_i - z_i)^2 / (n s^2) + sum (x_i - x_{i-1} - d_i)^2 / u_i^2
//
// for each landmark and axis, z the marks given, s the wander's standard
// deviation, n the number of frames about frame i it keeps its sign for, d the
// steps, u their standard errors. steps[i][l] leads from frame i-1 to frame i; an empty
// steps[i] has none. Standard errors, Seen and How stay as they are: where a
// landmark's mark lies on the limb, flow cannot tell. The input is not changed.
func Steps(frames []vision.Frame, steps [][]Step) []vision.Frame {
	out := slices.Clone(frames)
	height := heightPx(out)
	if height == 0 || len(steps) != len(frames) {
		return out
	}
	for i := range out {
		out[i].Body = slices.Clone(out[i].Body)
	}
	for l := range vision.NumLandmarks {
		for from := 0; from < len(out); {
			to := from
			for to < len(out) && len(out[to].Body) > 0 && out[to].Body[l].Found() {
				to++
			}
			if to-from > 2 {
				stretch(out[from:to], steps[from:to], l, height)
			}
			from = to + 1
		}
	}
	return out
}

// stretch solves one landmark over frames that all have it.
func stretch(frames []vision.Frame, steps [][]Step, l int, height float64) {
	n := len(frames)
	wander := wanderShare * height
	// The normal equations are tridiagonal, with one matrix for both axes.
	diag, below := make([]float64, n), make([]float64, n)
	rx, ry := make([]float64, n), make([]float64, n)
	for i := range frames {
		m := frames[i].Body[l]
		lo, hi := max(0, i-1), min(n-1, i+1)
		apartMs := (frames[hi].Ms - frames[lo].Ms) / float64(hi-lo)
		w := 1 / (wander * wander * max(1, wanderMs/apartMs))
		diag[i] += w
		rx[i] += w * m.X
		ry[i] += w * m.Y
		if i == 0 {
			continue
		}
		s := step(frames[i-1].Body, steps[i], l, height)
		if s.SigmaPx == 0 {
			// The marks' own step, as uncertain as the place itself.
			b := frames[i-1].Body[l]
			s = Step{DX: m.X - b.X, DY: m.Y - b.Y, SigmaPx: wander}
		}
		u := math.Hypot(s.SigmaPx, dragShare*math.Hypot(s.DX, s.DY))
		v := 1 / (u * u)
		diag[i], diag[i-1], below[i] = diag[i]+v, diag[i-1]+v, -v
		rx[i], rx[i-1] = rx[i]+v*s.DX, rx[i-1]-v*s.DX
		ry[i], ry[i-1] = ry[i]+v*s.DY, ry[i-1]-v*s.DY
	}
	for i := 1; i < n; i++ {
		f := below[i] / diag[i-1]
		diag[i] -= f * below[i]
		rx[i] -= f * rx[i-1]
		ry[i] -= f * ry[i-1]
	}
	for i := n - 1; i >= 0; i-- {
		if i < n-1 {
			rx[i] -= below[i+1] * rx[i+1]
			ry[i] -= below[i+1] * ry[i+1]
		}
		rx[i] /= diag[i]
		ry[i] /= diag[i]
	}
	for i := range frames {
		frames[i].Body[l].X, frames[i].Body[l].Y = rx[i], ry[i]
	}
}

// step is the step that was measured where the landmark was: under its own name
// or, where the network had exchanged left and right, under its twin's.
func step(before []vision.Mark, steps []Step, l int, height float64) Step {
	if len(steps) == 0 || len(before) == 0 {
		return Step{}
	}
	best, least := Step{}, farShare*height
	for _, k := range []int{l, twin(l)} {
		s := steps[k]
		if d := math.Hypot(s.X-before[l].X, s.Y-before[l].Y); s.SigmaPx > 0 && d < least {
			best, least = s, d
		}
	}
	return best
}

// twin is the landmark of the other side; the nose is its own.
func twin(l int) int {
	if l == int(vision.Nose) {
		return l
	}
	return (l - 1) ^ 1 + 1
}

package solve

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"nightcage/vision"
)

// write puts knob and tip of every frame near marks into the solution, with
// their velocities, and the shared errors that the fit found. It returns the
// fit's covariance.
func (b *batFit) write(sol *vision.Solution, s *normal, peakMs float64) (*covariance, error) {
	f, err := s.factorise(1e-9)
	if err != nil {
		return nil, fmt.Errorf("errors of the bat: %w", err)
	}
	cov := f.inverse()
	cov.consider(globalFocal, b.cam.fSigmaRel)
	b.writePath(sol, cov, math.Inf(-1), math.Inf(1), peakMs)
	fastest, vFast := -1, 0.0
	for i := range b.looks {
		if v := sol.Frames[b.first+i].TipVelocity; v.Valid && math.Abs(b.looks[i].ms-peakMs) < 60 && r3.Norm(r3.Vec(v.Vec3)) > vFast {
			fastest, vFast = i, r3.Norm(r3.Vec(v.Vec3))
		}
	}
	sol.ScaleSigmaRel = math.Sqrt(cov.border.At(globalScale, globalScale))
	sol.BatScaleSigmaRel = sol.ScaleSigmaRel
	if fastest >= 0 {
		sol.BatScaleSigmaRel = b.speedSigma(f, cov, fastest)
		sol.BatDepthSigmaIn = b.depthShared(f, cov, fastest)
	}
	return cov, nil
}

// A loss to the ball too small to be seen in the path takes up to this share of
// the tip's speed from what a smooth path shows within lossHiddenMs of it: half
// of a loss of a tenth or so.
const (
	lossHidden   = 0.04
	lossHiddenMs = 15.0
)

// writePath writes places and velocities of the frames from one time to
// another.
func (b *batFit) writePath(sol *vision.Solution, cov *covariance, fromMs, toMs, peakMs float64) {
	near := b.near()
	for i := range b.looks {
		if !near[i] || b.looks[i].ms < fromMs || b.looks[i].ms > toMs {
			continue
		}
		pose := &sol.Frames[b.first+i]
		at := [3]float64{0, 1, 0}
		pose.Knob = b.point(cov, i, at, 0)
		pose.Tip = b.point(cov, i, at, b.length())
		d, ok := b.derivative(i)
		if !ok {
			continue
		}
		pose.KnobVelocity = b.point(cov, i, d, 0)
		pose.TipVelocity = b.point(cov, i, d, b.length())
		if math.IsNaN(b.breakMs) && math.Abs(b.looks[i].ms-peakMs) < lossHiddenMs {
			v := &pose.TipVelocity
			v.SX, v.SY, v.SZ = math.Hypot(v.SX, lossHidden*v.X), math.Hypot(v.SY, lossHidden*v.Y), math.Hypot(v.SZ, lossHidden*v.Z)
		}
	}
	if before, _ := b.rateBefore(); before >= 0 {
		sol.Impact = &vision.Impact{Ms: b.breakMs, LossRel: b.global[globalLoss], FromBall: b.breakFromBall}
	}
}

// near marks frames within maxGapMs of frames that show the tip on both sides.
func (b *batFit) near() []bool {
	out := make([]bool, len(b.looks))
	last := -1
	for i := range b.looks {
		if !b.looks[i].tip.ok {
			continue
		}
		out[i] = true
		if last >= 0 && b.looks[i].ms-b.looks[last].ms <= maxGapMs {
			for k := last; k < i; k++ {
				out[k] = true
			}
		}
		last = i
	}
	return out
}

// derivative returns the weights of frames i-1, i, i+1 in the three-point first
// derivative (1/s). The ends have none.
func (b *batFit) derivative(i int) (w [3]float64, ok bool) {
	if i == 0 || i+1 >= len(b.looks) {
		return w, false
	}
	h1, h2 := (b.looks[i].ms-b.looks[i-1].ms)/1000, (b.looks[i+1].ms-b.looks[i].ms)/1000
	return [3]float64{-h2 / (h1 * (h1 + h2)), (h2 - h1) / (h1 * h2), h1 / (h2 * (h1 + h2))}, true
}

// arcOverChord is by how much the three-point derivative of a steadily turning
// direction falls short of its rate: of an angle a to a neighbouring frame it sees
// the sine.
func (b *batFit) arcOverChord(i int) float64 {
	w, ok := b.derivative(i)
	if !ok {
		return 1
	}
	a := math.Acos(max(-1, min(1, r3.Dot(b.dir[i-1], b.dir[i+1]))))
	if a < 2e-3 {
		return 1
	}
	before, after := b.looks[i].ms-b.looks[i-1].ms, b.looks[i+1].ms-b.looks[i].ms
	all := before + after
	return a / (all / 1000) / (w[2]*math.Sin(a*after/all) - w[0]*math.Sin(a*before/all))
}

// giveBack is what the loss at the break takes from the tip's velocity at frame
// i as its three-point derivative sees it, inches per second, camera frame: a
// frame before the break must not feel the slower one after it, nor the other
// way round.
func (b *batFit) giveBack(i int, w [3]float64) r3.Vec {
	before, rate := b.rateBefore()
	switch {
	case before < 0:
	case i == before:
		return r3.Scale(w[2]*(b.looks[i+1].ms-b.breakMs)/1000*rate*b.length(), b.way(i+1))
	case i == before+1:
		return r3.Scale(w[0]*(b.breakMs-b.looks[i-1].ms)/1000*rate*b.length(), b.way(i-1))
	}
	return r3.Vec{}
}

// point is the sum over frames i-1, i, i+1, weighted, of the points of the bat
// a length along from the knob. Weights that sum to 1 make a place, to 0 a
// velocity, to which what the loss took is given back. Its standard errors are
// those with the shared unknowns held, but for the loss.
func (b *batFit) point(cov *covariance, i int, weights [3]float64, along float64) vision.Point3 {
	var p r3.Vec
	var at []int
	var grad [3][]float64 // by swing-frame axis
	axes := [3]r3.Vec{b.cam.axisX, b.cam.up, b.cam.axisZ}
	moving := weights[0]+weights[1]+weights[2] < 0.5
	turning := along
	if moving {
		turning *= b.arcOverChord(i)
	}
	for k, w := range weights {
		if w == 0 {
			continue
		}
		j := i + k - 1
		p = r3.Add(p, r3.Scale(w, r3.Add(b.knob[j], r3.Scale(turning, b.dir[j]))))
		e1, e2 := tangent(b.dir[j])
		o := perFrame * j
		at = append(at, o, o+1, o+2, o+3, o+4)
		for a, axis := range axes {
			grad[a] = append(grad[a], w*axis.X, w*axis.Y, w*axis.Z, w*turning*r3.Dot(axis, e1), w*turning*r3.Dot(axis, e2))
		}
	}
	var back r3.Vec
	if moving && along > 0 {
		back = b.giveBack(i, weights)
		p = r3.Add(p, r3.Scale(b.global[globalLoss], back))
	}
	lossVar := cov.border.At(globalLoss, globalLoss)
	spread := func(g []float64, axis r3.Vec) float64 {
		v, byLoss := 0.0, r3.Dot(back, axis)
		for x := range at {
			for y := range at {
				v += g[x] * g[y] * cov.inner(at[x], at[y])
			}
			byLoss -= g[x] * cov.f.y[at[x]*cov.f.m+globalLoss]
		}
		return math.Sqrt(max(v, 0) + byLoss*byLoss*lossVar)
	}
	out := vision.Point3{Valid: true, SX: spread(grad[0], axes[0]), SY: spread(grad[1], axes[1]), SZ: spread(grad[2], axes[2])}
	if !moving {
		out.Vec3 = vision.Vec3(b.cam.toSwing(p))
	} else {
		out.Vec3 = vision.Vec3{X: r3.Dot(p, axes[0]), Y: r3.Dot(p, axes[1]), Z: r3.Dot(p, axes[2])}
	}
	return out
}

// depthShared is the standard error of the knob's depth at frame i relative to
// the hips in the stance from the shared unknowns.
func (b *batFit) depthShared(f *factor, cov *covariance, i int) float64 {
	var g [numGlobals]float64
	d := b.f() / b.scale()
	for k := range g {
		g[k] = -f.y[(perFrame*i+2)*f.m+k]
	}
	g[globalFocal] -= d
	g[globalScale] += d
	sum := 0.0
	for p := range g {
		for q := range g {
			sum += g[p] * g[q] * cov.border.At(p, q)
		}
	}
	return math.Sqrt(max(sum, 0))
}

// speedSigma is the relative standard error of the tip's speed at frame i from
// the shared unknowns: with x = -Y*z the response of the frames to a change z of
// the shared ones, d|v| = v^ . (dv/dx x + dv/dz z).
func (b *batFit) speedSigma(f *factor, cov *covariance, i int) float64 {
	w, _ := b.derivative(i)
	var v r3.Vec
	var dv [numGlobals]r3.Vec
	for k, wk := range w {
		if wk == 0 {
			continue
		}
		j := i + k - 1
		v = r3.Add(v, r3.Scale(wk, r3.Add(b.knob[j], r3.Scale(b.length(), b.dir[j]))))
		e1, e2 := tangent(b.dir[j])
		for g := range numGlobals {
			y := func(p int) float64 { return -f.y[(perFrame*j+p)*f.m+g] }
			move := r3.Vec{X: y(0), Y: y(1), Z: y(2)}
			move = r3.Add(move, r3.Scale(b.length(), r3.Add(r3.Scale(y(3), e1), r3.Scale(y(4), e2))))
			if g == globalLength {
				move = r3.Add(move, r3.Scale(b.length(), b.dir[j]))
			}
			dv[g] = r3.Add(dv[g], r3.Scale(wk, move))
		}
	}
	speed := r3.Norm(v)
	if speed == 0 {
		return 0
	}
	sum := 0.0
	for p := range dv {
		for q := range dv {
			sum += r3.Dot(v, dv[p]) * r3.Dot(v, dv[q]) * cov.border.At(p, q)
		}
	}
	return math.Sqrt(max(sum, 0)) / (speed * speed)
}

package solve

import (
	"math"
	"slices"
	"sort"

	"gonum.org/v1/gonum/spatial/r3"
	"gonum.org/v1/gonum/stat"

	"nightcage/vision"
)

// A bat that meets a ball is slowed within a millisecond. For a free bat the
// struck point loses r(1+e)/(1+r) of the closing speed (Nathan 2003, Am J Phys
// 71:134, with ball-bat mass ratio r = .25 and e = .5: 0.3 of it), so from 30 %
// of its own speed off a tee to 60 % against a pitch; thick hits and soft balls
// take less, and a miss takes nothing.
const (
	lossMean, lossSigma = 0.25, 0.2

	// The ball is met within this time of the fastest barrel.
	breakWithinMs = 35.0
	// A break must lower the cost by this much to be believed (it is chosen from
	// some 10 independent places and has a parameter of its own) and slow the
	// bat by this share.
	breakGain, breakLoss = 8.0, 0.04
	// frames on either side that a trial works on
	breakSpanMs = 110.0

	// focalHeld all but fixes the log of the focal length in the bat's fit. Its
	// frames do not show perspective apart from the shape of the swing, and what
	// a fit finds there is its own smoothness prior; see consider.
	focalHeld = 1e-3
)

// ballTurn is the time at which the ball's image turns back from the bat, and
// its standard error, ms: where two straight paths fitted to its marks before
// and after meet. ok is false when the ball is not seen on both sides.
func ballTurn(looks []look, peakMs float64) (ms, sigma float64, ok bool) {
	var at []look
	for i := range looks {
		if d := looks[i].ms - peakMs; looks[i].ball.ok && d > -80 && d < 80 {
			at = append(at, looks[i])
		}
	}
	const before, after, most = 3, 2, 6
	best := math.Inf(1)
	for k := before; k+after <= len(at); k++ {
		in, out := at[max(0, k-most):k], at[k:min(len(at), k+most)]
		p, q := pathOf(in), pathOf(out)
		dv := point{u: q.vu - p.vu, v: q.vv - p.vv}
		turn := math.Hypot(dv.u, dv.v)
		speed := math.Hypot(p.vu, p.vv)
		// a ball met by the bat loses all its speed and more
		if speed == 0 || -(dv.u*p.vu+dv.v*p.vv)/speed < 1.1*speed {
			continue
		}
		gap := at[k].ms - at[k-1].ms
		cost := p.cost + q.cost
		if cost > best {
			continue
		}
		// least squares of p + vp t = q + vq t
		t := -((q.u-p.u)*dv.u + (q.v-p.v)*dv.v) / (turn * turn)
		if t < at[k-1].ms-gap/2 || t > at[k].ms+gap/2 {
			continue
		}
		best = cost
		ms, sigma, ok = t, math.Hypot(2*at[k].ball.sigma/turn, 0.2), true
	}
	return ms, sigma, ok
}

// ballPath is a straight path u + vu*t, v + vv*t (t in ms) and the sum of its
// squared misfits over the marks' variances.
type ballPath struct{ u, v, vu, vv, cost float64 }

func pathOf(at []look) ballPath {
	var t, u, v []float64
	for i := range at {
		t, u, v = append(t, at[i].ms), append(u, at[i].ball.u), append(v, at[i].ball.v)
	}
	var p ballPath
	p.u, p.vu = stat.LinearRegression(t, u, nil, false)
	p.v, p.vv = stat.LinearRegression(t, v, nil, false)
	for i := range at {
		s := at[i].ball.sigma
		p.cost += (sq(p.u+p.vu*t[i]-u[i]) + sq(p.v+p.vv*t[i]-v[i])) / (s * s)
	}
	return p
}

// around is the fit of the frames within a span of a time, with the shared
// unknowns but the loss held where they are. ok is false when there are too few
// frames to tell anything.
func (b *batFit) around(ms, spanMs float64) (t *batFit, first int, ok bool) {
	lo, hi := 0, len(b.looks)
	for lo < hi && b.looks[lo].ms < ms-spanMs {
		lo++
	}
	for hi > lo && b.looks[hi-1].ms > ms+spanMs {
		hi--
	}
	if hi-lo < minBatFrames {
		return nil, 0, false
	}
	t = &batFit{looks: b.looks[lo:hi], first: b.first + lo, cam: b.cam, f0: b.f0, s0: b.s0, length0: b.length0,
		depth: b.depth[lo:hi], depthSigma: b.depthSigma[lo:hi], leanWeight: b.leanWeight[lo:hi],
		knob: slices.Clone(b.knob[lo:hi]), dir: slices.Clone(b.dir[lo:hi]), global: b.global, breakMs: math.NaN()}
	for k := range b.prior {
		t.prior[k] = share{b.global[k], 1e-4}
	}
	t.prior[globalLoss] = b.prior[globalLoss]
	return t, lo, true
}

// bestBreak tries breaks halfway between frames, from and to bounding them, and
// returns the one of least cost, what speaks against each counted in, its gain
// over no break, and its loss.
func (b *batFit) bestBreak(from, to float64, against func(ms float64) float64) (at, gain, loss float64) {
	s := b.size()
	knob, dir := slices.Clone(b.knob), slices.Clone(b.dir)
	cost := func(ms float64) float64 {
		b.breakMs = ms
		copy(b.knob, knob)
		copy(b.dir, dir)
		b.global[globalLoss] = b.prior[globalLoss].mean
		if err := minimise(b, s, trialSteps); err != nil {
			return math.Inf(1)
		}
		return s.cost
	}
	none := cost(math.NaN())
	best := math.Inf(1)
	at = math.NaN()
	for i := 2; i+3 < len(b.looks); i++ {
		mid := (b.looks[i].ms + b.looks[i+1].ms) / 2
		if mid < from || mid > to {
			continue
		}
		if c := cost(mid) + against(mid); c < best {
			best, at, loss = c, mid, b.global[globalLoss]
		}
	}
	return at, none - best, loss
}

// trialSteps bounds the steps of a trial, which starts next to its answer.
const trialSteps = 5

// findBreak looks for the instant at which the ball slows the bat and sets
// breakMs when there is one.
func (b *batFit) findBreak(peakMs float64) {
	t, _, ok := b.around(peakMs, breakSpanMs)
	if !ok {
		return
	}
	b.global[globalLoss] = b.prior[globalLoss].mean
	if ms, sigma, ok := ballTurn(b.looks, peakMs); ok && sigma < 3 {
		b.breakMs, b.breakFromBall = ms, true
		return
	}
	at, gain, loss := t.bestBreak(peakMs-breakWithinMs, peakMs+breakWithinMs, func(float64) float64 { return 0 })
	if gain > breakGain && loss > breakLoss {
		b.breakMs = at
	}
}

// VelocityAt returns the velocities of tip and knob (inches per second, swing
// frame) at a time between frames, from those of the frames around it: along a
// straight line between them, and, when the bat is slowed in between, with what
// it lost given back, so that the instant asked for is the one before the ball
// slows it. Standard errors are the larger of the two frames'. ok is false
// outside the frames with velocities.
func VelocityAt(t *vision.Track, ms float64) (tip, knob vision.Point3, ok bool) {
	if t.Solution == nil {
		return tip, knob, false
	}
	i := sort.Search(len(t.Frames), func(i int) bool { return t.Frames[i].Ms >= ms })
	if i == 0 || i == len(t.Frames) {
		return tip, knob, false
	}
	a, b := &t.Solution.Frames[i-1], &t.Solution.Frames[i]
	if !a.TipVelocity.Valid || !b.TipVelocity.Valid {
		return tip, knob, false
	}
	w := (ms - t.Frames[i-1].Ms) / (t.Frames[i].Ms - t.Frames[i-1].Ms)
	back := 1.0 // what scales the later frame's velocity to before the impact
	if im := t.Solution.Impact; im != nil && im.Ms >= t.Frames[i-1].Ms && im.Ms < t.Frames[i].Ms {
		back = 1 / (1 - im.LossRel)
	}
	mix := func(p, q vision.Point3, back float64) vision.Point3 {
		// the chord between two velocities is shorter than either: length and
		// direction go separately
		a, b := r3.Vec(p.Vec3), r3.Scale(back, r3.Vec(q.Vec3))
		v := r3.Add(r3.Scale(1-w, a), r3.Scale(w, b))
		if n := r3.Norm(v); n > 0 {
			v = r3.Scale(((1-w)*r3.Norm(a)+w*r3.Norm(b))/n, v)
		}
		return vision.Point3{Vec3: vision.Vec3(v), Valid: true, SX: max(p.SX, q.SX), SY: max(p.SY, q.SY), SZ: max(p.SZ, q.SZ)}
	}
	// the hands hardly feel the ball
	return mix(a.TipVelocity, b.TipVelocity, back), mix(a.KnobVelocity, b.KnobVelocity, 1), true
}

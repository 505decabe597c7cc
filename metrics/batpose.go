package metrics

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"
)

// Points along the bat's axis.
const (
	// sweetFromTipIn is where bat speed is taken: 6 in from the end of the
	// barrel, in the zone that coaches and test labs call the sweet spot.
	sweetFromTipIn = 6.0
	// gripFromKnobIn is about where two fists side by side meet (common
	// practice, no source).
	gripFromKnobIn = 6.0
)

// batPose is the bat at an instant: the knob's end, the unit vector from knob
// to tip, their rates of change per second, and the bat's length.
type batPose struct {
	knob, dir   r3.Vec
	knobV, dirV r3.Vec
	length      float64
}

// along is the place and velocity of the point in inches from the knob's end.
func (b batPose) along(in float64) (pos, vel r3.Vec) {
	return r3.Add(b.knob, r3.Scale(in, b.dir)), r3.Add(b.knobV, r3.Scale(in, b.dirV))
}

func (b batPose) tip() r3.Vec  { p, _ := b.along(b.length); return p }
func (b batPose) grip() r3.Vec { p, _ := b.along(gripFromKnobIn); return p }

// bat is where the bat is; batMoving also how it moves.
func (s *scene) bat(at moment) batPose       { return s.readBat(at, 0) }
func (s *scene) batMoving(at moment) batPose { return s.readBat(at, 1) }

func (s *scene) readBat(at moment, order int) (b batPose) {
	if s.why != nil {
		return
	}
	dir := s.batSpot(at, order)
	if s.d != nil && dir.draw == s.d.unique && dir.ms == at.ms {
		return dir.pose
	}
	knob := s.spot(pointKnob, at, order)
	for _, why := range []*missing{knob.why, dir.why} {
		if why != nil {
			s.why = why
			return
		}
	}
	s.log.note(s.m, pointKnob, knob.axis[0].frames, knob.seen)
	s.log.note(s.m, pointTip, dir.line[0].frames, dir.seen)
	b.knob, b.knobV, _ = s.raw(pointKnob, knob.spot, at.ms)
	if s.d != nil {
		b.knob = s.away(b.knob, s.d.batDepth)
	}
	b.knob, b.knobV = s.place(pointKnob, b.knob, b.knobV, at.ms)
	var x, v [2]float64
	var e [2][maxPoints]float64
	if s.d != nil {
		s.d.batErrors(dir.batSpot, &e)
	}
	for c := range dir.line {
		l := &dir.line[c]
		beta := l.beta
		if s.d != nil {
			l.shift(&beta, e[c][:len(l.frames)], s.d.swing[c])
		}
		x[c], v[c] = l.read(&beta, at.ms)
	}
	b.dir, b.dirV = dir.exp(x, v)
	b.dir, b.dirV = s.turn(b.dir), s.turn(b.dirV)
	b.length = s.m.batIn
	if order > 0 {
		s.pathVelocity(&b, at)
	}
	if s.d != nil {
		b.length *= s.d.bat
		b.dirV = r3.Scale(1/s.d.time, b.dirV)
		dir.draw, dir.ms, dir.pose = s.d.unique, at.ms, b
	}
	return b
}

// pathVelocity puts the solver's own velocities in place of the slopes of
// fitted lines, where it gave any.
func (s *scene) pathVelocity(b *batPose, at moment) {
	k, t := s.spot(pointKnobV, at, 0), s.spot(pointTipV, at, 0)
	if k.why != nil || t.why != nil || b.length <= 0 {
		return
	}
	kv, _, _ := s.raw(pointKnobV, k.spot, at.ms)
	tv, _, _ := s.raw(pointTipV, t.spot, at.ms)
	kv, tv = s.turn(kv), s.turn(tv)
	b.dirV = r3.Scale(1/b.length, r3.Sub(tv, kv))
	b.knobV = kv
	if s.d != nil {
		b.knobV = r3.Scale(s.d.bat/s.d.time, b.knobV)
	}
}

// exp takes touching-plane coordinates and their rates back to the sphere:
// u = cos(r) u0 + sin(r)/r w with w = x1 e1 + x2 e2, r = |w|.
func (d *batSpot) exp(x, v [2]float64) (u, du r3.Vec) {
	w := r3.Add(r3.Scale(x[0], d.e1), r3.Scale(x[1], d.e2))
	dw := r3.Add(r3.Scale(v[0], d.e1), r3.Scale(v[1], d.e2))
	r := r3.Norm(w)
	if r < 1e-9 {
		return d.u0, dw
	}
	sin, cos := math.Sincos(r)
	dr := r3.Dot(w, dw) / r
	u = r3.Add(r3.Scale(cos, d.u0), r3.Scale(sin/r, w))
	du = r3.Add(r3.Scale(-sin*dr, d.u0), r3.Add(r3.Scale((cos/r-sin/(r*r))*dr, w), r3.Scale(sin/r, dw)))
	return u, du
}

func (r *reading) batSpot(at moment, order int) *heldBat {
	key, t0 := r.key(pointTip, at, order)
	if b, ok := r.bats[key]; ok {
		return b
	}
	b := &heldBat{batSpot: fitted(&r.fits.mu, r.fits.bats, key, func() *batSpot { return r.fitBat(t0, order, at.before) })}
	r.bats[key] = b
	return b
}

// maxLog bounds how far from u0 directions may lie: beyond a right angle the
// logarithm map stretches sideways errors by more than half.
const maxLog = math.Pi / 2

func (r *reading) fitBat(t0 float64, order int, before bool) *batSpot {
	knob, tip := r.m.points[pointKnob], r.m.points[pointTip]
	dir := func(i int) (r3.Vec, float64) {
		v := r3.Sub(tip[i].at, knob[i].at)
		n := r3.Norm(v)
		return r3.Scale(1/n, v), n
	}
	// A bat that points at the camera of a planar reading has no direction.
	ok := func(i int) bool {
		return knob[i].ok && tip[i].ok && r3.Norm(r3.Sub(tip[i].at, knob[i].at)) > 1
	}
	frames := r.near(t0, true, before, ok)
	if len(frames) == 0 {
		return &batSpot{why: &missing{ReasonBat, ""}}
	}
	b := &batSpot{}
	b.u0, _ = dir(frames[0])
	b.e1 = r3.Vec{X: 1}
	if math.Abs(b.u0.X) > .7 {
		b.e1 = r3.Vec{Y: 1}
	}
	b.e1 = r3.Unit(r3.Sub(b.e1, r3.Scale(r3.Dot(b.e1, b.u0), b.u0)))
	b.e2 = r3.Cross(b.u0, b.e1)

	var tau []float64
	var y, sigma [2][]float64
	kept := frames[:0:0]
	for _, i := range frames {
		u, long := dir(i)
		cos := min(1, max(-1, r3.Dot(u, b.u0)))
		angle := math.Acos(cos)
		if angle > maxLog {
			continue
		}
		w := r3.Sub(u, r3.Scale(cos, b.u0))
		if n := r3.Norm(w); n > 1e-12 {
			w = r3.Scale(angle/n, w)
		}
		kept = append(kept, i)
		tau = append(tau, (r.m.times[i]-t0)/unitMs)
		st, sk := r.jitterOf(pointTip, i), r.jitterOf(pointKnob, i)
		for c, e := range []r3.Vec{b.e1, b.e2} {
			// The basis vector carried along the great circle from u0 to u.
			arm := r3.Scale(1/long, r3.Sub(e, r3.Scale(r3.Dot(e, u)/(1+cos), r3.Add(b.u0, u))))
			b.arm[c] = append(b.arm[c], arm)
			y[c] = append(y[c], r3.Dot(w, e))
			sigma[c] = append(sigma[c], math.Sqrt(arm.X*arm.X*(st.X*st.X+sk.X*sk.X)+
				arm.Y*arm.Y*(st.Y*st.Y+sk.Y*sk.Y)+arm.Z*arm.Z*(st.Z*st.Z+sk.Z*sk.Z)))
		}
	}
	if len(kept) < order+2 || math.Abs(r.m.times[kept[0]]-t0) > r.reachMs(t0) {
		return &batSpot{why: &missing{ReasonBat, ""}}
	}
	both := make([]float64, len(kept))
	var reach [2]float64
	for c := range y {
		lo, hi := y[c][0], y[c][0]
		for _, v := range y[c] {
			lo, hi = min(lo, v), max(hi, v)
		}
		reach[c] = (hi - lo) / r.spanMs(kept)
	}
	for i := range both {
		both[i] = math.Hypot(sigma[0][i], sigma[1][i]) / math.Sqrt2
	}
	n, degree := window(tau, both, order, pace{math.Hypot(reach[0], reach[1]) / math.Sqrt2, keepMs})
	for c := range b.line {
		b.line[c] = fitLine(t0, degree, tau[:n], y[c][:n], sigma[c][:n], pace{reach[c], keepMs})
		b.line[c].frames = kept[:n]
		b.arm[c] = b.arm[c][:n]
	}
	b.first, b.last = slices.Min(kept[:n]), slices.Max(kept[:n])
	for _, i := range kept[:n] {
		if knob[i].seen && tip[i].seen {
			b.seen++
		}
	}
	return b
}

// jitterOf is jitterSigma along each axis in the i-th frame.
func (r *reading) jitterOf(p point, i int) r3.Vec {
	s := r.m.points[p][i].sigma
	return r3.Vec{X: r.m.jitterSigma(p, s.X), Y: r.m.jitterSigma(p, s.Y), Z: r.m.jitterSigma(p, s.Z)}
}

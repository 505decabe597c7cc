package metrics

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"nightcage/phases"
	"nightcage/vision"
)

// The timing margin and the barrel's stretch on the pitch's line. Both ask of
// the swing as it was: how well does it fit this pitch? Both stand on the
// meeting of bat and ball being the zero: the ball was met, so the line of its
// centre passes the bat's axis there, whatever the places' common errors.

const (
	// onLineIn is how far off the ball's line the bat's axis may be and the ball
	// still be met: a ball's radius (Official Baseball Rules 3.01: 9 to 9.25 in
	// around, so 1.43 to 1.47 in).
	onLineIn = 1.45
	// squareIn is the stated miss of the timing margin: with the ball's centre
	// 1 in off the bat's axis the ball leaves some 21 deg off the swing's line
	// (asin(1/(1.452+1.305)); centreline geometry of ball and barrel radii).
	squareIn = 1.0
	// barrelIn is the part of the bat that hits: a foot from the tip (common
	// practice, no source).
	barrelIn = 12.0
	// fairDeg is the widest spray that is fair: the foul lines stand 45 deg from
	// the line to the pitcher (Official Baseball Rules 2.01: a square infield).
	fairDeg = 45.0
	// latestMs bounds the shifts looked at; a swing 40 ms off meets no pitch
	// square.
	latestMs = 40.0
	shiftMs  = 1.0
)

// sprayPerHeading is how far the ball's direction turns with the bat's heading:
// by as much where the bat's speed decides, by twice as much where the ball only
// bounces off (mirror). Balls lie between; nothing better was found published.
const sprayLow, sprayHigh = 1.0, 2.0

// sweep is the bat and the ball around contact, ms counted from contact.
type sweep struct {
	ms        []float64 // ascending, up to 0
	knob, dir []r3.Vec
	last      batPose // at contact, just before the blow
	ball, vel r3.Vec  // at contact; inches per second
	spray     float64 // deg of spray a deg of heading
}

// swept is the sweep of the swing; nil when it cannot be had.
func (s *scene) swept() *sweep { return s.reading.sweep.of(s, s.newSweep) }

// newSweep reads bat and pitch from bat parallel to contact.
func (s *scene) newSweep() *sweep {
	in := s.pitch()
	if in != nil && s.sight.flight.End == vision.BallPassed {
		s.fail(ReasonNotHit, "")
	}
	w := s.newWay(in, -1, s.onBarrel())
	if s.why != nil {
		return nil
	}
	v := &sweep{spray: (sprayLow + sprayHigh) / 2}
	v.vel = r3.Vec{X: w.over(func(u r3.Vec) float64 { return u.X }), Y: w.over(func(u r3.Vec) float64 { return u.Y }), Z: w.over(func(u r3.Vec) float64 { return u.Z })}
	all := s.between(phases.BatParallel, phases.Contact, 20)
	if s.why != nil {
		return nil
	}
	end := all[len(all)-1].ms
	for _, m := range all {
		b := s.bat(m)
		v.ms, v.knob, v.dir = append(v.ms, m.ms-end), append(v.knob, b.knob), append(v.dir, b.dir)
	}
	v.last = s.batMoving(all[len(all)-1])
	if s.why != nil {
		return nil
	}
	met := s.meetingAlong(v.last)
	v.ball, _ = v.last.along(met)
	if s.d != nil {
		if s.d.on[FromBall] {
			v.spray = sprayLow + (sprayHigh-sprayLow)*s.d.ball.spray
		}
		for i := range v.ms {
			v.ms[i] *= s.d.time
		}
	}
	return v
}

// meetingAlong is where along the bat the ball was met, inches from the knob's
// end: the sweet spot, moved by what is not known of it.
func (s *scene) meetingAlong(b batPose) float64 {
	along := sweetSpot(b)
	if s.d != nil {
		along += alongBatSigmaIn * s.d.ball.along
	}
	return min(along, b.length)
}

// pose is the bat at ms from contact. Past contact it is where it would have
// gone had no ball slowed it: turning on at its rate.
func (v *sweep) pose(ms float64) (knob, dir r3.Vec) {
	if ms >= 0 {
		t := ms / 1000
		rate := r3.Norm(v.last.dirV)
		sin, cos := math.Sincos(rate * t)
		dir = v.last.dir
		if rate > 0 {
			dir = r3.Add(r3.Scale(cos, v.last.dir), r3.Scale(sin/rate, v.last.dirV))
		}
		return r3.Add(v.last.knob, r3.Scale(t, v.last.knobV)), dir
	}
	i := 0
	for i+2 < len(v.ms) && v.ms[i+1] <= ms {
		i++
	}
	k := (ms - v.ms[i]) / (v.ms[i+1] - v.ms[i])
	mix := func(a, b r3.Vec) r3.Vec { return r3.Add(a, r3.Scale(k, r3.Sub(b, a))) }
	return mix(v.knob[i], v.knob[i+1]), r3.Unit(mix(v.dir[i], v.dir[i+1]))
}

// ballAt is the ball's centre at ms from contact had it flown on.
func (v *sweep) ballAt(ms float64) r3.Vec {
	t := ms / 1000
	p := r3.Add(v.ball, r3.Scale(t, v.vel))
	p.Y -= gravityInS2 * t * t / 2
	return p
}

// meet is where the ball crosses the upright plane through the axis of a bat
// that is late ms late (early when negative): how far the ball's centre then is
// above the axis, inches, how far from the knob's end, and the bat's heading,
// deg. from is where to look first, ms from contact. ok is false when they do
// not cross nearby.
func (v *sweep) meet(late, from float64) (at, miss, along, heading float64, ok bool) {
	off := func(t float64) (side, above, out float64, dir r3.Vec) {
		knob, dir := v.pose(t - late)
		d := r3.Sub(v.ballAt(t), knob)
		flat := math.Hypot(dir.X, dir.Z)
		side = (d.Z*dir.X - d.X*dir.Z) / flat
		out = (d.X*dir.X + d.Z*dir.Z) / (flat * flat)
		return side, d.Y - out*dir.Y, out, dir
	}
	t := from
	for range 12 {
		side, above, out, dir := off(t)
		if math.Abs(side) < 1e-3 {
			return t, above, out, deg(math.Atan2(dir.X, dir.Z)), math.Abs(t-from) < latestMs
		}
		ahead, _, _, _ := off(t + .1)
		slope := (ahead - side) / .1
		if slope == 0 {
			break
		}
		t -= min(max(side/slope, -5), 5)
	}
	return t, 0, 0, 0, false
}

// timing is how far the swing could be shifted in time.
type timing struct {
	early, late           float64 // ms, 0 or more
	earlySpray, lateSpray float64 // deg, + pulled
	speed                 float64 // of the pitch, inches per ms
}

// margin looks, shift by shift, how early (sign -1) or late (1) the swing could
// be and still meet the pitch square, with the barrel, fair.
func (v *sweep) margin(sign float64) (ms, spray float64) {
	at, zero, along, heading, ok := v.meet(0, 0)
	if !ok {
		return math.NaN(), math.NaN()
	}
	// The ball was met where it was met: a place beyond the barrel's end or
	// inside it is a place all the same.
	lo, hi := min(v.last.length-barrelIn, along), max(v.last.length, along)
	before, spray := 0.0, v.spray*heading
	for late := shiftMs; late <= latestMs; late += shiftMs {
		t, miss, out, h, ok := v.meet(sign*late, at)
		// How far past each limit, as shares of the way from the step before.
		worst := max(math.Abs(miss-zero)/squareIn, math.Abs(v.spray*h)/fairDeg)
		if out < lo || out > hi {
			worst = max(worst, 1+max(lo-out, out-hi)/barrelIn)
		}
		if !ok || worst > 1 {
			if ok && worst > before {
				late -= shiftMs * (worst - 1) / (worst - before)
			} else {
				late -= shiftMs
			}
			return late, spray
		}
		at, before, spray = t, worst, v.spray*h
	}
	return latestMs, spray
}

// timed is the timing of the swing.
func (s *scene) timed() timing { return s.reading.timing.of(s, s.newTiming) }

func (s *scene) newTiming() timing {
	v := s.swept()
	if s.why != nil {
		return timing{}
	}
	t := timing{speed: r3.Norm(v.vel) / 1000}
	t.early, t.earlySpray = v.margin(-1)
	t.late, t.lateSpray = v.margin(1)
	if s.d == nil && !finite(t.early, t.late) {
		s.fail(ReasonUndefined, "bat and ball do not cross")
	}
	return t
}

// stretch is the part of the barrel's path that lies on the pitch's line.
type stretch struct {
	from, to float64 // x of the sweet spot, inches from the lead ankle at contact
	length   float64 // inches along the sweet spot's path
	ms       float64
}

// onLine is where the barrel is on the line of the pitch.
func (s *scene) onLine() stretch { return s.reading.stretch.of(s, s.newStretch) }

// newStretch follows the sweet spot back and forth from contact while it stays
// within onLineIn of the line of the ball's centre, seen from the side.
func (s *scene) newStretch() stretch {
	v := s.swept()
	if s.why != nil {
		return stretch{}
	}
	ankle := s.pos(s.lead(vision.LeftAnkle), s.at(phases.Contact))
	slope := v.vel.Y / v.vel.X
	off := func(p r3.Vec) float64 { return p.Y - v.ball.Y - slope*(p.X-v.ball.X) }
	walk := func(all []moment, reverse bool) (x, long, ms float64) {
		if s.why != nil {
			return
		}
		var last r3.Vec
		lastOff, start := 0.0, 0.0
		for i := range all {
			m := all[i]
			if reverse {
				m = all[len(all)-1-i]
			}
			b := s.bat(m)
			p, _ := b.along(sweetSpot(b))
			d := off(p)
			if i == 0 {
				// The sweet spot need not be where the ball was met.
				last, lastOff, start, x = p, d, m.ms, p.X
				continue
			}
			share := 1.0
			if was := math.Abs(lastOff); was >= onLineIn { // the sweet spot is beside the place where they met
				share = 0
			} else if past := math.Abs(d); past > onLineIn {
				share = (onLineIn - was) / (past - was)
			}
			x = last.X + share*(p.X-last.X)
			long += share * r3.Norm(r3.Sub(p, last))
			if share < 1 {
				return x, long, ms + share*(math.Abs(m.ms-start)-ms)
			}
			ms = math.Abs(m.ms - start)
			last, lastOff = p, d
		}
		return x, long, ms
	}
	fromX, backIn, backMs := walk(s.between(phases.BatParallel, phases.Contact, 20), true)
	toX, onIn, onMs := walk(s.between(phases.Contact, phases.FullExtension, 20), false)
	out := stretch{from: fromX - ankle.X, to: toX - ankle.X, length: backIn + onIn, ms: backMs + onMs}
	if s.d != nil {
		out.ms *= s.d.time
	}
	return out
}

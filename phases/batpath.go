package phases

import (
	"math"

	"nightcage/vision"
)

// batPath is the bat over time. Image coordinates are inches at the body, x
// toward the picture's right, y up; three-dimensional ones are the swing
// frame's. Any part may be empty.
type batPath struct {
	tip, knob trace
	axis      trace // tip minus knob in the picture
	seenTip   trace // tip where this frame's own pixels showed it
	dir       space // unit vector knob to tip
	tip3      space
	length    float64 // bat length in inches at the body, as the picture shows it at full length
	speed     series  // of the tip, inches/s, from tip3 or else in the picture
	turn      series  // of the bat, rad/s: of dir, or else of axis over length
	planar    bool    // speed and turn are of the picture
	peak      float64 // when speed is greatest, ms
	peakSpeed float64
}

// smooth is the half width of the windows over which speeds are read: a
// dozen milliseconds, an eighth of the time from launch to contact, or as many
// as hold five frames.
func (r *reading) smooth() window { return r.wide(12) }

func (r *reading) readBat() batPath {
	b := batPath{
		tip:  r.trace(func(f *vision.Frame) vision.Mark { return f.Tip }),
		knob: r.trace(func(f *vision.Frame) vision.Mark { return f.Knob }),
		seenTip: r.trace(func(f *vision.Frame) vision.Mark {
			if f.Tip.How == vision.HowModel {
				return vision.Mark{} // carries its neighbours' motion, so it would hide a sudden change
			}
			return f.Tip
		}),
	}
	b.axis = b.tip.minus(b.knob)
	b.length = quantile(lengths(b.axis), 0.98)
	if in := r.track.Subject.BatIn; in > 0 && r.track.Scale.PxPerIn > 0 {
		b.length = in
	}
	knob, tip := r.space(func(p *vision.Pose3) vision.Point3 { return p.Knob }), r.space(func(p *vision.Pose3) vision.Point3 { return p.Tip })
	b.tip3 = tip
	b.dir = unit(tip.minus(knob))
	h := r.smooth()
	if b.tip3.x.len() >= minFrames {
		b.speed = speed(h, b.tip3.x, b.tip3.y, b.tip3.z)
		b.turn = speed(h, b.dir.x, b.dir.y, b.dir.z)
	} else {
		b.planar = true
		b.speed = speed(h, b.tip.x, b.tip.y)
		if b.length > 0 {
			b.turn = speed(h, b.axis.x, b.axis.y).scaled(1 / b.length)
		}
	}
	for i, v := range b.speed.x {
		// A peak must stand clear of its own error.
		if v > b.peakSpeed && v > 4*b.speed.sd[i] {
			b.peak, b.peakSpeed = b.speed.t[i], v
		}
	}
	return b
}

func lengths(p trace) []float64 {
	out := make([]float64, p.x.len())
	for i := range out {
		out[i] = math.Hypot(p.x.x[i], p.y.at(p.x.t[i]))
	}
	return out
}

func unit(v space) space {
	var out space
	for i, t := range v.x.t {
		y, z := v.y.at(t), v.z.at(t)
		n := math.Sqrt(v.x.x[i]*v.x.x[i] + y*y + z*z)
		if !(n > 0) {
			continue
		}
		for _, c := range []struct {
			to   *series
			from series
			x    float64
		}{{&out.x, v.x, v.x.x[i]}, {&out.y, v.y, y}, {&out.z, v.z, z}} {
			c.to.t, c.to.x = append(c.to.t, t), append(c.to.x, c.x/n)
			c.to.sd = append(c.to.sd, c.from.sd[min(i, c.from.len()-1)]/n)
		}
	}
	return out
}

// speed is the length of the velocity, per second, from local parabolas of
// half width half over each axis. The share that noise adds to a length,
// the sum of the axes' variances, is taken off its square.
func speed(half window, axes ...series) series { return speedOf(half, 2, axes) }

// chord is speed from local lines.
func chord(half window, axes ...series) series { return speedOf(half, 1, axes) }

func speedOf(half window, degree int, axes []series) series {
	var out series
	if len(axes) == 0 {
		return out
	}
	// Of a track that was smoothed, errors show less in speeds than sd says.
	share := make([]float64, len(axes))
	for i, a := range axes {
		share[i] = 1
		if n, m := a.whiteNoise(), median(a.sd); n > 0 && n < m {
			share[i] = n / m
		}
	}
	for _, t := range axes[0].t {
		var v2, noise, along float64
		good := true
		for i, a := range axes {
			_, d, _, sd, ok := a.local(t, half(t), degree)
			if !ok {
				_, d, _, sd, ok = a.local(t, 2*half(t), degree)
			}
			if !ok {
				good = false
				break
			}
			sd *= share[i]
			v2, noise = v2+d*d, noise+sd*sd
			along += d * d * sd * sd
		}
		if !good {
			continue
		}
		sd := 0.0
		if v2 > 0 {
			sd = math.Sqrt(along / v2)
		}
		out.t = append(out.t, t)
		out.x = append(out.x, 1000*math.Sqrt(math.Max(v2-noise, 0)))
		out.sd = append(out.sd, 1000*math.Max(sd, math.Sqrt(noise)/4))
	}
	return out
}

// crossing returns the last time before end at which s passes through zero in
// the given direction (+1 upward), from a local line over half ms on either
// side, and its standard error.
func crossing(s series, start, end, half float64, direction float64) (t, sd float64, n int, ok bool) {
	w := s.between(start, end)
	for i := w.len() - 1; i > 0; i-- {
		if direction*w.x[i-1] <= 0 && direction*w.x[i] > 0 {
			t0 := w.t[i-1] + (w.t[i]-w.t[i-1])*(-w.x[i-1])/(w.x[i]-w.x[i-1])
			for range 3 { // Newton on the local parabola
				v, slope, sv, _, good := s.local(t0, half, 2)
				if !good || slope*direction <= 0 {
					break
				}
				step := -v / slope
				sd = sv / math.Abs(slope)
				if math.Abs(step) > half {
					break
				}
				t0 += step
			}
			if sd == 0 {
				sd = w.sd[i] / math.Abs((w.x[i]-w.x[i-1])/(w.t[i]-w.t[i-1]))
			}
			return t0, sd, s.between(t0-half, t0+half).len(), true
		}
	}
	return 0, 0, 0, false
}

// levelLead is how much earlier the bat is level, seen from the side, than
// parallel to the box line, seen from above, and the spread of that from
// hitter to hitter, ms. A swing plane that rises toward the pitcher tips the
// barrel below the hands before it points straight back: 10 to 20 ms on
// average by the definition of the planar event, with as much again of spread
// because it depends on the tilt of the plane.
const (
	levelLeadMs  = 15
	levelLeadSMs = 12
)

// planeTurnS is how far, in degrees, heading departs from the angle swept
// between parallel and contact because the swing's plane itself turns and
// tilts on the way (planes of early and late swing lie up to some 20 degrees
// apart; common practice, no source).
const planeTurnS = 12

// parallel places bat_parallel: from the heading of the bat in three
// dimensions, else from the ellipse it draws in the picture, else from where
// the picture shows it level.
func (r *reading) parallel(b batPath, a arc, contact finding) finding {
	from := contact.t - 200
	half := r.smooth()(contact.t)
	if s := b.heading(r, a); s.len() >= 6 {
		t, sd, n, ok := crossing(s.offset(90), from, contact.t, half, 1)
		if ok {
			conf, shared := 0.95, a.headingS
			if b.dir.z.len() == 0 {
				conf, shared = 0.8, math.Hypot(a.headingS, planeTurnS)
			}
			if rate := s.rate(t, half); rate > 0 {
				sd = math.Hypot(sd, shared/rate)
			}
			return finding{t: t, sd: floorSigma(sd, r.gap(t), n), confidence: conf, evidence: []string{a.source}}
		}
	}
	if w, ok := r.plateSide(b); ok && a.across {
		// The plate's side of the bat is length*cos(elevation)*sin(heading-yaw):
		// it passes zero a little off parallel when the camera does not stand
		// quite on the pitch line.
		t, sd, n, ok := crossing(w, from, contact.t, half, 1)
		if !ok {
			return missing("the bat never passes from behind to the plate's side before contact")
		}
		yaw, yawS, _ := r.cameraYaw()
		if v := w.rate(t, half); v > 0 && b.length > 0 {
			rate := v / b.length * 180 / math.Pi // deg/ms
			off := yaw - math.Copysign(90, yaw)
			t -= off / rate
			const parallaxS = 8 // degrees: the bat is up to 20 in off the axis, 12 ft away
			sd = math.Hypot(sd, math.Hypot(yawS, parallaxS)/rate)
		}
		return finding{t: t, sd: floorSigma(sd, r.gap(t), n), confidence: 0.8, evidence: []string{"seen along the pitch line: the bat passes the line of sight"}}
	}
	if b.axis.y.between(from, contact.t).len() < 6 {
		return missing("the bat was seen in fewer than 6 frames of the 200 ms before contact")
	}
	if r.pitcher == 0 {
		return missing("no three-dimensional bat, and this view does not show the bat from the side")
	}
	t, sd, n, ok := crossing(b.axis.y, from, contact.t, half, -1)
	if !ok || r.pitcher*b.axis.x.at(t) > 0 {
		return missing("the bat is never level, barrel toward the catcher, before contact")
	}
	out := finding{t: t + levelLeadMs, sd: floorSigma(math.Hypot(sd, levelLeadSMs), r.gap(t), n), confidence: 0.5,
		evidence: []string{"view from the side: bat level, plus the 15 ms by which that is early on average"}}
	if out.t > contact.t-10 {
		out.t = (t + contact.t) / 2
	}
	return out
}

// heading is the bat's heading over the whole track where it was solved, else
// over the arc.
func (b batPath) heading(r *reading, a arc) series {
	if b.dir.x.len() == 0 {
		return a.heading
	}
	var s series
	for i, t := range b.dir.x.t {
		z := b.dir.z.at(t)
		h := math.Atan2(b.dir.x.x[i], z) * 180 / math.Pi
		if k := len(s.x); k > 0 {
			h += 360 * math.Round((s.x[k-1]-h)/360)
		}
		s.t, s.x = append(s.t, t), append(s.x, h)
		s.sd = append(s.sd, b.dir.x.sd[i]/math.Max(math.Hypot(b.dir.x.x[i], z), 0.1)*180/math.Pi)
	}
	if near := s.at(a.peak); !math.IsNaN(near) {
		s = s.offset(-360 * math.Round(near/360))
	}
	return s
}

// finishShare is the bat speed, as a share of its peak, under which the swing
// is over.
const finishShare = 0.15

// finishTime places finish: the first time after contact at which tip speed
// falls below finishShare of its peak for at least 20 ms.
func (r *reading) finishTime(b batPath, hands series, contact finding) finding {
	// The speed dies away over some 100 ms, so it can be read over 25 ms.
	half := r.wide(25)
	axes, label, conf := []series{b.tip3.x, b.tip3.y, b.tip3.z}, "tip speed below 15 % of its peak", 0.9
	if b.planar {
		axes, label, conf = []series{b.tip.x, b.tip.y}, "tip speed in the picture below 15 % of its peak", 0.6
	}
	tail := speed(half, axes...)
	level := finishShare * b.peakSpeed
	if b.planar {
		// Near contact a camera at the side sees the whole speed; at the finish
		// the bat moves any way, of which a picture shows sqrt(2/3) on average.
		level *= math.Sqrt(2.0 / 3)
	}
	if f := below(tail, contact.t+60, level, 20); f.ok() {
		f.confidence, f.evidence = conf, []string{label}
		near := half(f.t)
		if _, slope, _, _, ok := tail.local(f.t, near, 1); ok && slope < 0 {
			f.sd = math.Hypot(f.sd, creep(f.t, near, axes)/-slope)
		}
		if b.planar {
			f.sd = math.Hypot(f.sd, 20) // a speed halves in about that time
		}
		if r.alongPitch() {
			// Most of the peak runs along the line of sight, where it shows badly
			// or not at all.
			f.sd = math.Hypot(f.sd, 40)
		}
		f.sd = floorSigma(f.sd, r.gap(f.t), tail.between(f.t-near, f.t+near).len())
		return f
	}
	if hands.len() > 0 {
		top := 0.0
		for i, v := range hands.x {
			if hands.t[i] < contact.t+60 {
				top = math.Max(top, v)
			}
		}
		if f := below(hands, contact.t+60, finishShare*top, 20); f.ok() {
			f.confidence, f.evidence = 0.4, []string{"hand speed below 15 % of its peak (bat not followed so far)"}
			near := half(f.t)
			f.sd = floorSigma(math.Hypot(f.sd, 25), r.gap(f.t), hands.between(f.t-near, f.t+near).len())
			return f
		}
	}
	return missing("the bat still moves faster than 15 %% of its peak where the track ends or loses it")
}

// creep is the standard error of a speed at t, per second, that does not show as
// scatter: a path smoothed over the whole swing is off by errors that run on
// from frame to frame, and in creepMs, as long as a finish takes, they change by
// about themselves.
func creep(t, half float64, axes []series) float64 {
	const creepMs = 100
	var along, v2 float64
	for _, a := range axes {
		_, v, _, _, ok := a.local(t, half, 1)
		if !ok {
			return 0
		}
		near := a.between(t-half, t+half)
		sd, shown := median(near.sd), a.whiteNoise()
		along += v * v * math.Max(0, sd*sd-shown*shown)
		v2 += v * v
	}
	if v2 == 0 {
		return 0
	}
	return 1000 * math.Sqrt(along/v2) / creepMs
}

// below returns the first time after from at which s falls under level and
// stays there for hold ms.
func below(s series, from, level, hold float64) finding {
	w := s.between(from, math.Inf(1))
	for i := 1; i < w.len(); i++ {
		if !(w.x[i] < level && w.x[i-1] >= level) {
			continue
		}
		stays := false
		for j := i; j < w.len(); j++ {
			if w.x[j] >= level {
				break
			}
			if w.t[j]-w.t[i] >= hold {
				stays = true
				break
			}
		}
		if !stays {
			continue
		}
		slope := (w.x[i] - w.x[i-1]) / (w.t[i] - w.t[i-1])
		t := w.t[i-1] + (level-w.x[i-1])/slope
		if _, d, _, _, ok := s.local(t, 25, 1); ok && d < 0 {
			slope = d
		}
		// The peak that level is a share of is known to some 10 %.
		return finding{t: t, sd: math.Hypot(w.sd[i], 0.1*level) / math.Abs(slope)}
	}
	return missing("never")
}

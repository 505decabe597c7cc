package phases

import (
	"fmt"
	"math"

	"nightcage/vision"
)

// hands is the middle of the grip: the knob where the bat was followed, the
// fists else, the wrists where even those are missing. source says which.
func (r *reading) hands(b batPath) (p trace, source string) {
	fists := between(r.body(vision.LeftHand), r.body(vision.RightHand), 0.5)
	if fists.x.len() < minFrames {
		fists = between(r.body(vision.LeftWrist), r.body(vision.RightWrist), 0.5)
	}
	if b.knob.x.len()*4 > fists.x.len()*3 && b.knob.x.len() >= minFrames {
		return b.knob, "knob"
	}
	return fists, "fists"
}

// shoulders is the middle of the shoulder line.
func (r *reading) shoulders() trace {
	return between(r.body(vision.LeftShoulder), r.body(vision.RightShoulder), 0.5)
}

// forwardMove places the hands' start toward the ball: along their way from
// where they are loaded to where they are as the bat passes parallel, the last
// change from slow drift to sustained acceleration.
func (r *reading) forwardMove(b batPath, contact, parallel finding) finding {
	end := contact.t - 45
	if parallel.ok() {
		end = parallel.t
	}
	h, source := r.hands(b)
	if sh := r.shoulders(); sh.x.between(end-250, end).len()*4 > h.x.between(end-250, end).len()*3 {
		h = h.minus(sh)
		source += " against the shoulders"
	}
	s, ok := along(h, end-220, end)
	if b.tip3.x.len() >= minFrames {
		k := r.space(func(p *vision.Pose3) vision.Point3 { return p.Knob })
		l, q := r.body3(vision.LeftShoulder), r.body3(vision.RightShoulder)
		if l.x.between(end-220, end).len() > minFrames/2 {
			k = k.minus(space{l.x.scaled(0.5).plus(q.x, 0.5), l.y.scaled(0.5).plus(q.y, 0.5), l.z.scaled(0.5).plus(q.z, 0.5)})
		}
		if s3, ok3 := along3(k, end-220, end); ok3 {
			s, ok = s3, true
			source = "knob against the shoulders in three dimensions"
		}
	}
	if !ok {
		return missing("too few frames show the hands before the bat passes parallel")
	}
	// Speed along the way must have built up well before parallel: look for the
	// start up to the time of half the speed reached there.
	p, n, good := starting.locate(s, end-170, end-25, end-240, end-5, r.dt/4)
	if !good {
		return missing("too few frames show the hands before the bat passes parallel")
	}
	f := r.place(p, n, 0.7, source+": drift turns into sustained acceleration toward the ball")
	f.sd = math.Hypot(f.sd, gradualMs)
	return f
}

// gradualMs is how far apart two readers, or two channels of one reader, put
// the start of a movement that has no jump in speed (common practice, no
// source): the body moves forward under the hands before the hands leave it.
const gradualMs = 15

// along projects p on the straight line from its place at the time from to its
// place at the time to.
func along(p trace, from, to float64) (series, bool) {
	x0, _, _, _, ok1 := p.x.local(from, 30, 1)
	y0, _, _, _, ok2 := p.y.local(from, 30, 1)
	x1, _, _, _, ok3 := p.x.local(to, 15, 1)
	y1, _, _, _, ok4 := p.y.local(to, 15, 1)
	if !(ok1 && ok2 && ok3 && ok4) {
		return series{}, false
	}
	l := math.Hypot(x1-x0, y1-y0)
	if !(l > 0) {
		return series{}, false
	}
	return p.x.scaled((x1-x0)/l).plus(p.y, (y1-y0)/l), true
}

func along3(p space, from, to float64) (series, bool) {
	var d [3]float64
	for i, a := range []series{p.x, p.y, p.z} {
		v0, _, _, _, ok0 := a.local(from, 30, 1)
		v1, _, _, _, ok1 := a.local(to, 15, 1)
		if !ok0 || !ok1 {
			return series{}, false
		}
		d[i] = v1 - v0
	}
	l := math.Sqrt(d[0]*d[0] + d[1]*d[1] + d[2]*d[2])
	if !(l > 0) {
		return series{}, false
	}
	return p.x.scaled(d[0]/l).plus(p.y, d[1]/l).plus(p.z, d[2]/l), true
}

// settling is the prior of a movement that starts without a jump, from a
// standing hitter, at up to about a tenth of g.
var settling = breakModel{after: [3]float64{0, 30, 60}, drift: 0.6, rising: 0}

// loadStart places the first sustained move of pelvis or hands from the
// stance. A threshold finds it late, because the move starts from rest: the
// time is carried back along the curve of the move to where it left the
// stance.
func (r *reading) loadStart(b batPath, contact finding, before float64) finding {
	h := r.track.Hand
	pelvis := between(r.body(vision.LeftHip), r.body(vision.RightHip), 0.5)
	hands, source := r.hands(b)
	if !r.steadied && (h.Bats == vision.SideLeft || h.Bats == vision.SideRight) {
		if rear := r.body(h.Rear(vision.LeftToe)); rear.x.len()*2 > pelvis.x.len() {
			pelvis, hands = pelvis.minus(rear), hands.minus(rear)
		}
	}
	type channel struct {
		name string
		s    series
	}
	var best finding
	found := false
	why := "pelvis and hands were not followed before the stride"
	for _, c := range []channel{
		{"pelvis along the picture", pelvis.x}, {source + " along the picture", hands.x}, {source + " height", hands.y},
	} {
		s := c.s.between(math.Inf(-1), before)
		if s.len() < 2*minFrames {
			continue
		}
		f := r.firstMove(s, c.name)
		if !f.ok() {
			why = f.reason
			continue
		}
		if !found || f.t < best.t {
			best, found = f, true
		}
	}
	if !found {
		return missing("%s", why)
	}
	return best
}

// firstMove finds where s first leaves its opening level for good.
func (r *reading) firstMove(s series, name string) finding {
	const stanceMs = 80 // a stance shorter than this cannot be told from motion
	t0 := s.t[0]
	noise := median(s.sd)
	half := math.Max(25, 2.5*r.dt)
	var v, e []float64
	var t []float64
	for _, ti := range s.t {
		x, _, sx, _, ok := s.local(ti, half, 1)
		if !ok {
			continue
		}
		t, v, e = append(t, ti), append(v, x), append(e, sx)
	}
	if len(t) < minFrames {
		return missing("%s was followed too short", name)
	}
	// The largest excursion before the stride, and the last time before it
	// that the smoothed way was inside the stance's own band.
	base := s.between(t0, t0+stanceMs)
	if base.len() < 4 {
		return missing("%s was followed too short", name)
	}
	level := median(base.x)
	wander := 0.0
	for _, x := range base.x {
		wander = math.Max(wander, math.Abs(x-level))
	}
	bar := math.Max(5*median(e), math.Max(wander, 3*noise/math.Sqrt(float64(base.len()))))
	bar = math.Max(bar, 0.4) // a standing hitter sways by some tenths of an inch
	top, at := 0.0, -1
	for i := range v {
		if d := math.Abs(v[i] - level); d > top {
			top, at = d, i
		}
	}
	if at < 0 || top < 2*bar {
		return missing("%s never leaves the stance by more than %.1f in before the stride", name, 2*bar)
	}
	sign := math.Copysign(1, v[at]-level)
	cross := -1
	for i := at; i >= 0; i-- {
		if sign*(v[i]-level) < bar {
			cross = i
			break
		}
	}
	if cross < 0 {
		return missing("the clip starts with %s already in motion", name)
	}
	tc := t[cross]
	lo := math.Max(t0+25, tc-250)
	hi := math.Min(tc+10, s.t[s.len()-3])
	if hi-lo < 4*r.dt {
		return missing("the clip starts with %s already in motion", name)
	}
	m := settling
	m.rising = int(sign)
	p, n, ok := m.locate(s, lo, hi, math.Max(t0, lo-250), math.Min(tc+80, s.t[s.len()-1]), r.dt/2)
	if !ok {
		return missing("%s was followed too short", name)
	}
	f := r.place(p, n, 0.4, fmt.Sprintf("%s leaves the stance, carried back along its curve", name))
	f.sd = math.Hypot(f.sd, 2*gradualMs)
	return f
}

// extension places full extension: the rear elbow straightest within 150 ms
// after contact.
func (r *reading) extension(contact finding) finding {
	const withinMs = 150
	h := r.track.Hand
	if h.Bats != vision.SideLeft && h.Bats != vision.SideRight {
		return missing("the hitter's side is not known, so neither is the rear arm")
	}
	s, e, w := h.Rear(vision.LeftShoulder), h.Rear(vision.LeftElbow), h.Rear(vision.LeftWrist)
	a3 := elbow3(r.body3(s), r.body3(e), r.body3(w))
	label, conf, extra := "rear elbow angle in three dimensions", 0.8, 0.0
	a := a3
	if a.between(contact.t, contact.t+withinMs).len() < 5 {
		a = elbow2(r.body(s), r.body(e), r.body(w))
		// Foreshortening moves the picture's maximum away from the arm's.
		label, conf, extra = "rear elbow angle in the picture", 0.4, 20
	}
	half := math.Max(20, 2.5*r.dt)
	var t, v []float64
	sd := 0.0
	for x := contact.t; x <= contact.t+withinMs; x += r.dt / 2 {
		y, _, sy, _, ok := a.local(x, half, 2)
		if ok {
			t, v = append(t, x), append(v, y)
			sd = math.Max(sd, sy)
		}
	}
	if len(t) < 8 {
		return missing("the rear arm was seen in too few of the %d ms after contact", withinMs)
	}
	top := math.Inf(-1)
	for _, y := range v {
		top = math.Max(top, y)
	}
	p := posterior{t: t, logp: make([]float64, len(t))}
	for i, y := range v {
		z := (top - y) / (math.Sqrt2 * sd)
		p.logp[i] = -z * z / 2
	}
	f := r.place(p, a.between(contact.t, contact.t+withinMs).len()/4, conf, label)
	f.sd = math.Hypot(f.sd, extra)
	return f
}

// elbow2 is the angle at e between s and w in the picture, degrees.
func elbow2(s, e, w trace) series {
	u, v := s.minus(e), w.minus(e)
	var out series
	for i, t := range u.x.t {
		ux, uy, vx, vy := u.x.x[i], u.y.at(t), v.x.at(t), v.y.at(t)
		lu, lv := math.Hypot(ux, uy), math.Hypot(vx, vy)
		if !(lu > 0) || !(lv > 0) {
			continue
		}
		out.t = append(out.t, t)
		out.x = append(out.x, math.Acos(clampUnit((ux*vx+uy*vy)/(lu*lv)))*180/math.Pi)
		out.sd = append(out.sd, u.x.sd[i]*math.Hypot(1/lu, 1/lv)*180/math.Pi)
	}
	return out
}

// elbow3 is the angle at e between s and w in space, degrees.
func elbow3(s, e, w space) series {
	u, v := s.minus(e), w.minus(e)
	var out series
	for i, t := range u.x.t {
		ux, uy, uz := u.x.x[i], u.y.at(t), u.z.at(t)
		vx, vy, vz := v.x.at(t), v.y.at(t), v.z.at(t)
		lu, lv := math.Sqrt(ux*ux+uy*uy+uz*uz), math.Sqrt(vx*vx+vy*vy+vz*vz)
		if !(lu > 0) || !(lv > 0) {
			continue
		}
		out.t = append(out.t, t)
		out.x = append(out.x, math.Acos(clampUnit((ux*vx+uy*vy+uz*vz)/(lu*lv)))*180/math.Pi)
		out.sd = append(out.sd, u.x.sd[i]*math.Hypot(1/lu, 1/lv)*180/math.Pi)
	}
	return out
}

func clampUnit(x float64) float64 { return math.Max(-1, math.Min(1, x)) }

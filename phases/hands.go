package phases

import (
	"cmp"
	"fmt"
	"math"
	"slices"

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

// forwardMove places the hands' start toward the ball. Hands never stand quite
// still: the body carries them before they leave it. So the start is carried
// back along the steepest rise of hand speed to where that line meets the
// speed of the drift before it.
func (r *reading) forwardMove(b batPath, contact finding) finding {
	f := missing("the hands were not solved in three dimensions")
	if b.tip3.x.len() >= minFrames {
		k := r.space(func(p *vision.Pose3) vision.Point3 { return p.Knob })
		f = r.speedingUp(contact, "knob in three dimensions", k.x, k.y, k.z)
	}
	if f.ok() {
		return f
	}
	if r.alongPitch() {
		return missing("%s, and this view looks along their way to the ball", f.reason)
	}
	h, source := r.hands(b)
	return r.speedingUp(contact, source, h.x, h.y)
}

// speedingUp reads speeds over three frames or 15 ms and, while the rise does not
// stand clear of its error, over longer and longer stretches: smoothing flattens
// the rise and makes the start look early.
func (r *reading) speedingUp(contact finding, source string, axes ...series) finding {
	for i := range axes {
		axes[i] = axes[i].between(contact.t-400, contact.t+50)
	}
	why := missing("too few frames show the hands in the 250 ms before contact")
	for half := math.Max(15, 1.6*r.gap(contact.t)); half < 50; half *= 1.5 {
		s := chord(func(t float64) float64 { return math.Max(half, 1.6*r.gap(t)) }, axes...)
		lead := s.between(contact.t-250, contact.t-20)
		if lead.len() < 6 || lead.t[0] > contact.t-150 {
			continue
		}
		steep, at, sSlope := 0.0, 0.0, 0.0
		for _, t := range lead.t {
			if _, d, _, sd, ok := s.local(t, half, 1); ok && d > steep {
				steep, at, sSlope = d, t, sd
			}
		}
		drift := s.between(at-150, at-60)
		v, _, sv, _, ok := s.local(at, half, 1)
		if !(steep > 4*sSlope) || drift.len() < 3 || !ok {
			why = missing("hand speed does not rise clearly from the drift before it")
			continue
		}
		back := (v - median(drift.x)) / steep
		level := 1.25 * median(drift.sd) / math.Sqrt(float64(drift.len())) // of a median
		sd := math.Hypot(math.Hypot(sv, level)/steep, back*sSlope/steep)
		return finding{t: at - back, sd: floorSigma(math.Hypot(sd, launchMs), r.gap(at), 4), confidence: 0.5,
			evidence: []string{source + " speed, steepest rise carried back to the drift before it"}}
	}
	return why
}

// gradualMs is how far apart two channels put the start of a movement that has
// no jump in speed. launchMs is the same for the hands' start: from the first
// stirring against the body to the steepest rise of their speed takes some 60
// to 120 ms, anywhere within which a reader may see them start (common
// practice, no source); a uniform width of 120 ms has a standard deviation of
// 35 ms.
//
// loadMs bounds load_start: a body that starts from rest at a tenth of g has
// moved a tenth of an inch after 70 ms, and sways by that much standing still.
const (
	gradualMs = 15
	launchMs  = 35
	loadMs    = 30
)

// settling is the prior of a movement that starts without a jump, from a
// standing hitter, at up to about a tenth of g.
var settling = breakModel{after: [3]float64{0, 30, 60}, drift: 0.6, rising: 0}

// loadStart places the first sustained move of pelvis or hands from the
// stance. A threshold finds it late, because the move starts from rest: the
// time is carried back along the curve of the move to where it left the
// stance.
func (r *reading) loadStart(b batPath, before float64) finding {
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
	var all []finding
	why := "pelvis and hands were not followed before the stride"
	for _, c := range []channel{
		{"pelvis along the picture", pelvis.x}, {source + " along the picture", hands.x}, {source + " height", hands.y},
	} {
		s := c.s.between(math.Inf(-1), before)
		if s.len() < 2*minFrames {
			continue
		}
		if f := r.firstMove(s, c.name); f.ok() {
			all = append(all, f)
		} else {
			why = f.reason
		}
	}
	if len(all) == 0 {
		return missing("%s", why)
	}
	slices.SortFunc(all, func(a, b finding) int { return cmp.Compare(a.t, b.t) })
	// The earliest channel, with those that agree with it.
	out := all[0]
	w := 1 / (out.sd * out.sd)
	sum := w * out.t
	for _, f := range all[1:] {
		if f.t-all[0].t < 1.96*math.Hypot(f.sd, all[0].sd) {
			k := 1 / (f.sd * f.sd)
			w, sum = w+k, sum+k*f.t
			out.evidence = append(out.evidence, f.evidence...)
		}
	}
	out.t, out.sd = sum/w, math.Hypot(math.Sqrt(1/w), loadMs)
	return out
}

// firstMove finds where s first leaves its opening level for good.
func (r *reading) firstMove(s series, name string) finding {
	const stanceMs = 80 // a stance shorter than this cannot be told from motion
	t0 := s.t[0]
	noise := median(s.sd)
	half := r.wide(25)
	var v, e []float64
	var t []float64
	for _, ti := range s.t {
		x, _, sx, _, ok := s.local(ti, half(ti), 1)
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
	gap := r.gap(tc)
	if hi-lo < 4*gap {
		return missing("the clip starts with %s already in motion", name)
	}
	m := settling
	m.rising = int(sign)
	p, _, ok := m.locate(s, lo, hi, math.Max(t0, lo-250), math.Min(tc+80, s.t[s.len()-1]), gap/2)
	if !ok {
		return missing("%s was followed too short", name)
	}
	f := r.place(p, 0.4, fmt.Sprintf("%s leaves the stance, carried back along its curve", name))
	f.sd = math.Hypot(f.sd, gradualMs)
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
		label, conf, extra = "rear elbow angle in the picture", 0.4, 30
	}
	half, step := r.wide(20), r.gap(contact.t)/2
	var t, v []float64
	sd := 0.0
	for x := contact.t; x <= contact.t+withinMs; x += step {
		y, _, sy, _, ok := a.local(x, half(x), 2)
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
	// Errors of a whole arm's pose are shared by neighbouring frames.
	pose := median(a.between(contact.t, contact.t+withinMs).sd)
	if sd = math.Max(math.Max(sd, sameElbowDeg), pose); pose > 10 {
		extra = math.Max(extra, 30) // no better than the picture
	}
	p := posterior{t: t, logp: make([]float64, len(t))}
	for i, y := range v {
		z := (top - y) / (math.Sqrt2 * sd)
		p.logp[i] = -z * z / 2
	}
	f := r.place(p, conf, label)
	f.sd = math.Hypot(f.sd, extra)
	return f
}

// sameElbowDeg is the difference between two elbow angles below which no look
// at pictures calls one arm straighter (markerless joint angles err by about 4
// degrees even with two cameras: Uhlrich et al. 2023, PLoS Comput Biol
// 19(10):e1011462). An arm that stays straight is at full extension in the
// middle of that stretch, give or take its width.
const sameElbowDeg = 4

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

package phases

import (
	"fmt"
	"math"

	"nightcage/vision"
)

// finding is a placed event before it becomes an Event: time on the reading's
// axis and standard error, ms.
type finding struct {
	t, sd      float64
	confidence float64
	evidence   []string
	reason     string // set when it was not found
}

func (f finding) ok() bool { return f.reason == "" }

func missing(format string, args ...any) finding {
	return finding{reason: fmt.Sprintf(format, args...)}
}

// feet holds the ground events of the lead foot.
type feet struct{ stride, touch, plant finding }

// foot is what the ground events are read from: heights in inches, up.
type foot struct {
	toe, heel, ankle trace
	height           series // of the toe above the ground under it
	noise            float64
	wander           float64 // of the standing toe, from frame to frame
	stood, lands     float64 // heights in the picture at rest before and after the step
	travel           float64 // from where it stood to where it lands, across the picture
	source           string
	blind            bool // seen along the stride, nothing solved
}

const toeHeight = "lead toe height"

// blindS is added to the errors of toe events seen along the stride without a
// solution, ms: as the foot comes down it also goes up or down the picture with
// the ground, and the two can cancel.
const blindS = 80

// blindHeelS is the same for the heel, which from the front is hidden behind the
// shoe and guessed to an inch or so, while it comes down by some 3 in in 70 ms.
const blindHeelS = 23

// heelDrawnMs is the part of heel plant's error that the marks do not show in their own
// scatter: a network draws a raised heel half an inch too low and a standing one as much
// too high (rendered swings), and near the ground the heel comes down an inch in some 20 ms.
const heelDrawnMs = 10

// findFeet places stride start, toe touch and heel plant in the time up to
// contact.
func (r *reading) findFeet(contact float64) feet {
	hand := r.track.Hand
	if hand.Bats != vision.SideLeft && hand.Bats != vision.SideRight {
		m := missing("the hitter's side is not known, so neither is the lead foot")
		return feet{m, m, m}
	}
	f, why := r.leadFoot(contact)
	if why != "" {
		return feet{missing("%s", why), missing("%s", why), missing("%s", why)}
	}
	lift, land, flew := r.flight(f, contact)
	if !flew {
		return r.noStride(f, contact)
	}
	var out feet
	out.stride = r.liftOff(f, lift, land)
	out.touch = r.touchDown(f, lift, land, contact)
	if !f.blind {
		out.plant = r.heelDown(f, out.touch, contact)
		return out
	}
	// A touch seen so badly is no place to start from.
	if from, ok := r.heelUp(f, contact); ok {
		out.plant = r.heelDown(f, from, contact)
	} else {
		out.plant = missing("the lead heel's rise does not show")
	}
	if out.plant.ok() {
		out.plant.sd = math.Hypot(out.plant.sd, blindHeelS)
		out.touch = r.touchBeforePlant(out.touch, out.plant)
	}
	return out
}

// heelUp is shortly before the lead heel is last half way up; ok is false when
// it does not rise clearly above where it settles.
func (r *reading) heelUp(f foot, contact float64) (from finding, ok bool) {
	start := math.Max(f.height.t[0], contact-500)
	settle := median(f.heel.y.between(contact-90, contact-10).x)
	rise := quantile(f.heel.y.between(start, contact-100).x, 0.95) - settle
	if !(rise > math.Max(flightIn, 3*median(f.heel.y.sd))) {
		return from, false
	}
	half := start
	w := f.heel.y.smoothed(r.smooth()).between(start, contact-60)
	for i := range w.t {
		if w.x[i] > settle+rise/2 {
			half = w.t[i]
		}
	}
	return finding{t: half - 40, sd: r.gap(half)}, true
}

// leadFoot gathers the lead foot's marks. Where the camera's motion was not
// measured, the rear toe serves as the ground until the rear heel lifts.
func (r *reading) leadFoot(contact float64) (foot, string) {
	h := r.track.Hand
	f := foot{toe: r.body(h.Lead(vision.LeftToe)), heel: r.body(h.Lead(vision.LeftHeel)), ankle: r.body(h.Lead(vision.LeftAnkle)), source: toeHeight}
	if n := f.toe.y.between(contact-900, contact).len(); n < minFrames {
		return f, fmt.Sprintf("the lead toe was seen in only %d frames before contact", n)
	}
	if r.alongPitch() {
		// The picture of the ground rises or falls with every inch of the
		// stride; heights are read from the solution where there is one.
		if s, ok := r.solvedFoot(contact); ok {
			return s, ""
		}
		f.blind = true
		f.source = "lead toe height, seen along the stride"
	}
	if !r.steadied && f.source == toeHeight {
		rear := r.body(h.Rear(vision.LeftToe))
		if rear.y.between(contact-900, contact).len()*2 > f.toe.y.between(contact-900, contact).len() {
			for _, p := range []*trace{&f.toe, &f.heel, &f.ankle} {
				*p = p.minus(rear)
			}
			f.source = "lead toe height above the rear toe (camera motion not measured)"
		}
	}
	f.aboveGround(contact, r.smooth())
	return f, ""
}

// solvedFoot is the lead foot in three dimensions; ok is false where depth and
// height are known too badly to show a step.
func (r *reading) solvedFoot(contact float64) (f foot, ok bool) {
	const (
		depthIn  = 1   // a depth wrong by an inch tilts the ground by a third of one
		heightIn = 0.5 // a step lifts the toe by two inches and more
	)
	h := r.track.Hand
	toe, heel, ankle := r.body3(h.Lead(vision.LeftToe)), r.body3(h.Lead(vision.LeftHeel)), r.body3(h.Lead(vision.LeftAnkle))
	if toe.y.between(contact-900, contact).len() < minFrames || !(median(toe.x.sd) < depthIn) {
		return f, false
	}
	f = foot{toe: trace{toe.x, toe.y}, heel: trace{heel.x, heel.y}, ankle: trace{ankle.x, ankle.y}, source: "lead toe height in three dimensions"}
	f.aboveGround(contact, r.smooth())
	return f, f.noise < heightIn
}

// aboveGround is the toe's height over the ground beneath it, smoothed. The
// picture of the ground rises or falls as the foot travels, because the foot
// goes toward or from the camera: ground height is taken to change in
// proportion to the foot's way from where it stood to where it lands. Seen
// along the pitch line that way does not show, and the ground may rise or fall
// by as much as the foot: there the distance from both resting heights stands
// for height. noise is the standing toe's own wander, which holds what steadying
// left behind, or what its marks claim, if that is more.
func (f *foot) aboveGround(contact float64, half window) {
	x, y := f.toe.x.smoothed(half), f.toe.y.smoothed(half)
	y = y.between(math.Inf(-1), contact)
	f.noise, f.wander = math.Inf(1), math.Inf(1)
	if y.len() == 0 {
		return
	}
	height := series{}
	end := math.Min(y.t[0]+200, contact-500)
	pre, preX := y.between(y.t[0], end), x.between(y.t[0], end)
	post, postX := y.between(contact-110, contact-30), x.between(contact-110, contact-30)
	switch {
	case post.len() < 2:
		post, postX = y.between(contact-250, contact), x.between(contact-250, contact)
	case pre.len() < 3:
		pre, preX = post, postX
	}
	y0, y1, x0, x1 := median(pre.x), median(post.x), median(preX.x), median(postX.x)
	for i, t := range y.t {
		way := 0.0
		if math.Abs(x1-x0) > 1 {
			way = math.Max(0, math.Min(1, (x.at(t)-x0)/(x1-x0)))
		} else if t > (end+contact)/2 {
			way = 1
		}
		h := y.x[i] - (y0 + way*(y1-y0))
		if f.blind {
			h = math.Min(math.Abs(y.x[i]-y0), math.Abs(y.x[i]-y1))
		}
		height.t, height.sd, height.x = append(height.t, t), append(height.sd, y.sd[i]), append(height.x, h)
	}
	var dev []float64
	for _, v := range pre.x {
		dev = append(dev, math.Abs(v-y0))
	}
	f.height, f.wander = height, 1.4826*median(dev)
	f.stood, f.lands = y0, y1
	f.noise = math.Max(f.wander, median(height.sd))
	if !f.blind {
		f.travel = math.Abs(x1 - x0)
	}
}

// Leaving the ground for good takes more than a shuffle: the toe must rise
// flightIn and four times its own noise, and stay up for flightMs, the time in
// which a foot dropped from that height would be back on the ground,
// sqrt(2h/g). A foot that ends travelIn from where it stood has stepped, however
// low: there half of flightIn will do, if it stands clear of the toe's wander.
const (
	flightIn = 0.7
	flightMs = 60
	travelIn = 3
)

// bar is the height that counts as off the ground.
func (f *foot) bar() float64 {
	switch {
	case f.blind:
		return math.Max(flightIn/3, 6*f.noise)
	case f.travel > math.Max(travelIn, 6*f.noise):
		return math.Min(math.Max(flightIn/2, 6*f.wander), math.Max(flightIn, 4*f.noise))
	}
	return math.Max(flightIn, 4*f.noise)
}

// flight returns when the toe was last off the ground before contact: the
// first and last sample of a stretch above the bar, carried out to where the toe
// is under a quarter of its height there, so that the bar's own height does not
// cut a low step short. Two flights less than 60 ms apart are one (a grazing
// step, or a foot that passes through its other resting height).
//
// Seen along the stride, a foot that comes to rest higher or lower in the
// picture than it stood has stepped: there it is off the ground from where it
// leaves the one level for good to where it comes to the other.
func (r *reading) flight(f foot, contact float64) (lift, land float64, ok bool) {
	if f.blind && math.Abs(f.lands-f.stood) > math.Max(flightIn, 3*f.noise) {
		return r.fromLevelToLevel(f, contact)
	}
	h := f.height
	rs := r.lasting(h, f.bar(), flightMs, 60)
	for i := len(rs) - 1; i >= 0; i-- {
		a, b := rs[i][0], rs[i][1]
		if h.t[b] > contact-40 { // still up at contact: a foot that never came down
			continue
		}
		top := 0.0
		for _, v := range h.x[a : b+1] {
			top = math.Max(top, v)
		}
		low := math.Min(math.Max(top/4, 3*f.wander), f.bar())
		for a > 0 && h.x[a-1] > low {
			a--
		}
		for b+1 < h.len() && h.x[b+1] > low {
			b++
		}
		return h.t[a], h.t[b], true
	}
	return 0, 0, false
}

// fromLevelToLevel is when the toe first leaves where it stood for flightMs,
// and from when on it is where it lands: both by a seventh of the way between
// them. On its way it may pass its first level again.
func (r *reading) fromLevelToLevel(f foot, contact float64) (lift, land float64, ok bool) {
	y := f.toe.y.smoothed(r.smooth()).between(contact-1000, contact)
	band := math.Max(math.Abs(f.lands-f.stood)/7, 3*f.wander)
	land = math.Inf(1)
	for i := y.len() - 1; i >= 0 && math.Abs(y.x[i]-f.lands) < band; i-- {
		land = y.t[i]
	}
	off := y.between(math.Inf(-1), land)
	for i := range off.x {
		off.x[i] = math.Abs(off.x[i] - f.stood)
	}
	rs := r.lasting(off, band, flightMs, 0)
	if len(rs) == 0 {
		return 0, 0, false
	}
	return off.t[rs[0][0]], land, land < contact-40
}

// liftOff extrapolates the toe's rise back to its resting height.
func (r *reading) liftOff(f foot, lift, land float64) finding {
	up := math.Min(70, (land-lift)/2)
	m := leaving
	if f.blind {
		m.rising = 0
	}
	p, _, ok := m.locate(f.toe.y, lift-90, lift+20, lift-180, lift+math.Max(up, 40), r.gap(lift)/8)
	if !ok {
		return missing("too few frames show the lead toe while it leaves the ground")
	}
	p = r.sharpen(m, f.toe.y, p, 100, up)
	return f.doubt(r.place(p, 0.95, f.source+", rise carried back to rest"))
}

// touchDown extrapolates the toe's descent to the height at which it settles.
func (r *reading) touchDown(f foot, lift, land, contact float64) finding {
	down := math.Min(90, (land-lift)/2)
	m := touching
	if f.blind {
		m.rising = 0
	}
	p, _, ok := m.locate(f.toe.y, land-10, math.Min(land+70, contact-20), land-down, math.Min(land+150, contact), r.gap(land)/8)
	if !ok {
		return missing("too few frames show the lead toe as it lands")
	}
	p = r.sharpen(m, f.toe.y, p, down, 70)
	return f.doubt(r.place(p, 0.95, f.source+", descent carried to where it settles"))
}

// toeFirstMs is how long the heel comes down after the toe, and its spread
// (common practice, no source).
const (
	toeFirstMs  = 70
	toeFirstSMs = 35
)

// touchBeforePlant weighs a touch seen along the stride with the heel's landing,
// which such a view shows well.
func (r *reading) touchBeforePlant(touch, plant finding) finding {
	t, sd := plant.t-toeFirstMs, math.Hypot(plant.sd, toeFirstSMs)
	out := finding{t: t, sd: sd, confidence: 0.3,
		evidence: []string{"lead heel's landing, less the 70 ms that a toe usually touches before it (seen along the stride)"}}
	if touch.ok() && math.Abs(touch.t-t) < 2*math.Hypot(sd, touch.sd) {
		w, k := 1/(sd*sd), 1/(touch.sd*touch.sd)
		out.t, out.sd = (w*t+k*touch.t)/(w+k), math.Sqrt(1/(w+k))
		out.evidence = append(out.evidence, touch.evidence...)
	}
	return out
}

// doubt widens what was read along the stride.
func (f *foot) doubt(g finding) finding {
	if f.blind {
		g.sd, g.confidence = math.Hypot(g.sd, blindS), 0.2
	}
	return g
}

// heelDown does the same for the heel, together with the ankle above it.
func (r *reading) heelDown(f foot, touch finding, contact float64) finding {
	if !touch.ok() {
		return missing("no toe touch to start from")
	}
	lo := touch.t - 2*touch.sd
	hi := math.Min(touch.t+220, contact-15)
	settle := median(f.heel.y.between(contact-90, contact-10).x)
	at := f.heel.y.between(lo, hi)
	if at.len() < 4 || math.IsNaN(settle) {
		return missing("too few frames show the lead heel between toe touch and contact")
	}
	// The first time the heel goes under the bar above its resting height and
	// stays there for 40 ms.
	smooth := f.heel.y.smoothed(r.smooth()).between(lo, contact)
	bar := settle + math.Max(4*median(smooth.sd), 0.6)
	last := lo
	for i, t := range smooth.t {
		if smooth.x[i] > bar {
			last = t
		} else if t-last > 40 {
			break
		}
	}
	last = math.Min(last, hi)
	a, b := math.Max(lo, last-15), math.Min(last+70, hi)
	gap := r.gap(b)
	if b-a < 3*gap {
		a = math.Max(lo, b-3*gap)
	}
	from := math.Max(touch.t, a-60)
	if gap := r.gap(a); a-from < 3*gap {
		from = a - 6*gap
	}
	p, _, ok := touching.locate(f.heel.y, a, b, from, math.Min(b+60, contact), gap/8)
	if !ok {
		return missing("too few frames show the lead heel as it comes down")
	}
	evidence := []string{"lead heel height, descent carried to where it settles"}
	if q, m, ok := touching.locate(f.ankle.y, a, b, from, math.Min(b+60, contact), gap/8); ok && m >= 8 {
		for i := range p.logp {
			p.logp[i] += q.logp[i]
		}
		evidence = append(evidence, "lead ankle comes to rest")
	}
	out := r.place(p, 0.9, evidence...)
	out.sd = math.Hypot(out.sd, heelDrawnMs)
	return out
}

// sharpen repeats a location within three standard errors of the first answer
// and on samples nearer to it, where the few powers of time describe better.
func (r *reading) sharpen(m breakModel, s series, p posterior, before, after float64) posterior {
	mean, sd, _ := p.moments()
	gap := r.gap(mean)
	w := math.Max(3*sd, 3*gap)
	q, _, ok := m.locate(s, mean-w, mean+w, mean-w-before, mean+w+after, gap/8)
	if !ok {
		return p
	}
	return q
}

// place turns a posterior into a finding. However many frames a curve was fitted
// to, only those next to the event, two on a side, show when it happened.
func (r *reading) place(p posterior, confidence float64, evidence ...string) finding {
	mean, sd, _ := p.moments()
	return finding{t: mean, sd: floorSigma(sd, r.gap(mean), 4), confidence: confidence, evidence: evidence}
}

// hidden is how likely a step is that does not show, given that none does: none
// where a shuffle would show, more and more the higher a step may be and not
// show, up to strides, the share of hitters who step (common practice, no source).
func (f *foot) hidden() float64 {
	const strides = 0.8
	if f.blind {
		return strides
	}
	return math.Max(0, math.Min(f.bar()/flightIn-1, strides))
}

// noStride answers for a hitter whose lead toe is not seen to leave the ground.
// The weight then lands with the heel, if that lifts; if there was a step after
// all, the toe touched toeFirstMs before it.
func (r *reading) noStride(f foot, contact float64) feet {
	hidden := f.hidden()
	none := fmt.Sprintf("no stride: the lead toe never rises more than %.1f in for %d ms", f.bar(), flightMs)
	if hidden > 0 {
		none = fmt.Sprintf("no stride was seen; a toe that rises less than %.1f in would not show", f.bar())
		if f.blind {
			none = "no stride was seen, looking along it"
		}
	}
	out := feet{stride: missing("%s", none)}
	from, ok := r.heelUp(f, contact)
	if !ok {
		out.touch = missing("%s, and no heel lift: nothing is seen to land", none)
		out.plant = out.touch
		return out
	}
	out.plant = r.heelDown(f, from, contact)
	if f.blind {
		out.plant.sd = math.Hypot(out.plant.sd, blindHeelS)
	}
	out.touch = out.plant
	if out.touch.ok() {
		out.touch.confidence = 0.5 * (1 - hidden)
		out.touch.evidence = []string{"no stride: weight landing on the heel stands for toe touch"}
		if hidden > 0 {
			out.touch.t -= hidden * toeFirstMs
			out.touch.sd = math.Hypot(out.touch.sd, math.Sqrt(hidden*toeFirstSMs*toeFirstSMs+hidden*(1-hidden)*toeFirstMs*toeFirstMs))
			out.touch.evidence = []string{none, fmt.Sprintf("weight landing on the heel, less %.0f ms for the toe's touch before it, if there was one", hidden*toeFirstMs)}
		}
	}
	return out
}

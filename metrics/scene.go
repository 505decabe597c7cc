package metrics

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"nightcage/phases"
	"nightcage/vision"
)

// reading holds what all draws of one swing share: the motion, the events, the
// lines fitted so far and the sizes of the shared errors.
type reading struct {
	m       *motion
	hand    vision.Hand
	subject vision.Subject
	kind    phases.Kind
	events  [numEvents]phases.Event
	contact float64 // ms; NaN when not found
	corner  float64 // ms; where the bat's path has its corner: the solver's impact, else contact

	eventSigma     [numEvents]float64    // ms
	lengthSigma    float64               // relative
	batSigma       float64               // relative, of the bat's lengths and speeds
	timeSigma      float64               // relative
	bodyDepthSigma float64               // inches, of the whole body along the line of sight
	batDepthSigma  float64               // the same of the bat
	yawSigma       float64               // radians, about the vertical
	rollSigma      float64               // radians, in the picture plane
	pitchSigma     float64               // radians, about the picture's horizontal
	joints         [numPoints]JointError // scaled to the hitter
	depth          [numPoints]spread     // of planar readings, scaled to the hitter
	pairs          [numPoints]wave       // scratch of draw.next
	sight          ballSight

	passes  uint64 // of draws so far, over all propagations
	spots   map[spotKey]*spot
	bats    map[spotKey]*batSpot
	peaks   [numTurners]perDraw[peak]
	sweep   perDraw[*sweep]
	timing  perDraw[timing]
	stretch perDraw[stretch]
}

// moment is an instant a formula reads at: some ms, found from an event.
type moment struct {
	ms     float64
	anchor int // the event its lines are laid out from
	before bool
}

// spotKey names one fitted line: the k-th knot from an anchor event.
type spotKey struct {
	knot   int32
	point  int8
	anchor int8
	order  int8 // derivative that the window was chosen for
	before bool
}

// spot is a point's three coordinates around an instant.
type spot struct {
	axis [3]line
	last recall
	seen int // frames of the window in which the point itself was seen
	why  *missing
}

// recall is a spot's latest reading: many measures read the same point at the
// same instant of a draw.
type recall struct {
	draw     uint64 // 0: none, or the swing as read
	ms       float64
	pos, vel r3.Vec
	other    bool // an arm was read the other way
}

// batSpot is the direction of the bat around an instant, as two coordinates in
// the plane touching the unit sphere at u0 (the logarithm map: great circles
// through u0 become straight lines, so a steady turn is a straight line in
// time).
type batSpot struct {
	u0, e1, e2 r3.Vec
	line       [2]line
	arm        [2][]r3.Vec // per frame of the window: what a shift of the tip against the knob adds
	seen       int
	why        *missing
}

// scene is the swing as one draw has it; the zero draw (nil) is the swing as
// read. The first reading that fails is kept in why and the formula's result is
// then ignored.
type scene struct {
	*reading
	d     *draw
	why   *missing
	log   *usage
	other bool // an arm was read the other way
}

// usage is what a formula read.
type usage struct {
	first, last int // indices into Clip.Times; last < first when none
	points      map[point]*sighted
	events      map[int]bool
	ball        bool
}

// sighted counts the frames behind readings of a point, and those that show it.
type sighted struct {
	frames, seen int
}

func newUsage() *usage {
	return &usage{first: math.MaxInt, last: -1, points: map[point]*sighted{}, events: map[int]bool{}}
}

func (u *usage) note(m *motion, p point, frames []int, seen int) {
	if u == nil {
		return
	}
	if u.points[p] == nil {
		u.points[p] = &sighted{}
	}
	u.points[p].frames += len(frames)
	u.points[p].seen += seen
	for _, i := range frames {
		u.first, u.last = min(u.first, m.index[i]), max(u.last, m.index[i])
	}
}

// filledIn names a point that fewer than seenShare of its frames show.
func (u *usage) filledIn() (p point, found bool) {
	for p := range point(numPoints) {
		if s := u.points[p]; s != nil && float64(s.seen) < seenShare*float64(s.frames) {
			return p, true
		}
	}
	return 0, false
}

func (s *scene) fail(r Reason, detail string) {
	if s.why == nil {
		s.why = &missing{r, detail}
	}
}

// lead and rear give the landmark on the pitcher's and the catcher's side.
func (s *scene) lead(left vision.Landmark) point { return s.side(left, s.hand.Lead) }
func (s *scene) rear(left vision.Landmark) point { return s.side(left, s.hand.Rear) }

func (s *scene) side(left vision.Landmark, of func(vision.Landmark) vision.Landmark) point {
	if s.hand.Bats != vision.SideLeft && s.hand.Bats != vision.SideRight {
		s.fail(ReasonNoHand, "")
	}
	return point(of(left))
}

// at is the moment of an event.
func (s *scene) at(id phases.EventID) moment {
	i := eventIndex(id)
	e := &s.events[i]
	if !e.Found {
		r := ReasonEvent
		if s.kind != phases.KindSwing && i >= eventIndex(phases.ForwardMove) {
			r = ReasonNotASwing
		}
		s.fail(r, eventNames[id])
		return moment{}
	}
	if s.log != nil {
		s.log.events[i] = true
	}
	m := moment{ms: e.Ms, anchor: i, before: !(e.Ms > s.contact)}
	if s.d != nil {
		m.ms += s.d.event[i]
	}
	return m
}

// between is n+1 evenly spaced moments from one event to another, both
// included.
func (s *scene) between(from, to phases.EventID, n int) []moment {
	a, b := s.at(from), s.at(to)
	if s.why != nil {
		return nil
	}
	if s.d == nil && !(b.ms > a.ms) {
		s.fail(ReasonOrder, eventNames[from]+" and "+eventNames[to])
		return nil
	}
	out := make([]moment, n+1)
	for k := range out {
		out[k] = moment{ms: a.ms + (max(b.ms, a.ms)-a.ms)*float64(k)/float64(n), anchor: b.anchor, before: b.before}
	}
	out[0], out[n] = a, b
	return out
}

// duration is the capture time from one event to another, ms.
func (s *scene) duration(from, to phases.EventID) float64 {
	a, b := s.at(from), s.at(to)
	ms := b.ms - a.ms
	if s.d == nil && s.why == nil && ms < 0 {
		s.fail(ReasonOrder, eventNames[from]+" and "+eventNames[to])
	}
	if s.d != nil {
		ms *= s.d.time
	}
	return ms
}

// pos is where a point is, swing frame, inches.
func (s *scene) pos(p point, at moment) r3.Vec {
	v, _ := s.read(p, at, 0)
	return v
}

// moving is where a point is and its velocity, inches per second.
func (s *scene) moving(p point, at moment) (pos, vel r3.Vec) { return s.read(p, at, 1) }

// mid is the middle of a pair.
func (s *scene) mid(left vision.Landmark, at moment) r3.Vec {
	return r3.Scale(.5, r3.Add(s.pos(point(left), at), s.pos(point(left+1), at)))
}

func (s *scene) read(p point, at moment, order int) (pos, vel r3.Vec) {
	if s.why != nil {
		return
	}
	sp := s.spot(p, at, order)
	if sp.why != nil {
		s.why = sp.why
		return
	}
	pos, vel = s.raw(p, sp, at.ms)
	s.log.note(s.m, p, sp.axis[0].frames, sp.seen)
	if s.d != nil && !p.bat() {
		pos = r3.Add(s.away(pos, s.d.bodyDepth), s.d.joint[p].at(at.ms))
		if order > 0 {
			vel = r3.Add(vel, s.d.joint[p].rate(at.ms))
		}
	} else if s.d != nil {
		pos = s.away(pos, s.d.batDepth)
	}
	return s.place(p, pos, vel, at.ms)
}

// away moves a solved place along the ray on which the camera sees it.
func (s *scene) away(pos r3.Vec, by float64) r3.Vec {
	if by == 0 {
		return pos
	}
	return r3.Add(pos, r3.Scale(by, r3.Unit(r3.Sub(pos, s.m.camera))))
}

// raw reads a point's lines with the draw's scatter, before errors that all
// points share.
func (s *scene) raw(p point, sp *spot, ms float64) (pos, vel r3.Vec) {
	if s.d != nil && sp.last.draw == s.d.unique && sp.last.ms == ms {
		s.other = s.other || sp.last.other
		return sp.last.pos, sp.last.vel
	}
	beta := [3][maxDegree + 1]float64{sp.axis[0].beta, sp.axis[1].beta, sp.axis[2].beta}
	other := false
	if s.d != nil {
		for i, f := range sp.axis[0].frames {
			jitter, lasting := s.d.scatter(p, f)
			if by, taken := s.d.reading(p, f); taken {
				lasting, other = r3.Add(lasting, by), true
			}
			for a := range sp.axis {
				l := &sp.axis[a]
				e := axisOf(jitter, a)*l.inflate + axisOf(lasting, a)
				for k := 0; k <= l.degree; k++ {
					beta[a][k] += l.w[k][i] * e
				}
			}
		}
		for a := range sp.axis {
			z := axisOf(s.d.curve[p], a)
			for k := 0; k <= sp.axis[a].degree; k++ {
				beta[a][k] += z * sp.axis[a].bias[k]
			}
		}
	}
	var x, v [3]float64
	for a := range sp.axis {
		x[a], v[a] = sp.axis[a].read(&beta[a], ms)
	}
	pos, vel = r3.Vec{X: x[0], Y: x[1], Z: x[2]}, r3.Vec{X: v[0], Y: v[1], Z: v[2]}
	if s.d != nil {
		s.other = s.other || other
		sp.last = recall{s.d.unique, ms, pos, vel, other}
	}
	return pos, vel
}

// place puts a reading into the swing frame: depth for planar readings, then
// the errors all points share.
func (s *scene) place(p point, pos, vel r3.Vec, ms float64) (r3.Vec, r3.Vec) {
	if !s.m.solved {
		yaw, z, height := s.m.flat.yaw, s.depth[p].mean, float64(cameraHeightIn)
		if s.d != nil {
			yaw += s.d.yaw
			z += s.d.depth[p].at(ms).X
			height += s.d.height
		}
		pos, vel = s.m.flat.place(pos, vel, yaw, z, height)
	}
	if s.d == nil {
		return pos, vel
	}
	pos, vel = s.turn(pos), s.turn(vel)
	return r3.Scale(s.d.length, pos), r3.Scale(s.d.length/s.d.time, vel)
}

// turn applies the draw's turns of the camera about the hitter: about the
// vertical, in the picture plane, and about the picture's horizontal.
func (s *scene) turn(v r3.Vec) r3.Vec {
	if s.d == nil {
		return v
	}
	if s.m.solved { // planar readings took the yaw in place
		v = about(r3.Vec{Y: 1}, s.d.yaw, v)
	}
	across := r3.Vec{X: s.m.toCamera.Z, Z: -s.m.toCamera.X}
	return about(across, s.d.pitch, about(s.m.toCamera, s.d.roll, v))
}

// about turns a vector about a unit axis (Rodrigues' formula).
func about(axis r3.Vec, angle float64, v r3.Vec) r3.Vec {
	if angle == 0 {
		return v
	}
	sin, cos := math.Sincos(angle)
	return r3.Add(r3.Scale(cos, v), r3.Add(r3.Scale(sin, r3.Cross(axis, v)), r3.Scale(r3.Dot(axis, v)*(1-cos), axis)))
}

func axisOf(v r3.Vec, a int) float64 {
	switch a {
	case 0:
		return v.X
	case 1:
		return v.Y
	}
	return v.Z
}

// jolted reports whether the ball's blow reaches a point within a frame: its
// path has a corner at contact.
func jolted(p point) bool {
	switch leftOf(p) {
	case vision.LeftWrist, vision.LeftHand:
		return true
	}
	return p.bat()
}

// knotMs is the spacing of fitted lines: a reading moves at most 2 ms from where
// its window was chosen, less than a tenth of keepMs.
const knotMs = 4

func (r *reading) key(p point, at moment, order int) (spotKey, float64) {
	anchor := r.events[at.anchor].Ms
	k := int(math.Round((at.ms - anchor) / knotMs))
	return spotKey{int32(k), int8(p), int8(at.anchor), int8(order), at.before}, anchor + float64(k)*knotMs
}

func (r *reading) spot(p point, at moment, order int) *spot {
	key, t0 := r.key(p, at, order)
	if sp, ok := r.spots[key]; ok {
		return sp
	}
	sp := r.fitSpot(p, t0, order, at.before)
	r.spots[key] = sp
	return sp
}

// near lists the frames around t0 for which ok holds, nearest first, within
// windowMs (further only to make up three), on one side of the corner for jolted
// points.
func (r *reading) near(t0 float64, jolted, before bool, ok func(i int) bool) []int {
	times := r.m.times
	hi, _ := slices.BinarySearch(times, t0)
	lo := hi - 1
	var out []int
	for (lo >= 0 || hi < len(times)) && len(out) < maxPoints {
		i := hi
		if hi >= len(times) || lo >= 0 && t0-times[lo] <= times[hi]-t0 {
			i = lo
			lo--
		} else {
			hi++
		}
		if gap := math.Abs(times[i] - t0); gap > windowMs && len(out) >= 3 || gap > 2*windowMs {
			break
		}
		if jolted && (before && times[i] > r.corner || !before && times[i] < r.corner) {
			continue
		}
		if ok(i) {
			out = append(out, i)
		}
	}
	return out
}

// reachMs is how far the nearest frame with the point may be from the instant:
// a frame and a half, or 20 ms where slow cameras are not the cause.
func (r *reading) reachMs(t0 float64) float64 { return max(1.5*spacing(r.m.times, t0), 20) }

func (r *reading) fitSpot(p point, t0 float64, order int, before bool) *spot {
	samples := r.m.points[p]
	frames := r.near(t0, jolted(p), before, func(i int) bool { return samples[i].ok })
	if len(frames) < order+2 || math.Abs(r.m.times[frames[0]]-t0) > r.reachMs(t0) {
		reason := ReasonLandmark
		if p.bat() {
			reason = ReasonBat
		}
		return &spot{why: &missing{reason, p.String()}}
	}
	lo, hi := samples[frames[0]].at, samples[frames[0]].at
	for _, i := range frames {
		v := samples[i].at
		lo = r3.Vec{X: min(lo.X, v.X), Y: min(lo.Y, v.Y), Z: min(lo.Z, v.Z)}
		hi = r3.Vec{X: max(hi.X, v.X), Y: max(hi.Y, v.Y), Z: max(hi.Z, v.Z)}
	}
	tau, sigma := make([]float64, len(frames)), make([]float64, len(frames))
	for j, i := range frames {
		tau[j] = (r.m.times[i] - t0) / unitMs
		sigma[j] = r.m.jitterSigma(p, r3.Norm(samples[i].sigma)/math.Sqrt(3))
	}
	span := r.spanMs(frames)
	n, degree := window(tau, sigma, order, pace{r3.Norm(r3.Sub(hi, lo)) / span / math.Sqrt(3), keepMs})
	sp := &spot{}
	y := make([]float64, n)
	for a := range sp.axis {
		for j, i := range frames[:n] {
			y[j] = axisOf(samples[i].at, a)
			sigma[j] = r.m.jitterSigma(p, axisOf(samples[i].sigma, a))
		}
		sp.axis[a] = fitLine(t0, degree, tau[:n], y, sigma[:n], pace{axisOf(r3.Sub(hi, lo), a) / span, keepMs})
		sp.axis[a].frames = frames[:n]
	}
	for _, i := range frames[:n] {
		if samples[i].seen {
			sp.seen++
		}
	}
	return sp
}

// keepMs is how long a motion keeps its speed. In published swings the hips'
// speed rises for about 100 ms, from foot down to a peak 75 ms before contact,
// the shoulders' peaks 10 ms later and the bat's 15 ms before contact (Welch et
// al. 1995, J Orthop Sports Phys Ther 22(5):193-201, times from memory). A sine
// that rises for 100 ms changes by its own size in 64 ms; half of that stands
// for the sharper peaks, landing feet and whipping wrists of single swings.
const keepMs = 30.0

// Windows weigh curvature against what jitters: what lasts does not average out
// over them. On a path, where nothing jitters, these stand in, so that windows
// stay narrow: a tenth of an inch, and for velocities 1 in/s, a thousandth of a
// bat's speed.
const (
	pathSigmaIn    = .1
	pathSigmaInPer = 1
)

// jitterSigma is the part of a point's standard error along an axis that
// jitters from frame to frame.
func (m *motion) jitterSigma(p point, sigma float64) float64 {
	floor := sigmaFloorIn
	if m.lasting > 0 {
		floor = pathSigmaIn
	}
	if p.velocity() {
		return pathSigmaInPer
	}
	return max(sigma*math.Sqrt(1-m.lasting), floor)
}

func (r *reading) spanMs(frames []int) float64 {
	first, last := slices.Min(frames), slices.Max(frames)
	return r.m.times[last] - r.m.times[first]
}

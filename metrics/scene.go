package metrics

import (
	"math"

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
	fits    *fits  // shared with readings apart
	spots   map[spotKey]*heldSpot
	bats    map[spotKey]*heldBat
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
	if s.d != nil && sp.last.draw == s.d.unique && sp.last.ms == at.ms {
		s.other = s.other || sp.last.other
		return sp.last.pos, sp.last.vel
	}
	s.log.note(s.m, p, sp.axis[0].frames, sp.seen)
	pos, vel, other := s.raw(p, sp.spot, at.ms)
	if s.d != nil && !p.bat() {
		pos = r3.Add(s.away(pos, s.d.bodyDepth), s.d.joint[p].at(at.ms))
		if order > 0 {
			vel = r3.Add(vel, s.d.joint[p].rate(at.ms))
		}
	} else if s.d != nil {
		pos = s.away(pos, s.d.batDepth)
	}
	pos, vel = s.place(p, pos, vel, at.ms)
	if s.d != nil {
		s.other = s.other || other
		sp.last = recall{s.d.unique, at.ms, pos, vel, other}
	}
	return pos, vel
}

// away moves a solved place along the ray on which the camera sees it.
func (s *scene) away(pos r3.Vec, by float64) r3.Vec {
	if by == 0 {
		return pos
	}
	return r3.Add(pos, r3.Scale(by, r3.Unit(r3.Sub(pos, s.m.camera))))
}

// raw reads a point's lines with the draw's scatter, before errors that all
// points share; other says that an arm was read the other way.
func (s *scene) raw(p point, sp *spot, ms float64) (pos, vel r3.Vec, other bool) {
	beta := [3][maxDegree + 1]float64{sp.axis[0].beta, sp.axis[1].beta, sp.axis[2].beta}
	if s.d != nil {
		var e [3][maxPoints]float64
		other = s.d.errors(p, sp, &e)
		if z := s.d.curve[p]; sp.even {
			shift3(&sp.axis, &beta, &e, z)
		} else {
			for a := range sp.axis {
				sp.axis[a].shift(&beta[a], e[a][:len(sp.axis[a].frames)], axisOf(z, a))
			}
		}
	}
	var x, v [3]float64
	for a := range sp.axis {
		x[a], v[a] = sp.axis[a].read(&beta[a], ms)
	}
	return r3.Vec{X: x[0], Y: x[1], Z: x[2]}, r3.Vec{X: v[0], Y: v[1], Z: v[2]}, other
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
	t := &s.d.turned
	return r3.Vec{X: t[0].X*v.X + t[1].X*v.Y + t[2].X*v.Z, Y: t[0].Y*v.X + t[1].Y*v.Y + t[2].Y*v.Z, Z: t[0].Z*v.X + t[1].Z*v.Y + t[2].Z*v.Z}
}

// turning is where the draw's turns take the three axes.
func (d *draw) turning() (t [3]r3.Vec) {
	toCamera := d.motion.toCamera
	across := r3.Vec{X: toCamera.Z, Z: -toCamera.X}
	for i, v := range [3]r3.Vec{{X: 1}, {Y: 1}, {Z: 1}} {
		if d.motion.solved { // planar readings take the yaw in place
			v = about(r3.Vec{Y: 1}, d.yaw, v)
		}
		t[i] = about(across, d.pitch, about(toCamera, d.roll, v))
	}
	return t
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

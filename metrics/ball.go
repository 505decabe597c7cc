package metrics

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"nightcage/phases"
	"nightcage/vision"
)

// ballSight is what a track saw of the ball, with the camera that leads from the
// picture into the swing frame.
type ballSight struct {
	flight *vision.BallFlight
	cam    vision.Camera // of a solution
	origin r3.Vec        // px; the middle of the ankles, for a planar reading
	scale  float64       // px per inch, for a planar reading
	timed  bool
}

func newBallSight(t *vision.Track, m *motion) ballSight {
	b := ballSight{flight: toldFlight(t), scale: t.Scale.PxPerIn, timed: t.Clip.Clock.Known}
	if m.solved {
		b.cam = t.Solution.Camera
		return b
	}
	all := make([]int, len(t.Frames))
	for i := range all {
		all[i] = i
	}
	b.origin, _ = planarOrigin(t, all)
	return b
}

// toldFlight is the ball's flight as far as it agrees with where the ball came
// from by who filmed it: a teed ball has no way in, a pitched one did not lie
// still, and where there was no ball none flew.
func toldFlight(t *vision.Track) *vision.BallFlight {
	if t.Ball == nil || t.Subject.Ball == "" {
		return t.Ball
	}
	f := *t.Ball
	switch {
	case t.Subject.Ball == vision.FromNone:
		return nil
	case t.Subject.Ball == vision.FromTee && f.Kind != vision.BallNone:
		f.Kind, f.In = vision.BallTee, nil
	case t.Subject.Ball == vision.FromPitch && f.Kind == vision.BallTee:
		f.Kind = vision.BallBatted
	}
	return &f
}

// ballNotes says what the record rests on where the picture and who filmed it
// disagree about the ball, or where neither knows.
func ballNotes(t *vision.Track, result phases.Result) []string {
	seen := vision.BallNone
	if t.Ball != nil {
		seen = t.Ball.Kind
	}
	told := t.Subject.Ball
	switch {
	case told == vision.FromNone && seen != vision.BallNone:
		return []string{"told as a dry swing, but a ball seems to fly in the picture: it is not used"}
	case told == vision.FromNone:
		return []string{"a dry swing, as told: contact is where the bat would have met a ball, by its path"}
	case told == vision.FromTee && seen == vision.BallPitched:
		return []string{"told as hit off a tee, but a ball seems to come in: its way in is not used"}
	case told == vision.FromPitch && seen == vision.BallTee:
		return []string{"told as a pitched ball, but it seems to lie still until it is hit: its way in was not seen"}
	case told != "" && t.Ball != nil && seen == vision.BallNone:
		return []string{"the ball could not be seen"}
	case t.Ball != nil && seen == vision.BallNone && result == phases.ResultUnknown:
		return []string{"no ball in view: a dry swing, or a ball that could not be seen; tell which when you submit the clip"}
	}
	return nil
}

// headings is what is known of the direction of a flight seen from above before
// its picture is read: degrees from the line to the pitcher, + toward +Z, normal
// about 0 and cut off at limit. gridDeg is the step in which headings are
// weighed.
type headings struct {
	sigma, limit, gridDeg float64
}

// Priors of headings (common practice, no source).
var (
	// A ball thrown, fed or tossed from the front is let go within 2 ft of the
	// middle and crosses within a plate's width: 2 to 3 deg from mound or
	// machine, 4 from a front toss of 20 ft.
	pitchHeadings = headings{3, 10, .5}
	// What comes slower than sideTossMph may be tossed from beside the hitter.
	tossHeadings = headings{30, 75, 2}
	// Most batted balls leave within 20 deg of the middle; fair ground ends at
	// 45, and some fouls past it are still seen to go out.
	battedHeadings = headings{20, 60, 1}
)

const (
	sideTossMph = 30
	// nearingFloorPerS keeps a nearing rate claimed exact from falling between
	// two headings of the grid: at 60 mph and 12 ft a degree changes it by .13/s.
	nearingFloorPerS = .1
	// alongBatSigmaIn is how far from the sweet spot along the barrel balls are
	// met (common practice, no source).
	alongBatSigmaIn = 2.5
	gravityInS2     = 386.09 // 9.80665 m/s^2
	// liftSigma is what spin adds to a flight's fall, a share of gravity: a
	// fastball's lift and a curve's drop are about half of it (Nathan's reckoning
	// of pitch descents, see standards_test.go).
	liftSigma = .5
	// staleMs is how long before or after contact the last sight of the ball may
	// be: in it gravity turns a 60 mph pitch by 3 deg.
	staleMs = 150
)

// plateDepth is where across the plate balls are met, inches from the ankles'
// line: 14.5 in from the inner line of the batter's box to the plate's middle
// (rule books: 6 in gap, 17 in plate), a shoe's 8 in from ankle to toe, toes some
// 4 in off the line; within the plate's half width.
var plateDepth = spread{26.5, 7}

// ballDraw is the draw's errors of the ball: standard normal but for the
// quantiles of headings.
type ballDraw struct {
	x, y, along, depth float64
	spray              float64 // 0..1
	in, out            wayDraw
}

type wayDraw struct {
	angle, speed, lift float64
	heading            float64 // 0..1
}

func (d *draw) nextBall() {
	d.ball = ballDraw{in: wayDraw{heading: .5}, out: wayDraw{heading: .5}}
	if !d.on[FromBall] {
		return
	}
	rng := d.stream(streamBall, 0)
	b := &d.ball
	for _, z := range []*float64{&b.x, &b.y, &b.along, &b.depth, &b.in.angle, &b.in.speed, &b.in.lift, &b.out.angle, &b.out.speed, &b.out.lift} {
		*z = rng.NormFloat64()
	}
	b.in.heading, b.out.heading = rng.Float64(), rng.Float64()
	b.spray = rng.Float64()
}

// flight is the ball's flight, once the view lets it be read.
func (s *scene) flight() *vision.BallFlight {
	f := s.sight.flight
	switch {
	case s.why != nil:
		return nil
	case s.subject.Ball == vision.FromNone:
		s.fail(ReasonNoBall, "")
		return nil
	case f == nil:
		s.fail(ReasonBallNotSeen, "no ball was looked for")
		return nil
	case f.Kind == vision.BallNone:
		s.fail(ReasonBallNotSeen, f.Why)
		return nil
	}
	if s.m.solved {
		c := s.sight.cam.Centre
		yaw := deg(math.Atan2(c.X, c.Z))
		if off := math.Abs(math.Mod(math.Abs(yaw)+90, 180) - 90); off > planarYawLimitDeg {
			s.fail(ReasonView, "the ball's flight is read from the side")
			return nil
		}
	}
	return f
}

// pitch is the way in, hit the way off the bat.
func (s *scene) pitch() *vision.BallLine {
	if s.subject.Ball == vision.FromTee {
		s.fail(ReasonNoPitch, "hit off a tee, as told")
	}
	f := s.flight()
	switch {
	case f == nil:
	case f.Kind == vision.BallTee:
		s.fail(ReasonNoPitch, "the ball lay on a tee")
	case f.In == nil:
		s.fail(ReasonBallNotSeen, "on its way in")
	default:
		return f.In
	}
	return nil
}

func (s *scene) hit() *vision.BallLine {
	f := s.flight()
	switch {
	case f == nil:
	case f.End == vision.BallPassed:
		s.fail(ReasonNotHit, "")
	case f.Out == nil:
		s.fail(ReasonBallNotSeen, "on its way off the bat")
	default:
		return f.Out
	}
	return nil
}

// eye is the draw's camera. A solution's is known as well as the swing that it
// was solved with: what moves one moves the other, so it stands still and what
// is read through it is turned and scaled afterwards. A planar reading's looks
// level at the hitter from where planar readings take it to be.
func (s *scene) eye() vision.Camera {
	if s.m.solved {
		return s.sight.cam
	}
	yaw, height := s.m.flat.yaw, float64(cameraHeightIn)
	if s.d != nil {
		yaw += s.d.yaw
		height += s.d.height
	}
	sin, cos := math.Sincos(yaw)
	flip := 1.0
	if s.hand.Bats == vision.SideLeft {
		flip = -1
	}
	focal := s.sight.scale * cameraDistanceIn
	return vision.Camera{FocalPx: focal, CX: s.sight.origin.X, CY: s.sight.origin.Y - focal*height/cameraDistanceIn,
		R: [9]float64{flip * cos, 0, -flip * sin, 0, -1, 0, -sin, 0, -cos},
		T: vision.Vec3{Y: height, Z: cameraDistanceIn}}
}

// row is a row of a camera's turn.
func row(c *vision.Camera, i int) r3.Vec {
	return r3.Vec{X: c.R[3*i], Y: c.R[3*i+1], Z: c.R[3*i+2]}
}

// sightLine is where a camera stands and which way it sees a pixel.
func sightLine(c *vision.Camera, x, y float64) (from, along r3.Vec) {
	back := func(v r3.Vec) r3.Vec {
		return r3.Add(r3.Scale(v.X, row(c, 0)), r3.Add(r3.Scale(v.Y, row(c, 1)), r3.Scale(v.Z, row(c, 2))))
	}
	return r3.Scale(-1, back(fromVision(c.T))), back(r3.Vec{X: (x - c.CX) / c.FocalPx, Y: (y - c.CY) / c.FocalPx, Z: 1})
}

// meetingPoint is where, in the camera's own frame, the sight line of the ball
// at contact comes to a depth z: that of its meeting with the bat where that was
// told, else of the given px and standard error.
func (s *scene) meetingPoint(c *vision.Camera, x, y, sigma, z float64) r3.Vec {
	f := s.sight.flight
	if f.MeetSigmaMs > 0 {
		x, y = f.MeetX, f.MeetY
		if f.In != nil {
			sigma = math.Hypot(f.In.SigmaPx, f.In.SpeedPxS*f.MeetSigmaMs/1000)
		}
	}
	if s.d != nil {
		x += s.d.ball.x * sigma
		y += s.d.ball.y * sigma
	}
	from, along := sightLine(c, x, y)
	return r3.Add(from, r3.Scale((z-from.Z)/along.Z, along))
}

// overPlate and onBarrel are the depth of the meeting of bat and ball in the
// camera's own frame, +Z inches: over the plate, or where the bat's sweet spot
// is.
func (s *scene) overPlate() float64 {
	if s.d == nil {
		return plateDepth.mean
	}
	return plateDepth.mean + plateDepth.sigma*s.d.ball.depth
}

func (s *scene) onBarrel() float64 {
	b := s.bat(s.at(phases.Contact))
	if s.why != nil {
		return math.NaN()
	}
	in := sweetSpot(b)
	if s.d == nil {
		p, _ := b.along(in)
		return p.Z
	}
	p, _ := b.along(in + alongBatSigmaIn*s.d.ball.along)
	return r3.Dot(p, s.turn(r3.Vec{Z: 1})) / s.d.length
}

// way is one stretch of the flight on its way into space.
type way struct {
	*scene
	line     *vision.BallLine
	cam      vision.Camera
	through  r3.Vec // where bat and ball meet
	du, dv   float64
	out      float64 // 1 toward the pitcher, -1 toward the catcher
	fall     float64 // in/s to add to the upward speed for the time from sight to contact
	prior    headings
	quantile float64
}

// newWay prepares a line at a depth of the meeting.
func (s *scene) newWay(l *vision.BallLine, out float64, z float64) *way {
	if s.why != nil {
		return nil
	}
	w := &way{scene: s, line: l, cam: s.eye(), out: out, prior: battedHeadings, quantile: .5}
	angle, speed, lift := l.AngleDeg, l.SpeedPxS, 0.0
	if s.d != nil {
		wd := s.d.ball.in
		if out > 0 {
			wd = s.d.ball.out
		}
		angle += wd.angle * l.AngleSigmaDeg
		speed += wd.speed * l.SpeedSigmaPxS
		lift, w.quantile = wd.lift*liftSigma, wd.heading
	}
	sin, cos := math.Sincos(angle * math.Pi / 180)
	if !l.Right {
		cos = -cos
	}
	w.du, w.dv = speed*cos, -speed*sin
	x, y := l.X, l.Y
	if m := s.at(phases.Contact); s.sight.timed && s.why == nil {
		// A line met by the bat is read at contact. One that was lost before it, or
		// flew past the bat, is carried there; the contact's own error is left out,
		// for it moves line and reading alike.
		late := (s.events[m.anchor].Ms - l.Ms) / 1000
		if math.Abs(late)*1000 > staleMs {
			s.fail(ReasonBallNotSeen, fmt.Sprintf("within %d ms of contact", staleMs))
		}
		w.fall = -gravityInS2 * (1 - lift) * late
		x, y = x+w.du*late, y+w.dv*late
	}
	if s.why != nil {
		return nil
	}
	w.through = s.meetingPoint(&w.cam, x, y, l.SigmaPx, z)
	if s.log != nil {
		s.log.ball = true
		s.log.first, s.log.last = min(s.log.first, l.First), max(s.log.last, l.Last)
	}
	if out > 0 {
		return w
	}
	w.prior = pitchHeadings
	if v, _, ok := w.along(0); ok && s.sight.timed && r3.Norm(v)*mphPerInS < sideTossMph {
		w.prior = tossHeadings
	}
	return w
}

// along is the ball's velocity, inches per second in the camera's own frame,
// if it flies at a heading (radians from the line to or from the pitcher, + toward
// +Z), and how fast it then nears the camera as a share of its depth, per
// second. The flight stays in the upright plane through the meeting of bat and
// ball; with (u, v) the picture's place of a point at camera coordinates c,
//
//	du/dt = f/cz (R1 - cx/cz R3).v,  dv/dt = f/cz (R2 - cy/cz R3).v
//
// is solved for the speed along the heading and the speed upward. ok is false
// when the ball would fly the other way.
func (w *way) along(heading float64) (vel r3.Vec, nearing float64, ok bool) {
	sin, cos := math.Sincos(heading)
	dir, normal := r3.Vec{X: w.out * cos, Z: sin}, r3.Vec{X: -sin, Z: w.out * cos}
	from, sight := sightLine(&w.cam, w.line.X, w.line.Y)
	at := r3.Add(from, r3.Scale(r3.Dot(r3.Sub(w.through, from), normal)/r3.Dot(sight, normal), sight))
	r1, r2, r3rd := row(&w.cam, 0), row(&w.cam, 1), row(&w.cam, 2)
	cx, cy, cz := r3.Dot(r1, at)+w.cam.T.X, r3.Dot(r2, at)+w.cam.T.Y, r3.Dot(r3rd, at)+w.cam.T.Z
	if !(cz > 1) {
		return vel, 0, false
	}
	k := w.cam.FocalPx / cz
	ju := r3.Scale(k, r3.Sub(r1, r3.Scale(cx/cz, r3rd)))
	jv := r3.Scale(k, r3.Sub(r2, r3.Scale(cy/cz, r3rd)))
	a, b, c, d := r3.Dot(ju, dir), ju.Y, r3.Dot(jv, dir), jv.Y
	det := a*d - b*c
	along, up := (w.du*d-b*w.dv)/det, (a*w.dv-c*w.du)/det
	vel = r3.Add(r3.Scale(along, dir), r3.Vec{Y: up})
	nearing = -r3.Dot(r3rd, vel) / cz
	vel.Y += w.fall
	return vel, nearing, along > 0 && finite(along, up)
}

// over reads something of the velocity over the headings that prior and nearing
// rate leave: its mean for the swing as read, and at a drawn quantile of the
// heading for a draw. The likelihood of a heading is that of the measured nearing
// rate, normal about what the heading gives.
func (w *way) over(of func(vel r3.Vec) float64) float64 {
	if w == nil || w.why != nil {
		return math.NaN()
	}
	sigma := math.Hypot(w.line.NearingSigmaPerS, nearingFloorPerS)
	n := int(2*w.prior.limit/w.prior.gridDeg) + 1
	weight, value := make([]float64, n), make([]float64, n)
	total, turned := 0.0, 0.0
	if w.d != nil && w.m.solved {
		// Headings are usual in the true swing frame; the camera's own is the
		// draw's yaw away from it.
		turned = w.out * w.d.yaw
	}
	for i := range weight {
		at := -w.prior.limit + float64(i)*w.prior.gridDeg
		vel, nearing, ok := w.along(at*math.Pi/180 + turned)
		if !ok {
			continue
		}
		chi2 := at * at / (w.prior.sigma * w.prior.sigma)
		if w.line.NearingSigmaPerS > 0 {
			off := (nearing - w.line.NearingPerS) / sigma
			// A rate far from every heading says that it is wrong, not which
			// heading is least bad.
			chi2 += min(off*off, nearingWild*nearingWild)
		}
		weight[i] = math.Exp(-chi2 / 2)
		value[i] = of(w.place(vel))
		total += weight[i]
	}
	if !(total > 0) {
		w.fail(ReasonUndefined, "the ball does not fly between the hitter and the field")
		return math.NaN()
	}
	if w.d == nil {
		mean := 0.0
		for i := range weight {
			mean += weight[i] / total * value[i]
		}
		return mean
	}
	// The quantile falls evenly within its step of the grid.
	left := w.quantile * total
	for i := range weight {
		if left > weight[i] || weight[i] == 0 {
			left -= weight[i]
			continue
		}
		j, part := i+1, left/weight[i]-.5
		if part < 0 {
			j = i - 1
		}
		if j < 0 || j >= n || weight[j] == 0 {
			return value[i]
		}
		return value[i] + math.Abs(part)*(value[j]-value[i])
	}
	return value[n-1]
}

// nearingWild is how many standard errors a nearing rate may pull.
const nearingWild = 4

// place puts a velocity into the draw's swing frame. The ball is as near the
// camera as the barrel, so the barrel's scale error is its own.
func (w *way) place(vel r3.Vec) r3.Vec {
	if w.d == nil {
		return vel
	}
	return r3.Scale(w.d.bat/w.d.time, w.turn(vel))
}

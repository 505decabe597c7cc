package metrics

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"nightcage/phases"
	"nightcage/vision"
)

const roleBall = "ball"

func ballEntry(id, name, unit, ucum, definition, sign string, useful float64, landmarks []string, f func(*scene) float64) entry {
	e := bat(id, name, unit, ucum, definition, sign, useful, landmarks, f, phases.Contact)
	e.Group = GroupBall
	e.NeedsClock = e.NeedsClock || id == "collision_efficiency_contact" // its speeds are

	return e
}

// climbXY is the angle above horizontal of a velocity in the plane of +X and +Y.
func climbXY(v r3.Vec) float64 { return deg(math.Atan2(v.Y, math.Abs(v.X))) }

func mphOf(v r3.Vec) float64 { return r3.Norm(v) * mphPerInS }

func pitchClimb(s *scene) float64 { return s.newWay(s.pitch(), -1, s.overPlate()).over(climbXY) }

// ballEntries are read from a side view within planarYawLimitDeg of square:
// from elsewhere the ball flies too nearly along the line of sight.
//
// Useful bounds: descents of pitches span some 5 deg (6 fastball, 10 curve) and
// launch angles that go from ground ball to fly 25; a pitch changes its name by
// 5 mph; a plate is 17 in deep.
func ballEntries() []entry {
	mph := "[mi_i]/h"
	planarAngle := func(e entry) entry { e.View, e.NeedsBat = NeedSide, false; return e }
	return append([]entry{
		planarAngle(ballEntry("pitch_descent_contact", "pitch descent", "deg", "deg",
			"angle below horizontal of the pitched ball's velocity just before contact, -atan2(vy, |vx|), in the plane of +X and +Y; needs a camera at the side", "+ downward", 2, []string{roleBall},
			func(s *scene) float64 { return -pitchClimb(s) })),
		ballEntry("pitch_speed_contact", "pitch speed at contact", "mph", mph,
			"speed of the pitched ball just before contact; the part along the line of sight is taken from how fast the ball nears the camera and from pitches' usual headings; needs a camera at the side", "0 or more", 3, []string{roleBall, roleKnob, roleTip},
			func(s *scene) float64 { return s.newWay(s.pitch(), -1, s.onBarrel()).over(mphOf) }),
		ballEntry("pitch_to_attack_contact", "attack angle against pitch descent", "deg", "deg",
			"attack_angle_contact minus pitch_descent_contact; needs a camera at the side", "0 barrel on the pitch's plane, + barrel steeper upward than the pitch comes down", 5, []string{roleBall, roleKnob, roleTip},
			func(s *scene) float64 { return attackAngle(s) + pitchClimb(s) }),
		placed(ballEntry("contact_depth_contact", "contact depth", "in", "[in_i]",
			"x of the ball's centre minus x of the lead ankle, at contact; the ball is placed at the depth of the sweet spot; needs a camera at the side", "+ ball nearer the pitcher than the front ankle", 3, []string{roleBall, roleKnob, roleTip, roleLeadAnkle},
			contactDepth)),
		planarAngle(ballEntry("launch_angle_contact", "launch angle, seen from the side", "deg", "deg",
			"angle above horizontal of the ball's velocity off the bat, atan2(vy, |vx|), in the plane of +X and +Y (a ball hit at a spray angle s climbs at atan(tan(launch) cos(s)) in three dimensions); needs a camera at the side", "+ upward", 4, []string{roleBall},
			func(s *scene) float64 { return s.newWay(s.hit(), 1, s.overPlate()).over(climbXY) })),
		ballEntry("collision_efficiency_contact", "collision efficiency", "1", "1",
			"(launch_speed_contact - bat speed) / (pitch_speed_contact + bat speed), bat speed where the ball was met; about .2 at the sweet spot of a wood bat (Nathan 2003, Am J Phys 71:134-143), less for a ball not met squarely; needs a camera at the side", "0 a dead bat, 1 a wall", .06, []string{roleBall, roleKnob, roleTip},
			func(s *scene) float64 {
				in, out := s.newWay(s.pitch(), -1, s.onBarrel()).over(mphOf), s.newWay(s.hit(), 1, s.onBarrel()).over(mphOf)
				return collisionEfficiency(in, speed(s, s.meetingAlong, s.at(phases.Contact)), out)
			}),
		ballEntry("launch_speed_contact", "launch speed", "mph", mph,
			"speed in three dimensions of the ball off the bat; the part along the line of sight is taken from how fast the ball nears the camera and from batted balls' usual spray; needs a camera at the side", "0 or more", 6, []string{roleBall, roleKnob, roleTip},
			func(s *scene) float64 { return s.newWay(s.hit(), 1, s.onBarrel()).over(mphOf) }),
	}, lineEntries()...)
}

// collisionEfficiency is q of exit speed = q pitch + (1 + q) bat (Nathan 2003, Am J
// Phys 71:134-143): what the collision gives back. All speeds alike.
func collisionEfficiency(pitch, bat, exit float64) float64 {
	return (exit - bat) / (pitch + bat)
}

func contactDepth(s *scene) float64 {
	f := s.flight()
	switch {
	case f == nil:
		return math.NaN()
	case f.End == vision.BallPassed:
		s.fail(ReasonNotHit, "")
	case !(f.MeetSigmaMs > 0):
		s.fail(ReasonBallNotSeen, "where it met the bat could not be told")
	}
	line := f.Out
	if line == nil {
		line = f.In
	}
	if line == nil {
		s.fail(ReasonBallNotSeen, "in flight")
	}
	z, m := s.onBarrel(), s.at(phases.Contact)
	ankle := s.pos(s.lead(vision.LeftAnkle), m)
	if s.why != nil {
		return math.NaN()
	}
	c := s.eye()
	at := s.turn(s.meetingPoint(&c, line.X, line.Y, line.SigmaPx, z))
	if s.d != nil {
		at = r3.Scale(s.d.length, at)
	}
	if s.log != nil {
		s.log.ball = true
	}
	return at.X - ankle.X
}

package metrics

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"nightcage/phases"
	"nightcage/vision"
)

// Measures that follow the swing past contact, and others that a coach asks for
// beside those of one instant.

// headRadiusShare is the head's radius as a share of standing height: half of
// the .130 that head and chin take of it (Drillis and Contini 1966, from
// memory).
const headRadiusShare = .065

func (s *scene) moved(p point, from, to phases.EventID) r3.Vec {
	return r3.Sub(s.pos(p, s.at(to)), s.pos(p, s.at(from)))
}

// largestHeadTravel is the largest distance of the head, in the plane of +X and
// +Y, from where it was at toe touch.
func largestHeadTravel(until phases.EventID) func(*scene) float64 {
	return func(s *scene) float64 {
		far := 0.0
		var start r3.Vec
		for i, m := range s.between(phases.ToeTouch, until, 24) {
			at := s.pos(pointHead, m)
			if i == 0 {
				start = at
			}
			far = max(far, math.Hypot(at.X-start.X, at.Y-start.Y))
		}
		return far
	}
}

// weightForward is how long before contact the centre of mass passes the middle
// of the base for good, ms.
func weightForward(s *scene) float64 {
	all := s.between(phases.LoadStart, phases.Contact, 12)
	last, before := math.NaN(), math.NaN()
	for i := len(all) - 1; i >= 0 && s.why == nil; i-- {
		share := alongBase(s, s.massAt(all[i]).X, all[i])
		if share < .5 {
			if i == len(all)-1 {
				before = math.Inf(-1)
				break
			}
			t := all[i].ms + (all[i+1].ms-all[i].ms)*(.5-share)/(last-share)
			before = all[len(all)-1].ms - t
			break
		}
		last = share
	}
	if s.why == nil && s.d == nil && !(before >= 0) {
		s.fail(ReasonUndefined, "the weight does not pass the middle of the base between the load and contact")
	}
	if s.d != nil {
		before *= s.d.time
	}
	return before
}

func throughEntries() []entry {
	in := "[in_i]"
	toe, plant, parallel, contact, extension, finish := phases.ToeTouch, phases.HeelPlant, phases.BatParallel, phases.Contact, phases.FullExtension, phases.Finish
	head := []string{roleHead}
	stretch := "+ toward the pitcher"
	arm := []string{"lead elbow", "lead wrist", roleKnob, roleTip}
	circle := posture("head_travel_over_radius_contact", "head travel to contact in head radii", "1", "1", "head_travel_largest_contact over the head's radius (.065 of standing height; Drillis and Contini 1966, from memory)", "up to 1 the head stays inside its own circle", .3, head,
		func(s *scene) float64 { return largestHeadTravel(contact)(s) / (headRadiusShare * s.subject.HeightIn) }, toe, contact)
	circle.height, circle.NeedsScale = true, true
	speed := base("hip_speed_peak", "hips' peak forward speed", "mph", "[mi_i]/h", "largest x part of the velocity of mid-hips from toe touch to contact", stretch, .4, []string{roleHips},
		largest(toe, contact, 24, func(s *scene, m moment) float64 {
			_, a := s.moving(point(vision.LeftHip), m)
			_, b := s.moving(point(vision.RightHip), m)
			return (a.X + b.X) / 2 * mphPerInS
		}), toe, contact)
	speed.NeedsScale, speed.NeedsClock = true, true
	weight := base("weight_forward_time_contact", "weight forward to contact", "ms", "ms", "capture time from the last instant at which the centre of mass is behind the middle of the base (mass_over_base below .5) to contact", "0 or more", 40, []string{roleWholeBody},
		weightForward, phases.LoadStart, contact)
	weight.NeedsClock = true
	opening := func(id, name, definition string, from, to phases.EventID) entry {
		return bat(id, name, "deg", "deg", definition, "+ opens", 10, arm, func(s *scene) float64 { return forearmBat(s, to) - forearmBat(s, from) }, from, to)
	}
	elbow := bent(bat("lead_elbow_angle_extension", "lead elbow at full extension", "deg", "deg", "lead elbow's inner angle between upper arm (elbow to shoulder) and forearm (elbow to wrist), in three dimensions, at full extension", "180 straight", 12, []string{"lead shoulder", "lead elbow", "lead wrist"},
		elbowAt((*scene).lead, extension), extension))
	elbow.NeedsBat = false
	return []entry{
		circle,
		posture("head_forward_finish", "head forward to the finish", "in", in, "x of the head's centre at the finish minus at toe touch", stretch, 1.5, head,
			func(s *scene) float64 { return s.moved(pointHead, toe, finish).X }, toe, finish),
		posture("hands_over_shoulder_toe_touch", "hands above the back shoulder at toe touch", "in", in, "y of the middle of the hands minus y of the back shoulder, at toe touch", "+ hands higher", 2, []string{roleHands, roleBackShould},
			func(s *scene) float64 {
				m := s.at(toe)
				return s.mid(vision.LeftHand, m).Y - s.pos(s.rear(vision.LeftShoulder), m).Y
			}, toe),
		posture("mass_over_base_finish", "weight over the base at the finish", "1", "1", "as mass_over_base_contact, at the finish", "0 over the back ankle, 1 over the lead ankle", .08, []string{roleWholeBody}, massOverBase(finish), finish),
		weight,
		bent(solved(base("back_knee_angle_plant", "back knee at heel plant", "deg", "deg", "back knee's inner angle between thigh (knee to hip) and shank (knee to ankle), in three dimensions, at heel plant", "180 straight", 8, []string{roleBackHip, roleBackKnee, roleBackAnkle}, backKnee(plant), plant))),
		base("back_foot_slide_finish", "back foot slide to the finish", "in", in, "x of the ball of the back foot (.72 of the way from heel to toe) at the finish minus at toe touch", stretch, 1.5, []string{roleBackHeel, roleBackToe},
			func(s *scene) float64 { return ballOfFoot(s, finish).X - ballOfFoot(s, toe).X }, toe, finish),
		base("back_heel_lift_finish", "back heel lift at the finish", "in", in, "y of the back heel at the finish minus at toe touch", "+ up", 1.5, []string{roleBackHeel},
			func(s *scene) float64 { return s.moved(s.rear(vision.LeftHeel), toe, finish).Y }, toe, finish),
		extreme(speed),
		opening("forearm_bat_opening_bat_parallel", "forearm-bat opening, plant to bat parallel", "forearm_bat_angle_bat_parallel minus forearm_bat_angle_plant", plant, parallel),
		opening("forearm_bat_opening_contact", "forearm-bat opening, bat parallel to contact", "forearm_bat_angle_contact minus forearm_bat_angle_bat_parallel", parallel, contact),
		elbow,
	}
}

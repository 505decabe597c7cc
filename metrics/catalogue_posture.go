package metrics

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"nightcage/phases"
	"nightcage/vision"
)

// Roles of points in definitions.
const (
	roleHead       = "head"
	roleShoulders  = "both shoulders"
	roleHips       = "both hips"
	roleAnkles     = "both ankles"
	roleLeadAnkle  = "lead ankle"
	roleLeadToe    = "lead toe"
	roleBackHip    = "back hip"
	roleBackKnee   = "back knee"
	roleBackAnkle  = "back ankle"
	roleBackHeel   = "back heel"
	roleBackToe    = "back toe"
	roleLeadHip    = "lead hip"
	roleLeadKnee   = "lead knee"
	roleKnob       = "knob"
	roleTip        = "tip"
	roleWholeBody  = "whole body"
	roleHands      = "both hands"
	roleBackShould = "back shoulder"
)

func deg(rad float64) float64 { return rad * 180 / math.Pi }

// wrap takes an angle in degrees into (-180, 180].
func wrap(d float64) float64 {
	d = math.Mod(d, 360)
	switch {
	case d > 180:
		return d - 360
	case d <= -180:
		return d + 360
	}
	return d
}

// angleBetween is the angle of two vectors, 0 to 180 deg, by
// atan2(|a x b|, a.b), which stays accurate near 0 and 180.
func angleBetween(a, b r3.Vec) float64 {
	return deg(math.Atan2(r3.Norm(r3.Cross(a, b)), r3.Dot(a, b)))
}

// posture is a measure of posture with its common parts filled in.
func posture(id, name, unit, ucum, definition, sign string, useful float64, landmarks []string, f func(*scene) float64, events ...phases.EventID) entry {
	return entry{Definition: Definition{ID: id, Name: name, Group: GroupPosture, Unit: unit, UCUM: ucum, Definition: definition,
		Sign: sign, Events: events, Landmarks: landmarks, View: NeedSide, NeedsScale: unit == "in", UsefulSigma: useful,
		Source: commonPractice}, formula: f, turn: unit == "deg"}
}

func shoulderTilt(at phases.EventID) func(*scene) float64 {
	return func(s *scene) float64 {
		m := s.at(at)
		d := r3.Sub(s.pos(s.lead(vision.LeftShoulder), m), s.pos(s.rear(vision.LeftShoulder), m))
		return deg(math.Atan2(d.Y, math.Hypot(d.X, d.Z)))
	}
}

func spineTilt(s *scene, at phases.EventID) float64 {
	m := s.at(at)
	d := r3.Sub(s.mid(vision.LeftShoulder, m), s.mid(vision.LeftHip, m))
	return deg(math.Atan2(d.X, d.Y))
}

func spineTiltAt(at phases.EventID) func(*scene) float64 {
	return func(s *scene) float64 { return spineTilt(s, at) }
}

// alongBase is how far x lies from the back ankle (0) to the lead ankle (1).
func alongBase(s *scene, x float64, m moment) float64 {
	back, lead := s.pos(s.rear(vision.LeftAnkle), m).X, s.pos(s.lead(vision.LeftAnkle), m).X
	// Under half a foot apart the feet are no base to be over.
	if s.why == nil && lead-back < 6 {
		s.fail(ReasonUndefined, "the ankles are less than 6 in apart along the swing line")
	}
	return (x - back) / (lead - back)
}

func headOverBase(at phases.EventID) func(*scene) float64 {
	return func(s *scene) float64 {
		m := s.at(at)
		return alongBase(s, s.pos(pointHead, m).X, m)
	}
}

func massOverBase(at phases.EventID) func(*scene) float64 {
	return func(s *scene) float64 {
		m := s.at(at)
		return alongBase(s, s.massAt(m).X, m)
	}
}

// massAt is the body's centre of mass.
func (s *scene) massAt(m moment) r3.Vec {
	female := .5
	if s.d != nil {
		female = s.d.female
	}
	var at [endToe + 1][2]r3.Vec // left, or in the middle; right
	at[endHead][0] = s.pos(pointHead, m)
	for _, e := range pairedEnds {
		left := point(endLandmarks[e])
		at[e] = [2]r3.Vec{s.pos(left, m), s.pos(left+1, m)}
	}
	at[endMidShoulder][0] = r3.Scale(.5, r3.Add(at[endShoulder][0], at[endShoulder][1]))
	at[endMidHip][0] = r3.Scale(.5, r3.Add(at[endHip][0], at[endHip][1]))
	return massCentre(deLeva(female), func(e end, right bool) r3.Vec {
		if right {
			return at[e][1]
		}
		return at[e][0]
	})
}

// headRadiusShare is the head's radius as a share of standing height: half of
// the .130 that head and chin take of it (Drillis and Contini 1966, from
// memory).
const headRadiusShare = .065

// largestHeadTravel is the largest distance of the head, in the plane of +X and
// +Y, from where it was at toe touch, until contact.
func largestHeadTravel(s *scene) float64 {
	far := 0.0
	var start r3.Vec
	for i, m := range s.between(phases.ToeTouch, phases.Contact, 16) {
		p := s.pos(pointHead, m)
		if i == 0 {
			start = p
		}
		far = max(far, math.Hypot(p.X-start.X, p.Y-start.Y))
	}
	return far
}

func postureEntries() []entry {
	shoulders, spine, head := []string{roleShoulders}, []string{roleShoulders, roleHips}, []string{roleHead}
	overHead, overMass := []string{roleHead, roleAnkles}, []string{roleWholeBody}
	tilt := "atan2(dy, hypot(dx, dz)), d from the back to the lead shoulder: the line of the shoulders against the level, at "
	tiltSign := "+ lead shoulder higher"
	spineDef := "angle from vertical of the line from mid-hips to mid-shoulders, atan2(dx, dy), in the plane of +X and +Y, at "
	spineSign := "+ toward the pitcher"
	over := func(what, when string) string {
		return what + ": (x - x of the back ankle) / (x of the lead ankle - x of the back ankle), at " + when
	}
	mass := over("centre of mass of the body along the base", "")
	mass = mass[:len(mass)-len(", at ")] + "; segment table: " + DeLevaTable + "; at "
	baseSign := "0 over the back ankle, 1 over the lead ankle"
	from := phases.ToeTouch
	circle := posture("head_travel_over_radius_contact", "head travel to contact in head radii", "1", "1", "head_travel_largest_contact over the head's radius (.065 of standing height; Drillis and Contini 1966, from memory)", "up to 1 the head stays inside its own circle", .3, head,
		func(s *scene) float64 {
			return largestHeadTravel(s) / (headRadiusShare * s.subject.HeightIn)
		}, from, phases.Contact)
	circle.height, circle.NeedsScale = true, true
	return []entry{
		posture("shoulder_tilt_toe_touch", "shoulder tilt at toe touch", "deg", "deg", tilt+"toe touch", tiltSign, 6, shoulders, shoulderTilt(phases.ToeTouch), phases.ToeTouch),
		posture("shoulder_tilt_plant", "shoulder tilt at heel plant", "deg", "deg", tilt+"heel plant", tiltSign, 6, shoulders, shoulderTilt(phases.HeelPlant), phases.HeelPlant),
		posture("shoulder_tilt_contact", "shoulder tilt at contact", "deg", "deg", tilt+"contact", tiltSign, 8, shoulders, shoulderTilt(phases.Contact), phases.Contact),
		posture("spine_tilt_toe_touch", "spine tilt at toe touch", "deg", "deg", spineDef+"toe touch", spineSign, 5, spine, spineTiltAt(phases.ToeTouch), phases.ToeTouch),
		posture("spine_tilt_plant", "spine tilt at heel plant", "deg", "deg", spineDef+"heel plant", spineSign, 5, spine, spineTiltAt(phases.HeelPlant), phases.HeelPlant),
		posture("spine_tilt_contact", "spine tilt at contact", "deg", "deg", spineDef+"contact", spineSign, 5, spine, spineTiltAt(phases.Contact), phases.Contact),
		posture("spine_tilt_change_contact", "spine tilt, toe touch to contact", "deg", "deg", "spine_tilt_contact minus spine_tilt_toe_touch", "+ tips toward the pitcher", 5, spine,
			func(s *scene) float64 { return spineTilt(s, phases.Contact) - spineTilt(s, phases.ToeTouch) }, from, phases.Contact),
		posture("head_travel_contact", "head travel to contact", "in", "[in_i]", "distance in the plane of +X and +Y from the head's centre at toe touch to its centre at contact", "0 or more", 1.5, head,
			func(s *scene) float64 { d := travel(s, pointHead); return math.Hypot(d.X, d.Y) }, from, phases.Contact),
		posture("head_forward_contact", "head forward to contact", "in", "[in_i]", "x of the head's centre at contact minus at toe touch", "+ toward the pitcher", 1.5, head,
			func(s *scene) float64 { return travel(s, pointHead).X }, from, phases.Contact),
		posture("head_rise_contact", "head rise to contact", "in", "[in_i]", "y of the head's centre at contact minus at toe touch", "+ up, - drops", 1.5, head,
			func(s *scene) float64 { return travel(s, pointHead).Y }, from, phases.Contact),
		extreme(posture("head_travel_largest_contact", "largest head travel to contact", "in", "[in_i]", "largest distance in the plane of +X and +Y of the head's centre from where it was at toe touch, over the time to contact", "0 or more", 1.5, head,
			largestHeadTravel, from, phases.Contact)),
		posture("head_over_base_plant", "head over the base at heel plant", "1", "1", over("head's centre along the base", "heel plant"), baseSign, .08, overHead, headOverBase(phases.HeelPlant), phases.HeelPlant),
		posture("head_over_base_contact", "head over the base at contact", "1", "1", over("head's centre along the base", "contact"), baseSign, .08, overHead, headOverBase(phases.Contact), phases.Contact),
		posture("mass_over_base_load", "weight over the base at the load", "1", "1", mass+"the start of the load", baseSign, .08, overMass, massOverBase(phases.LoadStart), phases.LoadStart),
		posture("mass_over_base_plant", "weight over the base at heel plant", "1", "1", mass+"heel plant", baseSign, .08, overMass, massOverBase(phases.HeelPlant), phases.HeelPlant),
		posture("mass_over_base_contact", "weight over the base at contact", "1", "1", mass+"contact", baseSign, .08, overMass, massOverBase(phases.Contact), phases.Contact),
		posture("mass_over_base_extension", "weight over the base at full extension", "1", "1", mass+"full extension", baseSign, .08, overMass, massOverBase(phases.FullExtension), phases.FullExtension),
		circle,
		posture("head_forward_finish", "head forward to the finish", "in", "[in_i]", "x of the head's centre at the finish minus at toe touch", "+ toward the pitcher", 1.5, head,
			func(s *scene) float64 { return s.moved(pointHead, from, phases.Finish).X }, from, phases.Finish),
		posture("head_rise_finish", "head rise to the finish", "in", "[in_i]", "y of the head's centre at the finish minus at toe touch", "+ up, - drops", 1.5, head,
			func(s *scene) float64 { return s.moved(pointHead, from, phases.Finish).Y }, from, phases.Finish),
		posture("hands_over_shoulder_toe_touch", "hands above the back shoulder at toe touch", "in", "[in_i]", "y of the middle of the hands minus y of the back shoulder, at toe touch", "+ hands higher", 2, []string{roleHands, roleBackShould},
			func(s *scene) float64 {
				m := s.at(from)
				return s.mid(vision.LeftHand, m).Y - s.pos(s.rear(vision.LeftShoulder), m).Y
			}, from),
		posture("mass_over_base_finish", "weight over the base at the finish", "1", "1", "as mass_over_base_contact, at the finish", baseSign, .08, overMass, massOverBase(phases.Finish), phases.Finish),
	}
}

// bent marks an angle between limbs.
func bent(e entry) entry { e.bent = true; return e }

// extreme marks a largest value or a path length.
func extreme(e entry) entry { e.extreme = true; return e }

// solved marks a measure that only three dimensions can give.
func solved(e entry) entry { e.View = NeedSolved; return e }

package metrics

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"nightcage/phases"
	"nightcage/vision"
)

func turn(id, name, definition, sign string, useful float64, landmarks []string, f func(*scene) float64, events ...phases.EventID) entry {
	e := posture(id, name, "deg", "deg", definition, sign, useful, landmarks, f, events...)
	e.Group, e.View = GroupTurn, NeedSolved
	return e
}

// openness is the heading of the line from the back to the lead landmark of a
// pair, seen from above: atan2(-dz, dx), 0 along the line to the pitcher, 90
// facing him.
func openness(s *scene, left vision.Landmark, m moment) float64 {
	d := r3.Sub(s.pos(s.lead(left), m), s.pos(s.rear(left), m))
	return deg(math.Atan2(-d.Z, d.X))
}

// turnSpeed is the rate of openness, deg/s.
func turnSpeed(s *scene, left vision.Landmark, m moment) float64 {
	a, va := s.moving(s.lead(left), m)
	b, vb := s.moving(s.rear(left), m)
	d, v := r3.Sub(a, b), r3.Sub(va, vb)
	return deg((d.Z*v.X - d.X*v.Z) / (d.X*d.X + d.Z*d.Z))
}

func separation(s *scene, m moment) float64 {
	return wrap(openness(s, vision.LeftHip, m) - openness(s, vision.LeftShoulder, m))
}

func opennessAt(left vision.Landmark, at phases.EventID) func(*scene) float64 {
	return func(s *scene) float64 { return openness(s, left, s.at(at)) }
}

func separationAt(at phases.EventID) func(*scene) float64 {
	return func(s *scene) float64 { return separation(s, s.at(at)) }
}

// largest is the largest of f over n+1 moments between two events.
func largest(from, to phases.EventID, n int, f func(*scene, moment) float64) func(*scene) float64 {
	return func(s *scene) float64 {
		top := math.Inf(-1)
		for _, m := range s.between(from, to, n) {
			top = max(top, f(s, m))
		}
		return top
	}
}

func turnEntries() []entry {
	hips, shoulders, both := []string{roleHips}, []string{roleShoulders}, []string{roleHips, roleShoulders}
	line := func(what, when string) string {
		return "heading of the line from the back to the lead " + what + " seen from above, atan2(-dz, dx), at " + when
	}
	open := "0 square to the plate, 90 facing the pitcher"
	sep := "heading of the hip line minus heading of the shoulder line, seen from above, "
	sepSign := "+ hips more open than shoulders"
	plant, contact := phases.HeelPlant, phases.Contact
	speed := func(e entry) entry {
		e.Unit, e.UCUM, e.NeedsClock, e.turn, e.extreme = "deg/s", "deg/s", true, false, true
		return e
	}
	hands := posture("hands_behind_shoulder_plant", "hands behind the back shoulder at heel plant", "in", "[in_i]",
		"x of the back shoulder minus x of the middle of the hands, at heel plant", "+ hands on the catcher's side", 2, []string{roleHands, roleBackShould},
		func(s *scene) float64 {
			m := s.at(plant)
			return s.pos(s.rear(vision.LeftShoulder), m).X - s.mid(vision.LeftHand, m).X
		}, plant)
	hands.Group = GroupTurn
	return append([]entry{
		turn("pelvis_openness_toe_touch", "hips open at toe touch", line("hip", "toe touch"), open, 10, hips, opennessAt(vision.LeftHip, phases.ToeTouch), phases.ToeTouch),
		turn("pelvis_openness_plant", "hips open at heel plant", line("hip", "heel plant"), open, 10, hips, opennessAt(vision.LeftHip, plant), plant),
		turn("pelvis_openness_contact", "hips open at contact", line("hip", "contact"), open, 10, hips, opennessAt(vision.LeftHip, contact), contact),
		turn("shoulder_openness_toe_touch", "shoulders open at toe touch", line("shoulder", "toe touch"), open, 10, shoulders, opennessAt(vision.LeftShoulder, phases.ToeTouch), phases.ToeTouch),
		turn("shoulder_openness_plant", "shoulders open at heel plant", line("shoulder", "heel plant"), open, 10, shoulders, opennessAt(vision.LeftShoulder, plant), plant),
		turn("shoulder_openness_contact", "shoulders open at contact", line("shoulder", "contact"), open, 10, shoulders, opennessAt(vision.LeftShoulder, contact), contact),
		turn("hip_shoulder_separation_toe_touch", "separation at toe touch", sep+"at toe touch", sepSign, 10, both, separationAt(phases.ToeTouch), phases.ToeTouch),
		turn("hip_shoulder_separation_plant", "separation at heel plant", sep+"at heel plant", sepSign, 10, both, separationAt(plant), plant),
		turn("hip_shoulder_separation_contact", "separation at contact", sep+"at contact", sepSign, 10, both, separationAt(contact), contact),
		extreme(turn("hip_shoulder_separation_max", "largest separation", sep+"its largest from toe touch to contact", sepSign, 10, both, largest(phases.ToeTouch, contact, 24, separation), phases.ToeTouch, contact)),
		speed(turn("pelvis_turn_speed_peak", "hips' peak turning speed", "largest rate of the hip line's heading seen from above, from toe touch to contact", "+ opening", 120, hips,
			largest(phases.ToeTouch, contact, 24, hipsTurn.speed), phases.ToeTouch, contact)),
		speed(turn("shoulder_turn_speed_peak", "shoulders' peak turning speed", "largest rate of the shoulder line's heading seen from above, from toe touch to contact", "+ opening", 120, shoulders,
			largest(phases.ToeTouch, contact, 24, shouldersTurn.speed), phases.ToeTouch, contact)),
		hands,
	}, sequenceEntries()...)
}

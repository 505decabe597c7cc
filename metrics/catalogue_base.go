package metrics

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"nightcage/phases"
	"nightcage/vision"
)

func base(id, name, unit, ucum, definition, sign string, useful float64, landmarks []string, f func(*scene) float64, events ...phases.EventID) entry {
	e := posture(id, name, unit, ucum, definition, sign, useful, landmarks, f, events...)
	e.Group = GroupBase
	e.NeedsScale = unit == "in" || unit == "%"
	return e
}

func baseWidth(s *scene) float64 {
	m := s.at(phases.ToeTouch)
	return r3.Norm(r3.Sub(s.pos(point(vision.LeftAnkle), m), s.pos(point(vision.RightAnkle), m)))
}

// stride is the lead toe's move from the start of the load to toe touch.
func stride(s *scene) r3.Vec {
	toe := s.lead(vision.LeftToe)
	return r3.Sub(s.pos(toe, s.at(phases.ToeTouch)), s.pos(toe, s.at(phases.LoadStart)))
}

// inner is the inner angle of three joints at the middle one, 180 straight.
func (s *scene) inner(a, b, c point, m moment) float64 {
	at := s.pos(b, m)
	return angleBetween(r3.Sub(s.pos(a, m), at), r3.Sub(s.pos(c, m), at))
}

func kneeAngle(s *scene, side func(vision.Landmark) point, at phases.EventID) float64 {
	return s.inner(side(vision.LeftHip), side(vision.LeftKnee), side(vision.LeftAnkle), s.at(at))
}

func leadKnee(at phases.EventID) func(*scene) float64 {
	return func(s *scene) float64 { return kneeAngle(s, s.lead, at) }
}

func backKnee(at phases.EventID) func(*scene) float64 {
	return func(s *scene) float64 { return kneeAngle(s, s.rear, at) }
}

// moved is a point's move from one event to another.
func (s *scene) moved(p point, from, to phases.EventID) r3.Vec {
	return r3.Sub(s.pos(p, s.at(to)), s.pos(p, s.at(from)))
}

// travel is a point's move from toe touch to contact.
func travel(s *scene, p point) r3.Vec {
	return s.moved(p, phases.ToeTouch, phases.Contact)
}

// ballOfFootShare is how far from the back of the heel to the front of the foot
// its ball (the joints of the toes) lies: .72 of foot length, from memory of
// adult foot anthropometry, within .02.
const ballOfFootShare = .72

func ballOfFoot(s *scene, at phases.EventID) r3.Vec {
	m := s.at(at)
	heel, toe := s.pos(s.rear(vision.LeftHeel), m), s.pos(s.rear(vision.LeftToe), m)
	return r3.Add(heel, r3.Scale(ballOfFootShare, r3.Sub(toe, heel)))
}

func baseEntries() []entry {
	ankles := []string{roleAnkles}
	leadLeg, backLeg := []string{roleLeadHip, roleLeadKnee, roleLeadAnkle}, []string{roleBackHip, roleBackKnee, roleBackAnkle}
	width := "distance between the ankles at toe touch"
	knee := " knee's inner angle between thigh (knee to hip) and shank (knee to ankle), in three dimensions, at "
	kneeSign := "180 straight"
	stretch := "+ toward the pitcher"
	in := "[in_i]"
	toe, contact := phases.ToeTouch, phases.Contact

	entries := []entry{
		base("base_width_toe_touch", "base width at toe touch", "in", in, width, "0 or more", 2, ankles, baseWidth, toe),
		base("base_over_inseam_toe_touch", "base width over inseam", "1", "1", width+" divided by the inseam", "1 as wide as the inseam", .06, ankles,
			func(s *scene) float64 { return baseWidth(s) / s.subject.InseamIn }, toe),
		base("base_minus_inseam_toe_touch", "base width beyond inseam", "in", in, width+" minus the inseam", "+ wider than the inseam", 2, ankles,
			func(s *scene) float64 { return baseWidth(s) - s.subject.InseamIn }, toe),
		base("stride_length_toe_touch", "stride length", "in", in, "x of the lead toe at toe touch minus at the start of the load", stretch, 2, []string{roleLeadToe},
			func(s *scene) float64 { return stride(s).X }, phases.LoadStart, toe),
		base("stride_share_toe_touch", "stride length as a share of height", "%", "%", "100 times stride_length_toe_touch over the hitter's height", stretch, 3, []string{roleLeadToe},
			func(s *scene) float64 { return 100 * stride(s).X / s.subject.HeightIn }, phases.LoadStart, toe),
		solved(base("stride_direction_toe_touch", "stride direction", "deg", "deg", "heading of the lead toe's move from the start of the load to toe touch, seen from above: atan2(dz, dx)", "+ toward the plate, - away from it", 10, []string{roleLeadToe},
			func(s *scene) float64 {
				d := stride(s)
				// A direction needs a stride to have one.
				if s.why == nil && s.d == nil && math.Hypot(d.X, d.Z) < 2 {
					s.fail(ReasonUndefined, "the foot moves less than 2 in")
				}
				return deg(math.Atan2(d.Z, d.X))
			}, phases.LoadStart, toe)),
		bent(solved(base("lead_knee_angle_toe_touch", "lead knee at toe touch", "deg", "deg", "lead"+knee+"toe touch", kneeSign, 8, leadLeg, leadKnee(toe), toe))),
		bent(solved(base("lead_knee_angle_plant", "lead knee at heel plant", "deg", "deg", "lead"+knee+"heel plant", kneeSign, 8, leadLeg, leadKnee(phases.HeelPlant), phases.HeelPlant))),
		bent(solved(base("lead_knee_angle_contact", "lead knee at contact", "deg", "deg", "lead"+knee+"contact", kneeSign, 8, leadLeg, leadKnee(contact), contact))),
		solved(base("lead_knee_straightening_contact", "lead knee straightening, plant to contact", "deg", "deg", "lead_knee_angle_contact minus lead_knee_angle_plant", "+ straightens", 8, leadLeg,
			func(s *scene) float64 { return leadKnee(contact)(s) - leadKnee(phases.HeelPlant)(s) }, phases.HeelPlant, contact)),
		bent(solved(base("back_knee_angle_toe_touch", "back knee at toe touch", "deg", "deg", "back"+knee+"toe touch", kneeSign, 8, backLeg, backKnee(toe), toe))),
		bent(solved(base("back_knee_angle_contact", "back knee at contact", "deg", "deg", "back"+knee+"contact", kneeSign, 8, backLeg, backKnee(contact), contact))),
		base("back_shin_angle_contact", "back shin at contact", "deg", "deg", "angle from vertical of the line from the back ankle to the back knee, atan2(dx, dy), in the plane of +X and +Y, at contact", stretch, 5, backLeg[1:],
			func(s *scene) float64 {
				m := s.at(contact)
				d := r3.Sub(s.pos(s.rear(vision.LeftKnee), m), s.pos(s.rear(vision.LeftAnkle), m))
				return deg(math.Atan2(d.X, d.Y))
			}, contact),
		base("back_knee_drop_contact", "back knee drop to contact", "in", in, "y of the back knee at toe touch minus at contact", "+ drops", 1.5, backLeg[1:2],
			func(s *scene) float64 { return -travel(s, s.rear(vision.LeftKnee)).Y }, toe, contact),
		base("back_knee_forward_contact", "back knee inward to contact", "in", in, "x of the back knee at contact minus at toe touch", stretch, 1.5, backLeg[1:2],
			func(s *scene) float64 { return travel(s, s.rear(vision.LeftKnee)).X }, toe, contact),
		base("back_foot_slide_contact", "back foot slide to contact", "in", in, "x of the ball of the back foot (.72 of the way from heel to toe) at contact minus at toe touch", stretch, 1.5, []string{roleBackHeel, roleBackToe},
			func(s *scene) float64 { return ballOfFoot(s, contact).X - ballOfFoot(s, toe).X }, toe, contact),
		base("back_toe_slide_contact", "back toe travel to contact", "in", in, "x of the back toe at contact minus at toe touch", stretch, 1.5, []string{roleBackToe},
			func(s *scene) float64 { return travel(s, s.rear(vision.LeftToe)).X }, toe, contact),
		base("back_heel_lift_contact", "back heel lift at contact", "in", in, "y of the back heel at contact minus at toe touch", "+ up", 1.5, []string{roleBackHeel},
			func(s *scene) float64 { return travel(s, s.rear(vision.LeftHeel)).Y }, toe, contact),
		extreme(base("back_heel_lift_largest_contact", "largest back heel lift to contact", "in", in, "largest y of the back heel from toe touch to contact, minus its y at toe touch", "0 or more", 1.5, []string{roleBackHeel},
			func(s *scene) float64 {
				heel := s.rear(vision.LeftHeel)
				high, start := 0.0, 0.0
				for i, m := range s.between(toe, contact, 16) {
					y := s.pos(heel, m).Y
					if i == 0 {
						start = y
					}
					high = max(high, y-start)
				}
				return high
			}, toe, contact)),
		base("pelvis_forward_contact", "hips forward to contact", "in", in, "x of mid-hips at contact minus at toe touch", stretch, 1.5, []string{roleHips},
			func(s *scene) float64 {
				return s.mid(vision.LeftHip, s.at(contact)).X - s.mid(vision.LeftHip, s.at(toe)).X
			}, toe, contact),
		base("pelvis_forward_toe_touch", "hips forward in the stride", "in", in, "x of mid-hips at toe touch minus at the start of the load", stretch, 1.5, []string{roleHips},
			func(s *scene) float64 {
				return s.mid(vision.LeftHip, s.at(toe)).X - s.mid(vision.LeftHip, s.at(phases.LoadStart)).X
			}, phases.LoadStart, toe),
		bent(solved(base("back_knee_angle_plant", "back knee at heel plant", "deg", "deg", "back"+knee+"heel plant", kneeSign, 8, backLeg, backKnee(phases.HeelPlant), phases.HeelPlant))),
		base("back_foot_slide_finish", "back foot slide to the finish", "in", in, "x of the ball of the back foot (.72 of the way from heel to toe) at the finish minus at toe touch", stretch, 1.5, []string{roleBackHeel, roleBackToe},
			func(s *scene) float64 { return ballOfFoot(s, phases.Finish).X - ballOfFoot(s, toe).X }, toe, phases.Finish),
		base("back_heel_lift_bat_parallel", "back heel lift at bat parallel", "in", in, "y of the back heel at bat parallel minus at toe touch", "+ up", 1.5, []string{roleBackHeel},
			func(s *scene) float64 { return s.moved(s.rear(vision.LeftHeel), toe, phases.BatParallel).Y }, toe, phases.BatParallel),
		base("back_heel_lift_finish", "back heel lift at the finish", "in", in, "y of the back heel at the finish minus at toe touch", "+ up", 1.5, []string{roleBackHeel},
			func(s *scene) float64 { return s.moved(s.rear(vision.LeftHeel), toe, phases.Finish).Y }, toe, phases.Finish),
	}
	entries = append(entries, weightEntries()...)
	for i := range entries {
		switch entries[i].ID {
		case "base_over_inseam_toe_touch":
			entries[i].inseam, entries[i].NeedsScale = true, true
		case "base_minus_inseam_toe_touch":
			entries[i].inseam = true
		case "stride_share_toe_touch":
			entries[i].height = true
		}
	}
	return entries
}

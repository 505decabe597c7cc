package metrics

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"nightcage/phases"
	"nightcage/vision"
)

// mphPerInS is miles per hour in one inch per second: 3600/63360, exact.
const mphPerInS = 3600.0 / 63360

func bat(id, name, unit, ucum, definition, sign string, useful float64, landmarks []string, f func(*scene) float64, events ...phases.EventID) entry {
	e := posture(id, name, unit, ucum, definition, sign, useful, landmarks, f, events...)
	e.Group, e.View, e.NeedsBat = GroupBat, NeedSolved, true
	e.NeedsScale = unit == "in" || unit == "mph"
	e.NeedsClock = unit == "mph"
	return e
}

func forearmBat(s *scene, at phases.EventID) float64 {
	m := s.at(at)
	forearm := r3.Sub(s.pos(s.lead(vision.LeftElbow), m), s.pos(s.lead(vision.LeftWrist), m))
	return angleBetween(forearm, s.bat(m).dir)
}

func forearmBatAt(at phases.EventID) func(*scene) float64 {
	return func(s *scene) float64 { return forearmBat(s, at) }
}

func elbowAt(side func(*scene, vision.Landmark) point, at phases.EventID) func(*scene) float64 {
	return func(s *scene) float64 {
		return s.inner(side(s, vision.LeftShoulder), side(s, vision.LeftElbow), side(s, vision.LeftWrist), s.at(at))
	}
}

// path is the length of a point's path from bat parallel to contact, through
// 12 equal steps of time.
func path(along func(batPose) float64) func(*scene) float64 {
	return func(s *scene) float64 {
		long, last := 0.0, 0.0
		at := s.between(phases.BatParallel, phases.Contact, 12)
		for i, m := range at {
			b := s.batMoving(m)
			_, v := b.along(along(b))
			if speed := r3.Norm(v); i > 0 {
				long += (last + speed) / 2 * (m.ms - at[i-1].ms) / 1000
				last = speed
			} else {
				last = speed
			}
		}
		return long
	}
}

// Where on the bat a speed is taken, inches from the knob's end.
func sweetSpot(b batPose) float64 { return b.length - sweetFromTipIn }
func barrelEnd(b batPose) float64 { return b.length }
func grip(batPose) float64        { return gripFromKnobIn }

// speed is how fast a point of the bat moves, mph.
func speed(s *scene, where func(batPose) float64, m moment) float64 {
	b := s.batMoving(m)
	_, v := b.along(where(b))
	return r3.Norm(v) * mphPerInS
}

func speedAtContact(where func(batPose) float64) func(*scene) float64 {
	return func(s *scene) float64 { return speed(s, where, s.at(phases.Contact)) }
}

func peakSpeed(where func(batPose) float64) func(*scene) float64 {
	return largest(phases.ForwardMove, phases.Contact, 24, func(s *scene, m moment) float64 { return speed(s, where, m) })
}

// attackAngle is the angle above horizontal of the sweet spot's velocity at
// contact, deg.
func attackAngle(s *scene) float64 {
	b := s.batMoving(s.at(phases.Contact))
	_, v := b.along(sweetSpot(b))
	return deg(math.Atan2(v.Y, math.Hypot(v.X, v.Z)))
}

func knobEnd(batPose) float64 { return 0 }

func batEntries() []entry {
	knobTip := []string{roleKnob, roleTip}
	arm := []string{"lead elbow", "lead wrist", roleKnob, roleTip}
	leadArm, backArm := []string{"lead shoulder", "lead elbow", "lead wrist"}, []string{roleBackShould, "back elbow", "back wrist"}
	fb := "angle between the lead forearm (wrist to elbow) and the bat (knob to tip), in three dimensions, at "
	fbSign := "90 square, 180 bat in line beyond the arm"
	elbow := " elbow's inner angle between upper arm (elbow to shoulder) and forearm (elbow to wrist), in three dimensions, at "
	in := "[in_i]"
	mph := "[mi_i]/h"
	toe, plant, parallel, contact := phases.ToeTouch, phases.HeelPlant, phases.BatParallel, phases.Contact
	lead, rear := (*scene).lead, (*scene).rear
	ofBody := func(e entry) entry { e.NeedsBat, e.bent = false, true; return e }
	opening := func(id, name, definition string, from, to phases.EventID) entry {
		return bat(id, name, "deg", "deg", definition, "+ opens", 10, arm, func(s *scene) float64 { return forearmBat(s, to) - forearmBat(s, from) }, from, to)
	}
	lean := bat("bat_lean_toe_touch", "bat lean at toe touch", "deg", "deg", "angle from vertical of the line from knob to tip, atan2(dx, dy), in the plane of +X and +Y, at toe touch", "+ tip toward the pitcher", 8, knobTip,
		func(s *scene) float64 {
			m := s.at(toe)
			d := r3.Sub(s.pos(pointTip, m), s.pos(pointKnob, m))
			return deg(math.Atan2(d.X, d.Y))
		}, toe)
	lean.View = NeedSide
	return []entry{
		lean,
		bat("barrel_behind_head_toe_touch", "barrel behind the head at toe touch", "in", in, "x of the head's centre minus x of the tip, at toe touch", "+ on the catcher's side", 3, []string{roleTip, roleHead},
			func(s *scene) float64 { m := s.at(toe); return s.pos(pointHead, m).X - s.bat(m).tip().X }, toe),
		bent(bat("forearm_bat_angle_toe_touch", "forearm-bat angle at toe touch", "deg", "deg", fb+"toe touch", fbSign, 10, arm, forearmBatAt(toe), toe)),
		bent(bat("forearm_bat_angle_plant", "forearm-bat angle at heel plant", "deg", "deg", fb+"heel plant", fbSign, 10, arm, forearmBatAt(plant), plant)),
		bent(bat("forearm_bat_angle_bat_parallel", "forearm-bat angle at bat parallel", "deg", "deg", fb+"bat parallel", fbSign, 10, arm, forearmBatAt(parallel), parallel)),
		bent(bat("forearm_bat_angle_contact", "forearm-bat angle at contact", "deg", "deg", fb+"contact", fbSign, 10, arm, forearmBatAt(contact), contact)),
		opening("forearm_bat_opening_plant", "forearm-bat opening, toe touch to plant", "forearm_bat_angle_plant minus forearm_bat_angle_toe_touch", toe, plant),
		bat("barrel_depth_bat_parallel", "barrel depth behind the back foot", "in", in, "x of the back ankle minus x of the tip, at bat parallel", "+ barrel behind the back ankle", 3, []string{roleTip, roleBackAnkle},
			func(s *scene) float64 {
				m := s.at(parallel)
				return s.pos(s.rear(vision.LeftAnkle), m).X - s.bat(m).tip().X
			}, parallel),
		bat("barrel_height_bat_parallel", "barrel above the hands at bat parallel", "in", in, "y of the tip minus y of the grip (6 in from the knob's end), at bat parallel", "+ barrel above the hands", 2, knobTip,
			func(s *scene) float64 { b := s.bat(s.at(parallel)); return b.tip().Y - b.grip().Y }, parallel),
		extreme(bat("barrel_lowest_contact", "lowest barrel under the hands to contact", "in", in, "largest of y of the grip (6 in from the knob's end) minus y of the tip, from bat parallel to contact", "+ barrel under the hands", 2, knobTip,
			largest(parallel, contact, 12, func(s *scene, m moment) float64 { b := s.bat(m); return b.grip().Y - b.tip().Y }), parallel, contact)),
		extreme(bat("knob_path_contact", "knob path, bat parallel to contact", "in", in, "length of the path of the knob's end from bat parallel to contact, in three dimensions", "0 or more", 1.5, knobTip,
			path(knobEnd), parallel, contact)),
		extreme(bat("barrel_path_contact", "barrel path, bat parallel to contact", "in", in, "length of the path of the tip from bat parallel to contact, in three dimensions", "0 or more", 4, knobTip,
			path(barrelEnd), parallel, contact)),
		extreme(bat("barrel_over_knob_path_contact", "barrel path over knob path", "1", "1", "barrel_path_contact divided by knob_path_contact", "1 or more", 1.5, knobTip,
			func(s *scene) float64 {
				knob := path(knobEnd)(s)
				// Under an inch the ratio says nothing.
				if s.why == nil && s.d == nil && knob < 1 {
					s.fail(ReasonUndefined, "the knob moves less than an inch")
				}
				return path(barrelEnd)(s) / knob
			}, parallel, contact)),
		bat("bat_speed_contact", "bat speed at contact", "mph", mph, "speed in three dimensions of the sweet spot (6 in from the tip on the bat's axis) at the instant before contact", "0 or more", 3.3, knobTip,
			speedAtContact(sweetSpot), contact),
		bat("bat_tip_speed_contact", "bat tip speed at contact", "mph", mph, "speed in three dimensions of the tip at the instant before contact", "0 or more", 4, knobTip,
			speedAtContact(barrelEnd), contact),
		extreme(bat("bat_speed_peak", "peak bat speed", "mph", mph, "largest speed in three dimensions of the sweet spot (6 in from the tip), from forward move to the instant before contact", "0 or more", 3.3, knobTip,
			peakSpeed(sweetSpot), phases.ForwardMove, contact)),
		extreme(bat("hand_speed_peak", "peak hand speed", "mph", mph, "largest speed in three dimensions of the grip (on the bat's axis, 6 in from the knob's end), from forward move to contact", "0 or more", 3, knobTip,
			peakSpeed(grip), phases.ForwardMove, contact)),
		bat("attack_angle_contact", "attack angle", "deg", "deg", "angle above horizontal of the sweet spot's velocity, atan2(vy, hypot(vx, vz)), at the instant before contact", "+ upward", 5, knobTip,
			attackAngle, contact),
		bat("bat_tilt_contact", "bat tilt at contact", "deg", "deg", "angle above horizontal of the bat (knob to tip), asin(dy/length), at contact", "- barrel below the hands", 6, knobTip,
			func(s *scene) float64 {
				u := s.bat(s.at(contact)).dir
				return deg(math.Atan2(u.Y, math.Hypot(u.X, u.Z)))
			}, contact),
		bat("bat_heading_contact", "bat heading at contact", "deg", "deg", "heading of the bat (knob to tip) seen from above, atan2(dx, dz), at contact", "0 square across the plate, + barrel ahead toward the pitcher", 8, knobTip,
			func(s *scene) float64 { u := s.bat(s.at(contact)).dir; return deg(math.Atan2(u.X, u.Z)) }, contact),
		ofBody(bat("lead_elbow_angle_toe_touch", "lead elbow at toe touch", "deg", "deg", "lead"+elbow+"toe touch", "180 straight", 12, leadArm, elbowAt(lead, toe), toe)),
		ofBody(bat("lead_elbow_angle_contact", "lead elbow at contact", "deg", "deg", "lead"+elbow+"contact", "180 straight", 12, leadArm, elbowAt(lead, contact), contact)),
		ofBody(bat("back_elbow_angle_toe_touch", "back elbow at toe touch", "deg", "deg", "back"+elbow+"toe touch", "180 straight", 12, backArm, elbowAt(rear, toe), toe)),
		ofBody(bat("back_elbow_angle_contact", "back elbow at contact", "deg", "deg", "back"+elbow+"contact", "180 straight", 12, backArm, elbowAt(rear, contact), contact)),
		ofBody(bat("back_elbow_angle_extension", "back elbow at full extension", "deg", "deg", "back"+elbow+"full extension", "180 straight", 12, backArm, elbowAt(rear, phases.FullExtension), phases.FullExtension)),
		opening("forearm_bat_opening_bat_parallel", "forearm-bat opening, plant to bat parallel", "forearm_bat_angle_bat_parallel minus forearm_bat_angle_plant", plant, parallel),
		opening("forearm_bat_opening_contact", "forearm-bat opening, bat parallel to contact", "forearm_bat_angle_contact minus forearm_bat_angle_bat_parallel", parallel, contact),
		ofBody(bat("lead_elbow_angle_extension", "lead elbow at full extension", "deg", "deg", "lead"+elbow+"full extension", "180 straight", 12, leadArm, elbowAt(lead, phases.FullExtension), phases.FullExtension)),
	}
}

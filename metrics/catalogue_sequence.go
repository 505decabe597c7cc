package metrics

import (
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"nightcage/phases"
	"nightcage/vision"
)

// When hips and shoulders reach their peaks is not among the measures: their error
// bars held the truth of rendered clips in at most half of them. Nor is when the
// hands are fastest: their speed has two peaks of nearly one height, some 60 ms
// apart, and which is the higher cannot be told.
//
// The order in which hips, shoulders, lead arm and bat reach their peak turning
// speeds. Only 38.8 % of 129 hitters showed the text-book order (Med Sci Sports
// Exerc 2024, 56(10S):1012), so these are facts of a swing and never faults.

// armTurnSpeed is how fast the line from the lead shoulder to the lead hand
// turns in three dimensions, |d x v|/|d|^2, deg/s.
func armTurnSpeed(s *scene, m moment) float64 {
	a, va := s.moving(s.lead(vision.LeftHand), m)
	b, vb := s.moving(s.lead(vision.LeftShoulder), m)
	d, v := r3.Sub(a, b), r3.Sub(va, vb)
	return deg(r3.Norm(r3.Cross(d, v)) / r3.Norm2(d))
}

// batTurnSpeed is how fast the bat's axis turns in three dimensions, deg/s.
func batTurnSpeed(s *scene, m moment) float64 {
	return deg(r3.Norm(s.batMoving(m).dirV))
}

// turner is something whose turning speed peaks in a swing.
type turner int

const (
	hipsTurn turner = iota
	shouldersTurn
	armTurns
	batTurns
	numTurners
)

func (t turner) speed(s *scene, m moment) float64 {
	switch t {
	case hipsTurn:
		return turnSpeed(s, vision.LeftHip, m)
	case shouldersTurn:
		return turnSpeed(s, vision.LeftShoulder, m)
	case armTurns:
		return armTurnSpeed(s, m)
	}
	return batTurnSpeed(s, m)
}

// peakSteps is the number of steps in which a peak is looked for from toe touch
// to contact, some 300 ms: peaks last ten times a step.
const peakSteps = 30

// peak is the largest turning speed from toe touch to contact.
type peak struct {
	speed  float64 // deg/s
	before float64 // ms before contact
}

// peakOf is the peak of a turner.
func (s *scene) peakOf(t turner) peak {
	return s.peaks[t].of(s, func() peak { return s.findPeak(t) })
}

// findPeak finds a peak: the vertex of the parabola through the largest of evenly
// spaced moments and its neighbours. One in the last step cannot be told from
// a speed that still rises at contact, and counts as at contact.
func (s *scene) findPeak(t turner) peak {
	all := s.between(phases.ToeTouch, phases.Contact, peakSteps)
	y := make([]float64, len(all))
	top := 0
	for i, m := range all {
		if y[i] = t.speed(s, m); y[i] > y[top] {
			top = i
		}
	}
	if s.why != nil {
		return peak{}
	}
	at := all[top].ms
	if top == len(all)-2 {
		at = all[top+1].ms
	} else if top > 0 && top < len(all)-1 {
		a, b, c := y[top-1], y[top], y[top+1]
		if bend := a - 2*b + c; bend < 0 {
			at += (all[top+1].ms - all[top].ms) * (a - c) / (2 * bend)
		}
	}
	p := peak{speed: y[top], before: all[len(all)-1].ms - at}
	if s.d != nil {
		p.before *= s.d.time
	}
	return p
}

func peakBefore(t turner) func(*scene) float64 {
	return func(s *scene) float64 { return s.peakOf(t).before }
}

func sequenceEntries() []entry {
	toe, contact := phases.ToeTouch, phases.Contact
	arm, knobTip := []string{"lead shoulder", "lead hand"}, []string{roleKnob, roleTip}
	speedOf := func(id, name, what string, landmarks []string, t turner) entry {
		e := extreme(turn(id, name, "largest rate at which "+what+" turns in three dimensions, from toe touch to contact", "0 or more", 120, landmarks, func(s *scene) float64 { return s.peakOf(t).speed }, toe, contact))
		e.Unit, e.UCUM, e.NeedsClock, e.turn = "deg/s", "deg/s", true, false
		return e
	}
	timed := func(id, name, definition, sign string, landmarks []string, f func(*scene) float64) entry {
		e := turn(id, name, definition, sign, 15, landmarks, f, toe, contact)
		e.Unit, e.UCUM, e.NeedsClock, e.turn = "ms", "ms", true, false
		return e
	}
	when := func(id, name, of string, landmarks []string, t turner) entry {
		return timed(id, name, "capture time from "+of+", between toe touch and contact, to contact", "0 or more", landmarks, peakBefore(t))
	}
	entries := []entry{
		speedOf("arm_turn_speed_peak", "lead arm's peak turning speed", "the line from the lead shoulder to the lead hand", arm, armTurns),
		speedOf("bat_turn_speed_peak", "bat's peak turning speed", "the bat's axis", knobTip, batTurns),
		when("arm_peak_time_contact", "lead arm's peak to contact", "the lead arm's peak turning speed", arm, armTurns),
		timed("arm_to_bat_peak_contact", "lead arm's peak to the bat's", "arm_peak_time_contact minus bat_peak_time_contact", "+ the arm's comes first", append(arm[:2:2], knobTip...),
			func(s *scene) float64 { return s.peakOf(armTurns).before - s.peakOf(batTurns).before }),
		when("bat_peak_time_contact", "bat's peak to contact", "the bat's peak turning speed", knobTip, batTurns),
	}
	for i := range entries {
		entries[i].NeedsBat = slices.Contains(entries[i].Landmarks, roleKnob)
	}
	return entries
}

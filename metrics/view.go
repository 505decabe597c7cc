package metrics

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// endOnDeg: a bat nearer than this to the line of sight shows less than half its
// length, and an error across it in the picture turns it by more than twice what
// it would turn a bat seen from the side (1 / sin).
const endOnDeg = 30.0

// endOn says in plain words that the bat, which a measure rests on, pointed
// along the camera's line of sight at one of the measure's instants; else it is
// empty.
func (r *reading) endOn(u *usage) string {
	rests := false
	for p := range u.points {
		rests = rests || p.bat()
	}
	if !r.m.solved || !rests {
		return ""
	}
	for i := range r.events {
		if !u.events[i] {
			continue
		}
		s := &scene{reading: r}
		at := s.at(r.events[i].ID)
		knob, tip := s.pos(pointKnob, at), s.pos(pointTip, at)
		if s.why != nil {
			continue
		}
		sight := r3.Sub(r3.Scale(.5, r3.Add(knob, tip)), r.m.camera)
		off := math.Acos(min(1, math.Abs(r3.Cos(sight, r3.Sub(tip, knob)))))
		if deg(off) < endOnDeg {
			return fmt.Sprintf("; at %s the bat points within %.0f deg of the camera's line of sight", eventNames[r.events[i].ID], math.Ceil(deg(off)))
		}
	}
	return ""
}

package metrics

import (
	"math"

	"nightcage/phases"
	"nightcage/vision"
)

// placed marks a measure whose value is an x from the lead ankle at contact.
func placed(e entry) entry { e.placed = true; return e }

// beyondIn is how far past the last body part a place has left the body: half the
// length of a foot (common practice, no source).
const beyondIn = 5.0

// place names the body part that an x, from the lead ankle at contact, lies beside:
// the one whose own x at contact is nearest, and those at the ends of its interval
// where they are others. It is empty where a part could not be seen.
func (r *reading) place(value, low, high float64) string {
	s := &scene{reading: r}
	m := s.at(phases.Contact)
	hip, knee := s.pos(s.lead(vision.LeftHip), m).X, s.pos(s.lead(vision.LeftKnee), m).X
	parts := []struct {
		name string
		x    float64
	}{
		{"the back foot", s.pos(s.rear(vision.LeftAnkle), m).X},
		{"the belly", s.mid(vision.LeftHip, m).X},
		{"the front thigh", (hip + knee) / 2},
		{"the front ankle", s.pos(s.lead(vision.LeftAnkle), m).X},
		{"the front foot", s.pos(s.lead(vision.LeftToe), m).X},
	}
	if s.why != nil {
		return ""
	}
	ankle := parts[3].x
	rear, front := math.Inf(1), math.Inf(-1)
	for i := range parts {
		parts[i].x -= ankle
		rear, front = min(rear, parts[i].x), max(front, parts[i].x)
	}
	name := func(x float64) string {
		switch {
		case x < rear-beyondIn:
			return "behind the back foot"
		case x > front+beyondIn:
			return "in front of the front foot"
		}
		best := parts[0]
		for _, p := range parts[1:] {
			if math.Abs(p.x-x) < math.Abs(best.x-x) {
				best = p
			}
		}
		return "beside " + best.name
	}
	at, from, to := name(value), name(low), name(high)
	if from == to {
		return at
	}
	return at + "; it may be anywhere from " + from + " to " + to
}

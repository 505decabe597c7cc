package solve

import (
	"fmt"
	"math"
	"strings"

	"gonum.org/v1/gonum/spatial/r3"

	"nightcage/vision"
)

// clue is one sign of the side a hitter bats from, in log odds for right.
type clue struct {
	name string
	odds float64
}

// clues gathers what the picture says about the batting side. s must not be
// mirrored. A right-handed hitter turns counter-clockwise seen from above,
// looks over his left shoulder, holds the hands on the side of his right
// shoulder, strides with the left foot, sends the barrel toward his left, and
// has the left hand at the knob; a left-handed one does the opposite. How
// much each is worth follows from its error: a network's heading of a shoulder
// line is good to some 20 deg while a swing turns it 70 or more, so the turn
// settles it; hands and feet are single differences of marks that slip.
func (s *scene) clues(m moments, pxPerIn float64) []clue {
	var out []clue
	say := func(name string, odds, most float64) {
		if !math.IsNaN(odds) && odds != 0 {
			out = append(out, clue{name, max(-most, min(most, odds))})
		}
	}
	peak := s.looks[m.peak].ms

	turn, turned := 0.0, 0
	prev := [2]float64{math.NaN(), math.NaN()}
	var head, hands []float64
	for i := range s.looks {
		l := &s.looks[i]
		before := peak - l.ms
		if !l.hasWorld {
			continue
		}
		if before <= 250 && before >= -100 {
			for k, left := range []vision.Landmark{vision.LeftShoulder, vision.LeftHip} {
				h := heading(l.world[left], l.world[left+1])
				if !math.IsNaN(prev[k]) {
					turn += wrap(h-prev[k]) / 2
					turned++
				}
				prev[k] = h
			}
		}
	}
	if turned > 2 {
		say("turn", turn*180/math.Pi/20, 4)
	}
	for _, i := range m.stance {
		l := &s.looks[i]
		if l.hasWorld {
			chest := facing(l.world[vision.LeftShoulder], l.world[vision.RightShoulder])
			ears := r3.Scale(0.5, r3.Add(l.world[vision.LeftEar], l.world[vision.RightEar]))
			look := r3.Sub(l.world[vision.Nose], ears)
			n := math.Hypot(look.X, look.Z)
			if n > 0.02 {
				// z component of chest x look in the plane (x right, z away)
				head = append(head, (chest.X*look.Z-chest.Z*look.X)/n)
			}
		}
		w := l.body[vision.LeftShoulder].u - l.body[vision.RightShoulder].u
		wr, sh := l.middle(vision.LeftWrist, vision.RightWrist), l.middle(vision.LeftShoulder, vision.RightShoulder)
		if wr.ok && math.Abs(w) > 8*pxPerIn {
			hands = append(hands, -(wr.u-sh.u)/w)
		}
	}
	say("head over the shoulder", 2.5*median(head), 2)
	say("hands at the rear shoulder", 3*median(hands), 1.5)
	say("barrel's way", s.barrelClue(m, pxPerIn), 3)
	say("stride foot", s.strideClue(m, pxPerIn), 2)

	var near []float64
	for _, i := range m.stance {
		l := &s.looks[i]
		if a, b := l.body[vision.LeftHand], l.body[vision.RightHand]; l.knob.ok && a.ok && b.ok {
			near = append(near, (b.dist(l.knob)-a.dist(l.knob))/(3*pxPerIn))
		}
	}
	say("bottom hand", median(near), 1)
	return out
}

// barrelClue compares the barrel's way through the peak with the way from the
// right to the left shoulder in the stance picture.
func (s *scene) barrelClue(m moments, pxPerIn float64) float64 {
	var w []float64
	for _, i := range m.stance {
		w = append(w, s.looks[i].body[vision.LeftShoulder].u-s.looks[i].body[vision.RightShoulder].u)
	}
	width := median(w) / (shareShoulders.mean * 67 * pxPerIn)
	if !m.hasBat || math.IsNaN(width) || math.Abs(width) < 0.45 {
		return math.NaN()
	}
	peak := s.looks[m.peak].ms
	var from, to point
	for i := range s.looks {
		l := &s.looks[i]
		if !l.tip.ok {
			continue
		}
		switch d := l.ms - peak; {
		case d >= -35 && d <= 0 && !from.ok:
			from = l.tip
		case d >= 0 && d <= 35:
			to = l.tip
		}
	}
	if !from.ok || !to.ok {
		return math.NaN()
	}
	return (to.u - from.u) / (8 * pxPerIn) * math.Copysign(1, width)
}

// strideClue compares how far each ankle moves between stance and plant.
func (s *scene) strideClue(m moments, pxPerIn float64) float64 {
	if len(m.stance) == 0 {
		return math.NaN()
	}
	home := [2]point{s.median(m.stance, vision.LeftAnkle), s.median(m.stance, vision.RightAnkle)}
	var moved [2][]float64
	for i := range s.looks {
		before := s.looks[m.peak].ms - s.looks[i].ms
		if before > 700 || before < 120 {
			continue
		}
		for k := range home {
			if p := s.looks[i].body[int(vision.LeftAnkle)+k]; p.ok {
				moved[k] = append(moved[k], p.dist(home[k])/pxPerIn)
			}
		}
	}
	if len(moved[0]) == 0 || len(moved[1]) == 0 {
		return math.NaN()
	}
	return (median(moved[0]) - median(moved[1])) / 1.5
}

// decideHand names the batting side from the job or from the clues.
func decideHand(told vision.Side, clues []clue) (vision.Hand, string) {
	sum := 0.0
	for _, c := range clues {
		sum += c.odds
	}
	sure := 1 / (1 + math.Exp(-math.Abs(sum)))
	seen := vision.SideRight
	if sum < 0 {
		seen = vision.SideLeft
	}
	if told == vision.SideLeft || told == vision.SideRight {
		note := ""
		if seen != told && sure > 0.99 {
			note = fmt.Sprintf("the job says the hitter bats %s, the picture looks like %s", told, seen)
		}
		return vision.Hand{Bats: told, Confidence: 1, From: "job"}, note
	}
	var from []string
	for _, c := range clues {
		if (c.odds > 0) == (sum > 0) && math.Abs(c.odds) > 0.5 {
			from = append(from, c.name)
		}
	}
	h := vision.Hand{Bats: seen, Confidence: sure, From: strings.Join(from, ", ")}
	if sure < 0.6 {
		h.Bats, h.From = vision.SideUnknown, "the signs do not agree"
		if len(clues) == 0 {
			h.From = "nothing seen that tells it"
		}
	}
	return h, ""
}

// facing is the horizontal direction (x right, z away) that a person faces
// whose left and right member of a pair are given in camera axes.
func facing(left, right r3.Vec) r3.Vec {
	a := r3.Sub(left, right)
	n := math.Hypot(a.X, a.Z)
	if n == 0 {
		return r3.Vec{}
	}
	return r3.Vec{X: a.Z / n, Z: -a.X / n}
}

// heading is the angle of facing, radians counter-clockwise seen from above,
// from the camera's x axis.
func heading(left, right r3.Vec) float64 {
	f := facing(left, right)
	return math.Atan2(f.Z, f.X)
}

// wrap brings an angle into (-pi, pi].
func wrap(a float64) float64 {
	return math.Remainder(a, 2*math.Pi)
}

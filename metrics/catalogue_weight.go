package metrics

import (
	"math"

	"nightcage/phases"
	"nightcage/vision"
)

// When the weight goes forward and comes back. The body's centre of mass says
// where the weight hangs, not how hard a foot presses: only a plate on the ground
// measures that.

// leaveIn is how far the centre of mass must go from the end of its way before it
// has left it. At the end it hardly moves, so that the end's own instant cannot be
// read; an inch on it moves at some 10 in/s and more, which makes an error of half
// an inch one of 50 ms or less.
const leaveIn = 1.0

// weightSteps is the number of steps in which the centre of mass is followed: some
// 60 ms from the load to contact and 15 ms after it.
const weightSteps = 16

// massForward is x of the centre of mass at evenly spaced moments between two
// events.
func massForward(s *scene, from, to phases.EventID) (ms, x []float64) {
	for _, m := range s.between(from, to, weightSteps) {
		ms, x = append(ms, m.ms), append(x, s.massAt(m).X)
	}
	return ms, x
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
	return s.lasting(before)
}

// lasting is a stretch of time with the draw's error of the clock.
func (s *scene) lasting(ms float64) float64 {
	if s.d != nil {
		return ms * s.d.time
	}
	return ms
}

// weightLeaves is how long before contact the centre of mass leaves its rearmost
// place by leaveIn for good, ms.
func weightLeaves(s *scene) float64 {
	ms, x := massForward(s, phases.LoadStart, phases.Contact)
	rear := math.Inf(1)
	for _, v := range x {
		rear = min(rear, v)
	}
	for i := len(x) - 1; i >= 0; i-- {
		if off := rear + leaveIn; x[i] < off {
			if i == len(x)-1 {
				break
			}
			t := ms[i] + (ms[i+1]-ms[i])*(off-x[i])/(x[i+1]-x[i])
			return s.lasting(ms[len(ms)-1] - t)
		}
	}
	if s.d == nil {
		s.fail(ReasonUndefined, "the weight does not go forward by an inch between the load and contact")
	}
	return math.NaN()
}

// weightReturns is how long after contact the centre of mass has come back by
// leaveIn from its foremost place, ms.
func weightReturns(s *scene) float64 {
	ms, x := massForward(s, phases.Contact, phases.Finish)
	front := math.Inf(-1)
	for i, v := range x {
		if off := front - leaveIn; v < off {
			t := ms[i-1] + (ms[i]-ms[i-1])*(x[i-1]-off)/(x[i-1]-v)
			return s.lasting(t - ms[0])
		}
		front = max(front, v)
	}
	if s.d == nil {
		s.fail(ReasonUndefined, "the weight does not come back by an inch between contact and the finish")
	}
	return math.NaN()
}

// hipsForwardSpeed is the largest speed of mid-hips toward the pitcher from the
// start of the load to heel plant, mph.
func hipsForwardSpeed(s *scene) float64 {
	return largest(phases.LoadStart, phases.HeelPlant, 24, func(s *scene, m moment) float64 {
		_, l := s.moving(point(vision.LeftHip), m)
		_, r := s.moving(point(vision.RightHip), m)
		return (l.X + r.X) / 2 * mphPerInS
	})(s)
}

// Useful bounds: a tenth of the some 400 ms from the load to contact; a third of
// the some 2 mph at which hips go forward in a stride (reckoned: a foot in the
// some 350 ms of a stride is 2 mph on average).
func weightEntries() []entry {
	timed := func(e entry) entry { e.NeedsClock, e.NeedsScale = true, true; return e }
	whole := []string{roleWholeBody}
	speed := timed(extreme(base("pelvis_forward_speed_peak", "hips' peak forward speed before plant", "mph", "[mi_i]/h", "largest x of the velocity of mid-hips from the start of the load to heel plant", "+ toward the pitcher", .7, []string{roleHips},
		hipsForwardSpeed, phases.LoadStart, phases.HeelPlant)))
	forward := base("weight_forward_time_contact", "weight forward to contact", "ms", "ms", "capture time from the last instant at which the centre of mass is behind the middle of the base (mass_over_base below .5) to contact", "0 or more", 40, whole,
		weightForward, phases.LoadStart, phases.Contact)
	forward.NeedsClock = true
	return []entry{
		forward,
		speed,
		timed(base("weight_leaves_time_contact", "weight leaves the back foot, to contact", "ms", "ms", "capture time from the last instant at which x of the centre of mass is less than 1 in in front of its smallest since the start of the load, to contact; where the weight hangs, not how hard the foot presses", "0 or more", 40, whole,
			weightLeaves, phases.LoadStart, phases.Contact)),
		timed(base("weight_returns_time_finish", "weight comes back after contact", "ms", "ms", "capture time from contact to the first instant at which x of the centre of mass is 1 in behind its largest since contact, up to the finish; where the weight hangs, not how hard the foot presses", "0 or more", 40, whole,
			weightReturns, phases.Contact, phases.Finish)),
	}
}

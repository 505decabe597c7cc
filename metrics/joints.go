package metrics

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"nightcage/vision"
)

// JointError is how far, along each axis, a pose network's idea of a joint may
// lie from the joint's centre throughout a swing: standard deviations in inches
// for a hitter 70 in tall, growing with height. Pair moves both sides alike and
// drops out of the line between them; Own moves each side by itself.
type JointError struct {
	Pair, Own float64
}

// JointErrors gives the error of every body point; a point that is absent has
// none. A share jointKept of the variance keeps for the whole swing and the rest
// changes with the limb's turn, over jointLastMs.
type JointErrors map[vision.Landmark]JointError

// jointLastMs is how long what a network sees of a joint lasts: trunk and limbs
// turn through a right angle in about 150 ms between heel plant and contact.
const jointLastMs = 150

// jointKept is the share of a joint error's variance that clothing, body shape
// and camera place fix for a whole swing (judgement; no source).
const jointKept = .7

// keptOf is that share along each axis. What a body's shape fixes turns with
// the body: hips and shoulders turn by a right angle about the vertical between
// toe touch and contact, which leaves nothing of their level errors in place.
func keptOf(p point) r3.Vec {
	if l := leftOf(p); l == vision.LeftHip || l == vision.LeftShoulder {
		return r3.Vec{Y: jointKept}
	}
	return level(jointKept)
}

// jointHeightIn is the height the sizes are for.
const jointHeightIn = 70

// beyond takes off what the standard errors of a point, or a pair of them,
// already hold: where they rest on marks whose sigma says how far the network's
// joint lies from the true one, joint errors are a floor under them, not an
// addition. A track's errors are each point's own. Of the middle of a pair they
// hold half their variance, so that what is left of Pair is
// Pair^2 + Own^2/2 - held/2 less what is left of Own.
func (e JointError) beyond(m *motion, points ...point) JointError {
	var all []float64
	for _, p := range points {
		for _, s := range m.points[p] {
			if s.ok {
				all = append(all, (s.sigma.X*s.sigma.X+s.sigma.Y*s.sigma.Y)/2*m.lasting)
			}
		}
	}
	if len(all) == 0 {
		return e
	}
	slices.Sort(all)
	held, own, pair := all[len(all)/2], e.Own*e.Own, e.Pair*e.Pair
	left := max(0, own-held)
	if len(points) == 1 {
		return JointError{Own: math.Sqrt(max(0, own+pair-held))}
	}
	return JointError{Own: math.Sqrt(left), Pair: math.Sqrt(max(0, pair+(own-held-left)/2))}
}

// NetworkJointErrors are the sizes for landmarks found by a pose network. They
// come from outside: markerless systems place pitchers' joints 52 to 57 mm from
// the marker-based centre in the mean (18 college pitchers, several cameras,
// PubMed 41294254), which is 34 mm = 1.3 in along each axis if Gaussian
// (mean of a Maxwell distribution 1.596 sigma); one camera reads trunk side
// tilt with 4.4 deg RMS error (10 pitchers, Sports Biomech 2022,
// DOI 10.1080/14763141.2022.2137425), which over the 19 in from hips to
// shoulders is 1.0 in for each mid-point. How the total splits between Pair and
// Own, and the smaller sizes at ends of limbs (feet, wrists and head are
// surfaces a network can see), are judgement, not measurement.
func NetworkJointErrors() JointErrors {
	return JointErrors{
		vision.Nose:         {0, .6},
		vision.LeftShoulder: {1, .7}, vision.LeftElbow: {.5, .8}, vision.LeftWrist: {.3, .6}, vision.LeftHand: {.3, .6},
		vision.LeftHip: {1, .7}, vision.LeftKnee: {.5, .7}, vision.LeftAnkle: {.4, .5},
		vision.LeftHeel: {.4, .5}, vision.LeftToe: {.4, .5},
	}
}

// of returns the error of a point; right-hand landmarks share their pair's and
// the head shares the nose's.
func (j JointErrors) of(p point) JointError {
	if p == pointHead {
		return j[vision.Nose]
	}
	return j[leftOf(p)]
}

// leftOf is the left-hand landmark of a point's pair, or the point itself.
func leftOf(p point) vision.Landmark {
	l := vision.Landmark(p)
	if l > vision.Nose && l <= vision.RightToe && (l-vision.LeftEye)%2 == 1 {
		return l - 1
	}
	return l
}

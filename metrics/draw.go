package metrics

import (
	"math"
	"math/rand/v2"

	"gonum.org/v1/gonum/spatial/r3"

	"nightcage/phases"
	"nightcage/vision"
)

// SourceOfError is a part of the error budget.
type SourceOfError string

// The parts. Together they are all that a draw moves.
const (
	FromLandmarks SourceOfError = "landmarks" // scatter of body marks
	FromBat       SourceOfError = "bat"       // scatter of knob and tip
	FromEvents    SourceOfError = "events"    // event times
	FromScale     SourceOfError = "scale"     // inches
	FromClock     SourceOfError = "clock"     // milliseconds
	FromCamera    SourceOfError = "camera"    // its turns about the hitter, its height, unseen depth
	FromJoints    SourceOfError = "joints"    // what the network calls a joint; segment tables
	FromReading   SourceOfError = "reading"   // a bent arm looks the same with its elbow before or behind
	FromFit       SourceOfError = "fit"       // what a smooth line through the frames leaves out
	FromBall      SourceOfError = "ball"      // the ball's line in the picture, and its unseen heading and place on the barrel
)

// FromTogether is what sources do to a measure together and none does alone: a
// scatter of the bat counts for more the further contact lies from a frame.
const FromTogether SourceOfError = "together"

// jitterAlone leaves out of scatter what lasts.
const jitterAlone SourceOfError = "jitter alone"

var sourceWords = map[SourceOfError]string{
	FromLandmarks: "where body points were seen", FromBat: "where the bat was seen", FromEvents: "when it was",
	FromScale: "how large things are", FromClock: "the frame rate", FromCamera: "how the camera stands",
	FromJoints: "what the network takes for a joint", FromReading: "an elbow before or behind", FromFit: "what moves between frames",
	FromBall: "the ball", FromTogether: "these together",
}

// Words says a source as a coach would.
func (s SourceOfError) Words() string { return sourceWords[s] }

// SourcesOfError lists every part.
func SourcesOfError() []SourceOfError {
	return []SourceOfError{FromLandmarks, FromBat, FromEvents, FromScale, FromClock, FromCamera, FromJoints, FromReading, FromFit, FromBall}
}

// wave is a smooth random function of time: a constant and one swing about it,
//
//	w0 + w1 cos(turn t) + w2 sin(turn t)
//
// with a variance that is the same at all times. The rate of turn is itself
// drawn, normal with standard deviation 1/last, so that over draws instants d
// apart are correlated k + (1-k) exp(-d^2/(2 last^2)), k the share of the
// variance in the constant.
type wave struct {
	part [3]r3.Vec
	turn float64 // radians per ms
	live bool    // not nought
}

// newWave draws a wave of standard deviation sigma along each axis, of which a
// share kept is in the constant.
func newWave(rng *rand.Rand, sigma float64, kept r3.Vec, lastMs float64) wave {
	w := wave{turn: rng.NormFloat64() / lastMs, live: sigma != 0}
	root := func(v r3.Vec) r3.Vec { return r3.Vec{X: math.Sqrt(v.X), Y: math.Sqrt(v.Y), Z: math.Sqrt(v.Z)} }
	rest := root(r3.Sub(level(1), kept))
	for k, share := range [3]r3.Vec{root(kept), rest, rest} {
		w.part[k] = r3.Scale(sigma, along(share, normal3(rng)))
	}
	return w
}

// level is the same along every axis.
func level(v float64) r3.Vec { return r3.Vec{X: v, Y: v, Z: v} }

func (w *wave) at(ms float64) r3.Vec {
	if !w.live {
		return r3.Vec{}
	}
	sin, cos := math.Sincos(w.turn * ms)
	return r3.Add(w.part[0], r3.Add(r3.Scale(cos, w.part[1]), r3.Scale(sin, w.part[2])))
}

// rate is its rate of change per second.
func (w *wave) rate(ms float64) r3.Vec {
	if !w.live {
		return r3.Vec{}
	}
	sin, cos := math.Sincos(w.turn * ms)
	return r3.Scale(1000*w.turn, r3.Sub(r3.Scale(cos, w.part[2]), r3.Scale(sin, w.part[1])))
}

// twoWaves add up.
type twoWaves [2]wave

func (w *twoWaves) at(ms float64) r3.Vec   { return r3.Add(w[0].at(ms), w[1].at(ms)) }
func (w *twoWaves) rate(ms float64) r3.Vec { return r3.Add(w[0].rate(ms), w[1].rate(ms)) }

// What lasts of a point's error, on a solver's path or in a network's marks,
// goes the same way over neighbouring instants. Against exact solutions of
// rendered clips the solver's errors are correlated .9 and more over 40 ms, .2
// (hips' depth) to .9 over 80 ms, .1 to .9 over 160 ms, 0 to .8 over 320 ms;
// these give .95, .82, .47 and .13 (a network's error hangs on the pose, which is
// another one 300 ms on).
const (
	lastingMs   = 120
	lastingKept = .1
)

// draw is one set of errors to put into the readings. Its random numbers
// depend on the seed, its own number and what they are for, never on which
// measures ask for them or in what order.
type draw struct {
	seed   uint64
	number uint64
	unique uint64 // number over all passes of a reading: names what readings to recall
	on     map[SourceOfError]bool

	event               [numEvents]float64  // ms
	length              float64             // factor on lengths
	bat                 float64             // factor on lengths and speeds of the bat
	time                float64             // factor on durations
	yaw                 float64             // radians about the vertical
	roll                float64             // radians in the picture plane
	pitch               float64             // radians about the picture's horizontal
	joint               [numPoints]twoWaves // inches, its own and its pair's
	depth               [numPoints]wave     // inches about the expected depth, in X: depth is one number
	height              float64             // inches, of the camera above what planar readings assume
	curve               [numPoints]r3.Vec   // standard normal: what a line leaves out
	swing               [2]float64          // the same for the bat's direction
	bodyDepth, batDepth float64             // inches along the rays from the camera
	ball                ballDraw
	female              float64    // 0..1, where between the segment table's columns
	arm                 [2]float64 // 0..1, left and right: below the other reading's chance, that reading is taken

	turned  [3]r3.Vec // where the camera's turns take the axes
	scatter scatter
	motion  *motion
}

const numEvents = 9

func eventIndex(id phases.EventID) int {
	for i, e := range phases.Events() {
		if e == id {
			return i
		}
	}
	return -1
}

// mix is the output step of splitmix64: it turns neighbouring inputs into
// unrelated outputs.
func mix(x uint64) uint64 {
	x += 0x9e3779b97f4a7c15
	x = (x ^ x>>30) * 0xbf58476d1ce4e5b9
	x = (x ^ x>>27) * 0x94d049bb133111eb
	return x ^ x>>31
}

// Streams of a draw: points take their own numbers, these come after.
const (
	streamShared = 1000 + iota
	streamJoints
	streamDepth
	streamCurve
	streamBall
	streamLimb
	streamLine
)

func (d *draw) stream(what, part int) *rand.Rand {
	return rand.New(rand.NewPCG(mix(d.seed^mix(d.number)), mix(uint64(what)<<32|uint64(part))))
}

func newDraw(seed uint64, m *motion, on map[SourceOfError]bool) *draw {
	d := &draw{seed: seed, on: on, motion: m}
	d.scatter.clear(m)
	return d
}

// next makes d its next draw: the spread of every shared error comes from r.
func (d *draw) next(r *reading) {
	d.number++
	r.passes++
	d.unique = r.passes
	shared := d.stream(streamShared, 0)
	pick := func(s SourceOfError, sigma float64) float64 {
		z := shared.NormFloat64() // always drawn, so that a part left out moves no other
		if !d.on[s] {
			return 0
		}
		return z * sigma
	}
	scale := pick(FromScale, 1) // one scale, whose error is larger at the barrel
	d.length, d.bat = 1+scale*r.lengthSigma, 1+scale*r.batSigma
	d.time = 1 + pick(FromClock, r.timeSigma)
	d.yaw = pick(FromCamera, r.yawSigma)
	d.roll = pick(FromCamera, r.rollSigma)
	for i := range d.event {
		d.event[i] = pick(FromEvents, r.eventSigma[i])
	}
	d.bodyDepth = pick(FromCamera, r.bodyDepthSigma)
	d.height = pick(FromCamera, cameraHeightSigmaIn)
	d.swing[0], d.swing[1] = pick(FromFit, 1), pick(FromFit, 1)
	d.pitch, d.batDepth = pick(FromCamera, r.pitchSigma), pick(FromCamera, r.batDepthSigma)
	d.turned = d.turning()
	d.female = .5
	if u := shared.Float64(); d.on[FromJoints] {
		d.female = u
	}
	for i := range d.arm {
		if d.arm[i] = shared.Float64(); !d.on[FromReading] {
			d.arm[i] = 1
		}
	}
	d.nextBall()
	joints, depth, curve := d.stream(streamJoints, 0), d.stream(streamDepth, 0), d.stream(streamCurve, 0)
	for p := range d.joint {
		e, kept := r.joints[p], keptOf(point(p))
		d.joint[p][0] = newWave(joints, e.Own, kept, jointLastMs)
		pair := newWave(joints, e.Pair, kept, jointLastMs)
		if left := leftOf(point(p)); p < vision.NumLandmarks && int(left) != p {
			pair = r.pairs[left] // left-hand landmarks come first
		}
		r.pairs[p] = pair
		d.joint[p][1] = pair
		d.depth[p] = newWave(depth, r.depth[p].sigma, level(jointKept), jointLastMs)
		if !d.on[FromJoints] || point(p).bat() {
			d.joint[p] = twoWaves{}
		}
		if !d.on[FromCamera] {
			d.depth[p] = wave{}
		}
		if d.curve[p] = normal3(curve); !d.on[FromFit] {
			d.curve[p] = r3.Vec{}
		}
	}
}

func normal3(rng *rand.Rand) r3.Vec {
	return r3.Vec{X: rng.NormFloat64(), Y: rng.NormFloat64(), Z: rng.NormFloat64()}
}

// limbDepth is the share of a joint's depth variance that it has in common with
// its limb. A joint's depth is solved from its neighbour's by the length of the
// bone between and how short that looks, so that errors run on from joint to
// joint. Against exact solutions of rendered clips neighbours' depth errors are
// correlated .8 to .96, but for the rear leg at contact, which is not.
const limbDepth = .75

// limbwise puts a limb's common error in place of that share of a joint's own,
// along the line of sight.
func (d *draw) limbwise(own, whole r3.Vec) r3.Vec {
	u := d.motion.toCamera
	depth := r3.Dot(u, own)
	return r3.Add(own, r3.Scale(math.Sqrt(limbDepth)*r3.Dot(u, whole)+(math.Sqrt(1-limbDepth)-1)*depth, u))
}

// limbOf numbers arms and legs: shoulder to hand and hip to toe, left before
// right.
func limbOf(p point) (limb int, ok bool) {
	left := leftOf(p)
	switch {
	case left >= vision.LeftHip && left <= vision.LeftToe:
		return 2 + int(p) - int(left), true
	case left >= vision.LeftShoulder && left <= vision.LeftHand:
		return int(p) - int(left), true
	}
	return 0, false
}

// along scales a vector axis by axis.
func along(sigma, z r3.Vec) r3.Vec {
	return r3.Vec{X: sigma.X * z.X, Y: sigma.Y * z.Y, Z: sigma.Z * z.Z}
}

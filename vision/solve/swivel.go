package solve

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"nightcage/vision"
)

// With shoulder and fist held, an elbow can only go round a circle. What speaks
// against each place on it: the elbow's mark, how a forearm can stand to a bat
// that its fist holds, how far shoulders turn, the trunk, which an elbow is not
// inside of, and the side that the network has it on.

// Angles between forearm (elbow to fist) and bat (knob to tip). A handle lies
// across the palm at some 102 deg to the forearm (hand-tool practice, from
// memory); the wrist moves 20 deg toward the thumb and 35 toward the little
// finger (American Academy of Orthopaedic Surgeons 1965, from memory), and a
// handle that slips into the fingers gives more toward the little finger: arm and
// shaft come close to one line as the hands pass (common practice).
const gripLeast, gripMost, gripSlack = 75 * math.Pi / 180, 165 * math.Pi / 180, 10 * math.Pi / 180

// Shoulder: an upper arm goes behind the plane of the trunk by some 45 deg, and
// 15 more with the shoulder blade drawn back; about its own axis it turns 70 deg
// inward and 90 outward from the forearm-forward posture, throwers more (same
// source).
const (
	behindMost, behindSlack    = 50 * math.Pi / 180, 10 * math.Pi / 180
	turnIn, turnOut, turnSlack = -80 * math.Pi / 180, 110 * math.Pi / 180, 15 * math.Pi / 180
	trunkHalfShare             = 0.075 // of height: half the chest's depth at least, and half its width less the arm
	trunkSkinIn                = 1.5
)

// Most places of an elbow lie within the limits, which their sines and cosines tell
// for less.
var cosGripLeast, cosGripMost, sinBehindMost = math.Cos(gripLeast), math.Cos(gripMost), math.Sin(behindMost)

const (
	swivelSteps = 24
	// How much an arm's length varies as marks show it: shoulders shrug and a
	// network's elbow wanders on the sleeve. It moves the circle: 5 % of an arm that
	// is a little bent moves its elbow sideways by 2 in, and the errors of shoulder
	// and fist by an inch each.
	armLooseShare = 0.05
	circleIn      = 2.5
	// How often a network has an arm clearly on the right side, and from how far
	// off the line it is clear.
	guessRight, guessElbowIn = 0.7, 4.0
	fistsLetGoMs             = 60.0 // after contact the top hand may leave the bat
)

// armView is an arm at a node with its shoulder and its fist held.
type armView struct {
	fit            *bodyFit
	node           *bodyNode
	side           int
	shoulder, fist r3.Vec
	ray            r3.Vec  // of the elbow's mark
	mark           float64 // its error, inches
	upper, fore    float64 // lengths, inches: to the elbow, and on to the fist
	trunk          trunkAxes
	hasTrunk       bool
	guessSure      float64 // how surely the guess has the elbow behind the line, -1 to 1
}

func (b *bodyFit) armAt(k, side int) *armView {
	nd := &b.nodes[k]
	a := &armView{fit: b, node: nd, side: side, shoulder: b.at(k, jShoulderL+side), fist: b.at(k, jHandL+side),
		ray:   nd.mark[side],
		upper: b.lengthIn(lenUpperArm), fore: b.lengthIn(lenForearm) + 0.9*b.lengthIn(lenFist)}
	a.mark = math.Hypot(nd.sigma[jElbowL+side], circleIn)
	a.trunk, a.hasTrunk = b.trunkAt(k, side)
	if nd.guessed {
		a.guessSure = (2*guessRight - 1) * math.Tanh(b.guessOff(k, side)/guessElbowIn)
	}
	return a
}

// circle is where the elbow can be: centre, and two vectors of the circle's
// radius, the second away from the camera as far as can be. against is what a
// fist too far or too near for the arm costs, as -2 log; the circle is then a
// point.
func (a *armView) circle() (centre, across, away r3.Vec, against float64) {
	line := r3.Sub(a.fist, a.shoulder)
	d := norm(line)
	u := r3.Scale(1/max(d, 1e-6), line)
	along := (d*d + a.upper*a.upper - a.fore*a.fore) / (2 * max(d, 1e-6))
	square := a.upper*a.upper - along*along
	if square <= 0 {
		along = math.Copysign(a.upper, along)
		loose := armLooseShare * (a.upper + a.fore)
		miss := max(d-a.upper-a.fore, math.Abs(a.upper-a.fore)-d)
		return r3.Add(a.shoulder, r3.Scale(along, u)), r3.Vec{}, r3.Vec{}, sq(miss / loose)
	}
	radius := math.Sqrt(square)
	sight := r3.Vec{Z: 1}
	back := r3.Sub(sight, r3.Scale(u.Z, u))
	if norm(back) < 1e-3 {
		back = r3.Sub(r3.Vec{Y: 1}, r3.Scale(u.Y, u))
	}
	back = unit(back)
	return r3.Add(a.shoulder, r3.Scale(along, u)), r3.Scale(radius, r3.Cross(u, back)), r3.Scale(radius, back), 0
}

// against is what speaks against an elbow at a place, as -2 log.
func (a *armView) against(elbow, middle r3.Vec) float64 {
	home := a.fit.home
	off := sq(elbow.X/elbow.Z-a.ray.X) + sq(elbow.Y/elbow.Z-a.ray.Y)
	cost := (markFreedom + 2) * math.Log1p(off*home*home/(a.mark*a.mark*markFreedom))
	if a.node.relief.ok {
		return cost + a.elbowSaid(elbow) + a.awkward(elbow)
	}
	return cost - 2*math.Log(1+a.guessSure*math.Tanh((elbow.Z-middle.Z)/guessElbowIn)) + a.awkward(elbow)
}

// awkward is what anatomy and grip say against an elbow at a place, as -2 log.
func (a *armView) awkward(elbow r3.Vec) float64 {
	over := func(angle, limit, slack float64) float64 { return sq(max(0, angle-limit) / slack) }
	forearm := unit(r3.Sub(a.fist, elbow))
	cost := 0.0
	if a.node.bat.ok && (a.side == 0 || a.node.ms < a.fit.contactMs+fistsLetGoMs) {
		if along := r3.Dot(forearm, a.node.bat.dir); along > cosGripLeast || along < cosGripMost {
			held := math.Acos(max(-1, min(1, along)))
			cost += over(gripLeast, held, gripSlack) + over(held, gripMost, gripSlack)
		}
	}
	if !a.hasTrunk {
		return cost
	}
	t := &a.trunk
	upper := unit(r3.Sub(elbow, a.shoulder))
	if behind := -r3.Dot(upper, t.ahead); behind > sinBehindMost {
		cost += over(math.Asin(min(1, behind)), behindMost, behindSlack)
	}
	turn, bent := t.axialTurn(upper, forearm)
	// a straight arm shows no turn
	cost += bent * (over(turn, turnOut, turnSlack) + over(turnIn, turn, turnSlack))
	return cost + sq(t.inside(elbow, trunkHalfShare*a.fit.sizes.height)/trunkSkinIn)
}

// round goes round the circle and calls see with every place of the elbow, the
// middle of the circle and what speaks against it.
func (a *armView) round(see func(elbow, middle r3.Vec, cost float64)) {
	centre, across, away, base := a.circle()
	if across == (r3.Vec{}) {
		see(centre, centre, base+a.against(centre, centre))
		return
	}
	for i := range swivelSteps {
		e := r3.Add(centre, r3.Add(r3.Scale(swivels[i][0], across), r3.Scale(swivels[i][1], away)))
		see(e, centre, a.against(e, centre))
	}
}

// swivels are cosines and sines of the steps round the circle.
var swivels = func() (out [swivelSteps][2]float64) {
	for i := range out {
		out[i][1], out[i][0] = math.Sincos(2 * math.Pi * (float64(i) + .5) / swivelSteps)
	}
	return out
}()

// trunkAxes is the trunk as an arm's shoulder sees it.
type trunkAxes struct {
	shoulder   r3.Vec
	hips, up   r3.Vec // middle of the hips; unit, hips to shoulders
	out, ahead r3.Vec // unit: to the arm's own side; where the chest faces
	long       float64
}

func (b *bodyFit) trunkAt(k, side int) (t trunkAxes, ok bool) {
	nd := &b.nodes[k]
	if !nd.ok[jHipL] || !nd.ok[jHipR] || !nd.ok[jShoulderL] || !nd.ok[jShoulderR] {
		return t, false
	}
	lead, rear := b.at(k, jShoulderL), b.at(k, jShoulderR)
	t.hips = r3.Scale(.5, r3.Add(b.at(k, jHipL), b.at(k, jHipR)))
	spine := r3.Sub(r3.Scale(.5, r3.Add(lead, rear)), t.hips)
	t.long = norm(spine)
	if t.long < 1 {
		return t, false
	}
	t.up = r3.Scale(1/t.long, spine)
	line := r3.Sub(lead, rear)
	line = r3.Sub(line, r3.Scale(r3.Dot(line, t.up), t.up))
	if norm(line) < 1 {
		return t, false
	}
	t.out, t.shoulder = unit(line), lead
	// the lead side is the left one: left x up = ahead, in right-handed axes; the
	// camera's (right, down, away) are right-handed too
	t.ahead = r3.Cross(t.out, t.up)
	if side == 1 {
		t.out, t.shoulder = r3.Scale(-1, t.out), rear
	}
	return t, true
}

// axialTurn is how far an upper arm is turned about its own axis, outward
// positive, from the posture that the arm hanging down with the forearm forward
// takes when it is swung to upper the shortest way; bent is how clearly the
// forearm shows it, 0 to 1.
func (t *trunkAxes) axialTurn(upper, forearm r3.Vec) (turn, bent float64) {
	down := r3.Scale(-1, t.up)
	v, c := r3.Cross(down, upper), r3.Dot(down, upper)
	if c < -.98 {
		return 0, 0 // straight up: every way is as short
	}
	swing := func(p r3.Vec) r3.Vec { // the rotation that takes down to upper
		w := r3.Cross(v, p)
		return r3.Add(p, r3.Add(w, r3.Scale(1/(1+c), r3.Cross(v, w))))
	}
	flat := r3.Sub(forearm, r3.Scale(r3.Dot(forearm, upper), upper))
	n := norm(flat)
	if n < .3 {
		return 0, 0
	}
	return math.Atan2(r3.Dot(flat, swing(t.out)), r3.Dot(flat, swing(t.ahead))), min(1, (n-.3)/.3)
}

// inside is how deep a place lies in the trunk, inches; 0 outside.
func (t *trunkAxes) inside(p r3.Vec, half float64) float64 {
	d := r3.Sub(p, t.hips)
	h := r3.Dot(d, t.up)
	if h < 0 || h > t.long {
		return 0
	}
	return max(0, half-norm(r3.Sub(d, r3.Scale(h, t.up))))
}

// guessOff is by how much the network has an elbow behind the line from
// shoulder to wrist, inches.
func (b *bodyFit) guessOff(k, side int) float64 {
	if r := &b.nodes[k].relief; r.ok {
		return r.depths[int(vision.LeftElbowArm)+side].in
	}
	g := &b.nodes[k].guess
	return g[jElbowL+side] - (g[jShoulderL+side]+g[jWristL+side])/2
}

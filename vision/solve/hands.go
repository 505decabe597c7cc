package solve

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// An arm that lies nearly across the line of sight tells the depth of its hand
// badly: within its length's error the hand is as likely level with the shoulder
// as some inches before or behind it, and a least-squares fit goes to either
// end. Both arms, the grip, the guess and where hands are held leave a spread of
// depths that is no bell curve. weighHands therefore goes through the depths of
// the hands on a grid, over the whole swing, with the elbows' places summed out,
// and the fit takes the mean of what is left and its spread.

const (
	handsStepIn, handsReachIn = 2.0, 28.0 // of the grid, against the shoulders' middle
	handsCells                = 2*int(handsReachIn/handsStepIn) + 1

	// Hands move in depth about as fast as they move across the picture, and in a
	// swing also where that is little, because they may be coming straight at the
	// camera: they reach 250 to 300 in/s.
	handsWanderInS, handsSwingInS, handsDepthShare = 8.0, 150.0, 0.7
	swingFromMs, swingToMs                         = -150.0, 250.0

	// A network's error of a wrist against its shoulder, as a share of the arm.
	wristGuessShare = 0.25
)

// handsAt is the grid's result at a node: the bottom hand's depth behind the
// shoulders' middle, inches, and its spread.
type handsAt struct {
	ok       bool
	mean, sd float64
}

// weighHands fills the nodes' hands from the present trunk and bat.
func (b *bodyFit) weighHands() {
	var at []int // nodes with hands
	for k := range b.nodes {
		nd := &b.nodes[k]
		nd.hands = handsAt{}
		if nd.ok[jShoulderL] && nd.ok[jShoulderR] && nd.ok[jHandL] && nd.ok[jHandR] && nd.ok[jElbowL] && nd.ok[jElbowR] {
			at = append(at, k)
		}
	}
	if len(at) == 0 {
		return
	}
	like := make([][handsCells]float64, len(at))
	for q, k := range at {
		like[q] = b.handsLikelihood(k)
	}
	fwd, bwd := make([][handsCells]float64, len(at)), make([][handsCells]float64, len(at))
	fwd[0] = like[0]
	for q := 1; q < len(at); q++ {
		fwd[q] = spread(fwd[q-1], b.handsReach(at[q-1], at[q]))
		times(&fwd[q], &like[q])
	}
	for i := range bwd[0] {
		bwd[len(at)-1][i] = 1
	}
	for q := len(at) - 2; q >= 0; q-- {
		next := bwd[q+1]
		times(&next, &like[q+1])
		bwd[q] = spread(next, b.handsReach(at[q], at[q+1]))
	}
	for q, k := range at {
		times(&fwd[q], &bwd[q])
		var sum, sum1, sum2 float64
		for i, p := range fwd[q] {
			z := float64(i-handsCells/2) * handsStepIn
			sum, sum1, sum2 = sum+p, sum1+p*z, sum2+p*z*z
		}
		mean := sum1 / sum
		b.nodes[k].hands = handsAt{ok: true, mean: mean, sd: math.Sqrt(max(0, sum2/sum-mean*mean) + handsStepIn*handsStepIn/12)}
	}
}

// times multiplies two lists of chances and scales the product to a largest of
// one.
func times(p, by *[handsCells]float64) {
	most := 0.0
	for i := range p {
		p[i] *= by[i]
		most = max(most, p[i])
	}
	if most == 0 {
		// no depth fits both: the nodes' own evidence stands
		*p, most = *by, 1
	}
	for i := range p {
		p[i] = p[i]/most + 1e-12
	}
}

// spread blurs chances by a normal law of a standard deviation in inches.
func spread(p [handsCells]float64, sigma float64) (out [handsCells]float64) {
	var w [handsCells]float64
	for d := range w {
		w[d] = math.Exp(-sq(float64(d)*handsStepIn/sigma) / 2)
	}
	for i := range p {
		for j := range out {
			out[j] += p[i] * w[max(i-j, j-i)]
		}
	}
	return out
}

// inSwing says whether the hands swing, ms after contact.
func inSwing(ms float64) bool { return ms > swingFromMs && ms < swingToMs }

// handsReach is how far the hands may go in depth between two nodes, standard
// deviation, inches.
func (b *bodyFit) handsReach(k, l int) float64 {
	p, q := &b.nodes[k], &b.nodes[l]
	across := norm(r3.Sub(q.ray[jHandL], p.ray[jHandL])) * b.cam.distance
	speed := handsWanderInS
	if inSwing(q.ms - b.contactMs) {
		speed = handsSwingInS
	}
	return handsStepIn/3 + speed*(q.ms-p.ms)/1000 + handsDepthShare*across
}

// handsLikelihood is how likely a node's marks are with the bottom hand at each
// depth of the grid.
func (b *bodyFit) handsLikelihood(k int) (out [handsCells]float64) {
	nd := &b.nodes[k]
	middle := r3.Scale(.5, r3.Add(b.at(k, jShoulderL), b.at(k, jShoulderR)))
	apart := 0.0
	if nd.bat.ok && b.gripped(k) {
		apart = (topFistIn - bottomFistIn) * nd.bat.dir.Z
	}
	arms := [2]*armView{b.armAt(k, 0), b.armAt(k, 1)}
	shoulders := [2]r3.Vec{arms[0].shoulder, arms[1].shoulder}
	best := math.Inf(1)
	for i := range out {
		z := middle.Z + float64(i-handsCells/2)*handsStepIn
		fists := [2]r3.Vec{r3.Scale(z, nd.ray[jHandL]), r3.Scale(z+apart, nd.ray[jHandR])}
		out[i] = b.handsHeld(k, fists)
		for side := range 2 {
			out[i] += arms[side].armCost(shoulders[side], fists[side])
		}
		best = min(best, out[i])
	}
	for i := range out {
		out[i] = math.Exp(-nd.fresh * (out[i] - best) / 2)
	}
	return out
}

// gripped says whether the top hand is sure to be on the bat.
func (b *bodyFit) gripped(k int) bool { return b.nodes[k].ms < b.contactMs+fistsLetGoMs }

// shoulderDepthIn is the error of a shoulder's depth, from the trunk's lean and
// turn. shoulderAt are three places that stand for its normal law, with their
// weights (Gauss-Hermite).
const shoulderDepthIn = 3.5

var shoulderAt = [3][2]float64{{-math.Sqrt(3), 1. / 6}, {0, 2. / 3}, {math.Sqrt(3), 1. / 6}}

// armCost is what speaks against an arm's fist at a place, as -2 log, the
// elbow's places and the shoulder's depth summed out. a is overwritten.
func (a *armView) armCost(shoulder, fist r3.Vec) float64 {
	sum := 0.0
	a.fist = fist
	for _, s := range shoulderAt {
		a.shoulder = r3.Add(shoulder, r3.Scale(s[0]*shoulderDepthIn/shoulder.Z, shoulder))
		a.round(func(_, _ r3.Vec, cost float64) { sum += s[1] * math.Exp(-cost/2) })
	}
	return -2 * math.Log(sum+1e-9)
}

// handsHeld is what the guess of the wrists and where hands are held say
// against two fists.
func (b *bodyFit) handsHeld(k int, fists [2]r3.Vec) float64 {
	nd := &b.nodes[k]
	o := k * numJoints
	cost := 0.0
	if nd.ms < b.contactMs+handsFrontMs && nd.ok[jHipL] && nd.ok[jHipR] {
		hips := r3.Scale(.5, r3.Add(b.at(k, jHipL), b.at(k, jHipR)))
		front := r3.Dot(b.cam.axisZ, r3.Sub(r3.Scale(.5, r3.Add(fists[0], fists[1])), hips))
		cost += sq((front - handsFrontIn) / handsFrontSigmaIn)
	}
	if nd.bat.handSpan > 0 {
		cost += (markFreedom + 1) * math.Log1p(sq((fists[0].Z-nd.bat.hand)/nd.bat.handSpan)/markFreedom)
	}
	if nd.relief.ok {
		return cost + b.wristsSaid(k, fists)
	}
	if !nd.guessed {
		return cost
	}
	for side := range 2 {
		j := jShoulderL + side
		sigma := math.Hypot(worldFarIn, wristGuessShare*(b.lengthIn(lenUpperArm)+b.lengthIn(lenForearm)))
		d := (fists[side].Z - b.depth[o+j]) - (nd.guess[jWristL+side] - nd.guess[j])
		cost += (markFreedom + 1) * math.Log1p(sq(d/sigma)/markFreedom) / 2 // both wrists err together
	}
	return cost
}

// holdAtHands keeps the hands where weighHands has them.
func (b *bodyFit) holdAtHands(s *normal, k int) {
	nd := &b.nodes[k]
	o := k * numJoints
	const close = 0.4 // inches: what is not known of them is added in handDepth and write
	s.add([]int{o + jHandL, o + jShoulderL, o + jShoulderR}, []float64{1, -.5, -.5},
		b.depth[o+jHandL]-(b.depth[o+jShoulderL]+b.depth[o+jShoulderR])/2-nd.hands.mean, 1/(close*close))
}

// handsSpread is the spread of the hands' depth at a time, inches, straight
// between nodes.
func (b *bodyFit) handsSpread(ms float64) float64 {
	sd := 0.0
	for _, q := range b.between(ms) {
		sd += q.share * b.nodes[q.node].hands.sd
	}
	return sd
}

// takeHands starts the fit at the hands that weighHands found.
func (b *bodyFit) takeHands() {
	for k := range b.nodes {
		nd := &b.nodes[k]
		if !nd.hands.ok {
			continue
		}
		o := k * numJoints
		d := (b.depth[o+jShoulderL]+b.depth[o+jShoulderR])/2 + nd.hands.mean - b.depth[o+jHandL]
		for _, j := range [4]int{jHandL, jHandR, jWristL, jWristR} {
			b.depth[o+j] += d
		}
	}
}

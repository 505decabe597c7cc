package solve

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"nightcage/vision"
)

// bodyFit finds the depth of every joint over the swing. The joints' images
// are taken as given (smoothed over time), so that the one unknown per joint
// and node is its depth along the ray, and shared unknowns are the logs of the
// segment lengths. Nodes are frames, dense around the swing and sparse
// elsewhere; between them depths are interpolated.
type bodyFit struct {
	cam       *camera
	sizes     sizes
	nodes     []bodyNode
	home      float64   // depth of the hips in the stance, inches
	depth     []float64 // joint-major within a node: depth[node*numJoints+joint], inches
	length    [numLengths]float64
	turned    [numTurned]float64 // how the guess is turned, radians
	prior     [numLengths]share  // log length 0 and its sd; mean holds inches
	traces    [vision.NumLandmarks]*trace
	head      *trace
	bars      [2]*bar // hips, shoulders
	arms      [2]arm  // lead, rear
	contactMs float64 // or the barrel's peak, for want of it
	cov       *covariance
	saved     struct {
		depth  []float64
		length [numLengths]float64
		turned [numTurned]float64
	}
}

// bodyNode is one frame of the fit.
type bodyNode struct {
	frame   int
	ms      float64
	lasts   float64 // seconds the node stands for
	fresh   float64 // share of it that is a new pose: of an independent look
	ray     [numJoints]r3.Vec
	mark    [2]r3.Vec          // rays of the elbows' marks
	sigma   [numJoints]float64 // of the image mark, inches at the hips
	ok      [numJoints]bool
	guess   [numJoints]float64 // depth relative to the hips' middle, inches
	guessed bool
	relief  nodeRelief
	turns   []turnGuess // of hip and shoulder line
	stance  bool
	planted [2]bool   // lead, rear foot still on the ground
	ahead   [2]r3.Vec // unit, the way lead and rear knee bend
	bat     nodeBat
	hands   handsAt
}

// Joints of the fit. Left is the lead side.
const (
	jHipL = iota
	jHipR
	jShoulderL
	jShoulderR
	jElbowL
	jElbowR
	jWristL
	jWristR
	jHandL
	jHandR
	jKneeL
	jKneeR
	jAnkleL
	jAnkleR
	jHeelL
	jHeelR
	jToeL
	jToeR
	jHead
	numJoints
)

var jointLandmark = [numJoints]vision.Landmark{vision.LeftHip, vision.RightHip, vision.LeftShoulder, vision.RightShoulder,
	vision.LeftElbow, vision.RightElbow, vision.LeftWrist, vision.RightWrist, vision.LeftHand, vision.RightHand,
	vision.LeftKnee, vision.RightKnee, vision.LeftAnkle, vision.RightAnkle, vision.LeftHeel, vision.RightHeel,
	vision.LeftToe, vision.RightToe, vision.Nose}

// Segment lengths that the fit adjusts.
const (
	lenThigh = iota
	lenShank
	lenUpperArm
	lenForearm
	lenFist
	lenHips
	lenShoulders
	lenTrunk
	lenNeck
	lenFoot
	numLengths
)

var lengthShares = [numLengths]share{shareThigh, shareShank, shareUpperArm, shareForearm, shareFist, shareHips, shareShoulders, shareTrunk, shareNeck, shareFoot}

// limb is a distance between two points, each the mean of one or two joints.
type limb struct {
	a, b   [2]int // the same joint twice when it is one
	length int    // index of the length, -1: fixed
	fixed  float64
	loose  float64 // how much the distance itself varies, share of the length
	world  float64 // error of the depth difference in the network's guess, inches; 0: not used
}

// Depth differences in a pose network's 3-D guess: 2 in for limbs near the
// trunk and 3 for the ends. Hips and shoulders enter by their turn, see turns.go.
const worldNearIn, worldFarIn = 2.0, 3.0

// What a network or a rule of posture gets wrong hangs on the pose: it stays
// until the hands have moved by half an arm's length, is never new within 150 ms,
// and while the hitter stands it hardly changes.
const poseChangeIn, poseLeastS, poseMostS = 12.0, 0.15, 2.0

var limbs = []limb{
	{a: [2]int{jHipL, jHipL}, b: [2]int{jKneeL, jKneeL}, length: lenThigh, loose: .02, world: worldNearIn},
	{a: [2]int{jHipR, jHipR}, b: [2]int{jKneeR, jKneeR}, length: lenThigh, loose: .02, world: worldNearIn},
	{a: [2]int{jKneeL, jKneeL}, b: [2]int{jAnkleL, jAnkleL}, length: lenShank, loose: .02, world: worldNearIn},
	{a: [2]int{jKneeR, jKneeR}, b: [2]int{jAnkleR, jAnkleR}, length: lenShank, loose: .02, world: worldNearIn},
	{a: [2]int{jShoulderL, jShoulderL}, b: [2]int{jElbowL, jElbowL}, length: lenUpperArm, loose: .03},
	{a: [2]int{jShoulderR, jShoulderR}, b: [2]int{jElbowR, jElbowR}, length: lenUpperArm, loose: .03},
	{a: [2]int{jElbowL, jElbowL}, b: [2]int{jWristL, jWristL}, length: lenForearm, loose: .03},
	{a: [2]int{jElbowR, jElbowR}, b: [2]int{jWristR, jWristR}, length: lenForearm, loose: .03},
	{a: [2]int{jWristL, jWristL}, b: [2]int{jHandL, jHandL}, length: lenFist, loose: .15},
	{a: [2]int{jWristR, jWristR}, b: [2]int{jHandR, jHandR}, length: lenFist, loose: .15},
	{a: [2]int{jHandL, jHandL}, b: [2]int{jHandR, jHandR}, length: -1, fixed: topFistIn - bottomFistIn, loose: .25},
	{a: [2]int{jHipL, jHipL}, b: [2]int{jHipR, jHipR}, length: lenHips, loose: .03},
	{a: [2]int{jShoulderL, jShoulderL}, b: [2]int{jShoulderR, jShoulderR}, length: lenShoulders, loose: .08},
	{a: [2]int{jHipL, jHipR}, b: [2]int{jShoulderL, jShoulderR}, length: lenTrunk, loose: .04, world: worldNearIn},
	{a: [2]int{jShoulderL, jShoulderR}, b: [2]int{jHead, jHead}, length: lenNeck, loose: .12, world: worldNearIn},
	{a: [2]int{jHeelL, jHeelL}, b: [2]int{jToeL, jToeL}, length: lenFoot, loose: .08, world: worldNearIn},
	{a: [2]int{jHeelR, jHeelR}, b: [2]int{jToeR, jToeR}, length: lenFoot, loose: .08, world: worldNearIn},
	{a: [2]int{jAnkleL, jAnkleL}, b: [2]int{jHeelL, jHeelL}, length: -1, fixed: 3.2, loose: .25},
	{a: [2]int{jAnkleR, jAnkleR}, b: [2]int{jHeelR, jHeelR}, length: -1, fixed: 3.2, loose: .25},
}

// Body against the ground and against itself.
const (
	ankleHeightSigmaIn = 1.0 // of a planted ankle about its own height
	toeUpIn            = 1.0 // front of the shoe above the ground
	toeUpSigmaIn       = 0.8
	// The hips' middle in the stance is where the scale was taken. A swing
	// moves it by some inches.
	hipsHomeSigmaIn, hipsRoamSigmaIn = 0.5, 5.0
	// Balance: the hips' middle lies behind the ankles' (away from the plate)
	// as the trunk bends forward. By massShare, with the centre of mass where
	// balance has it and the knees where knees has them, it is 0 in for a trunk
	// 15 deg forward, 1.3 for 25 and 3 for 37.
	hipsBehindIn, hipsBehindSigmaIn = 1.5, 2.5
	// The hands are held and swung in front of the hips, over the plate side,
	// until they go round in the finish.
	handsFrontIn, handsFrontSigmaIn, handsFrontMs = 14.0, 5.0, 50.0
	// nodes: dense within this time of the peak
	nodeNearMs, nodeNearStepMs, nodeFarStepMs = 300.0, 8.0, 33.0
	// How long joints may keep an acceleration in depth; as for traces.
	depthLastsS = accelLastsS
)

func (b *bodyFit) size() *normal {
	return newNormal(numJoints*len(b.nodes), 3*numJoints-1, numLengths+len(b.turned))
}

func (b *bodyFit) advance(dx []float64) {
	for i := range b.depth {
		b.depth[i] += max(-10, min(10, dx[i]))
	}
	for k := range b.length {
		b.length[k] += max(-.2, min(.2, dx[len(b.depth)+k]))
	}
	for k := range b.turned {
		b.turned[k] += max(-.2, min(.2, dx[len(b.depth)+numLengths+k]))
	}
}

func (b *bodyFit) mark() {
	b.saved.depth = append(b.saved.depth[:0], b.depth...)
	b.saved.length, b.saved.turned = b.length, b.turned
}

func (b *bodyFit) revert() {
	copy(b.depth, b.saved.depth)
	b.length, b.turned = b.saved.length, b.saved.turned
}

// at is a joint's place at a node, camera frame.
func (b *bodyFit) at(node, joint int) r3.Vec {
	return r3.Scale(b.depth[node*numJoints+joint], b.nodes[node].ray[joint])
}

// lengthIn is a segment's length, inches.
func (b *bodyFit) lengthIn(k int) float64 { return b.prior[k].mean * math.Exp(b.length[k]) }

func (b *bodyFit) linearise(s *normal) {
	n := len(b.depth)
	for k := range b.nodes {
		for i := range limbs {
			b.limb(s, k, &limbs[i])
		}
		b.turns(s, k)
		b.grip(s, k)
		if b.nodes[k].relief.ok {
			b.seeRelief(s, k)
		} else {
			b.guessArms(s, k)
		}
		b.place(s, k)
		b.balance(s, k)
		b.knees(s, k)
	}
	b.smooth(s)
	for k := range numLengths {
		sd := b.prior[k].sd
		s.add([]int{n + k}, []float64{1}, b.length[k], 1/(sd*sd))
	}
	for k, sd := range [numTurned]float64{guessLeanSigma, guessLeanSigma, guessTurnSigma} {
		s.add([]int{n + numLengths + k}, []float64{1}, b.turned[k], 1/(sd*sd))
	}
}

// linear adds that a sum of joints' places at node k, weighted, is so many inches
// along a direction. It adds nothing when a joint was not seen.
func (b *bodyFit) linear(s *normal, k int, dir r3.Vec, joints []int, weights []float64, want, sigma float64) {
	nd := &b.nodes[k]
	var idx [numJoints]int
	var jac [numJoints]float64
	res := -want
	for q, j := range joints {
		if !nd.ok[j] {
			return
		}
		idx[q], jac[q] = k*numJoints+j, weights[q]*r3.Dot(dir, nd.ray[j])
		res += jac[q] * b.depth[idx[q]]
	}
	s.add(idx[:len(joints)], jac[:len(joints)], res, nd.fresh/(sigma*sigma))
}

// place adds where the body stands: the hips at home, planted feet on the ground,
// the hands in front.
func (b *bodyFit) place(s *normal, k int) {
	nd := &b.nodes[k]
	z, up := b.cam.axisZ, b.cam.up
	hips, sig := []int{jHipL, jHipR}, hipsRoamSigmaIn
	if nd.stance {
		sig = hipsHomeSigmaIn
		b.linear(s, k, z, []int{jHipL, jHipR, jAnkleL, jAnkleR}, []float64{.5, .5, -.5, -.5}, -hipsBehindIn, hipsBehindSigmaIn)
	}
	b.linear(s, k, r3.Vec{Z: 1}, hips, []float64{.5, .5}, b.home, sig)
	if nd.hands.ok {
		b.holdAtHands(s, k)
	} else if nd.ms < b.contactMs+handsFrontMs {
		b.linear(s, k, z, []int{jHandL, jHandR, jHipL, jHipR}, []float64{.5, .5, -.5, -.5}, handsFrontIn, handsFrontSigmaIn)
	}
	ground := r3.Dot(up, b.cam.origin)
	for side := range 2 {
		if nd.planted[side] {
			ankle, toe := jAnkleL+side, jToeL+side
			b.linear(s, k, up, []int{ankle}, []float64{1}, ground+b.cam.ankleUp, math.Hypot(ankleHeightSigmaIn, nd.sigma[ankle]))
			b.linear(s, k, up, []int{toe}, []float64{1}, ground+toeUpIn, math.Hypot(toeUpSigmaIn, nd.sigma[toe]))
		}
	}
	// joints nobody saw stay near the hips
	for j := range numJoints {
		if o := k*numJoints + j; !nd.ok[j] {
			s.add([]int{o}, []float64{1}, b.depth[o]-b.home, 1e-4)
		}
	}
}

// limb adds a segment's length and the network's guess of its depth.
func (b *bodyFit) limb(s *normal, k int, l *limb) {
	nd := &b.nodes[k]
	var d r3.Vec
	var idx [5]int
	var jac [5]float64
	n := 0
	mark := 0.0
	term := func(j int, w float64) bool {
		if !nd.ok[j] {
			return false
		}
		o := k*numJoints + j
		d = r3.Add(d, r3.Scale(w*b.depth[o], nd.ray[j]))
		idx[n], jac[n] = o, w
		n++
		mark += w * w * nd.sigma[j] * nd.sigma[j]
		return true
	}
	for sign, end := range [2][2]int{l.a, l.b} {
		w := 1 - 2*float64(sign)
		if end[0] == end[1] {
			if !term(end[0], w) {
				return
			}
		} else if !term(end[0], w/2) || !term(end[1], w/2) {
			return
		}
	}
	length := l.fixed
	if l.length >= 0 {
		length = b.lengthIn(l.length)
	}
	if l.world > 0 && nd.guessed && !nd.relief.ok {
		b.guess(s, k, idx[:n], jac[:n], math.Hypot(l.world, 0.15*length))
	}
	r := norm(d)
	if r < 1e-6 {
		return
	}
	u := r3.Scale(1/r, d)
	for q := range n {
		jac[q] *= r3.Dot(u, nd.ray[idx[q]-k*numJoints])
	}
	if l.length >= 0 {
		idx[n], jac[n] = len(b.depth)+l.length, -length
		n++
	}
	// How far the marks' error moves the length: only its part along the limb's
	// image counts, which is the limb's share across the line of sight.
	across := math.Sqrt(max(0, 1-u.Z*u.Z))
	sigma := math.Sqrt(sq(l.loose*length) + mark*across*across + 0.2*0.2)
	z := (r - length) / sigma
	s.add(idx[:n], jac[:n], r-length, robust(z)*min(1, markFresh*nd.fresh)/(sigma*sigma))
}

// markFresh is how much sooner than a posture's the error of a joint's smoothed
// mark is a new one: within some 80 ms of a swing.
const markFresh = 2

// smooth adds second differences of depth.
func (b *bodyFit) smooth(s *normal) {
	idx, jac := make([]int, 3), make([]float64, 3)
	for k := 1; k+1 < len(b.nodes); k++ {
		h1, h2 := (b.nodes[k].ms-b.nodes[k-1].ms)/1000, (b.nodes[k+1].ms-b.nodes[k].ms)/1000
		m := 2 / (h1 + h2)
		jac[0], jac[1], jac[2] = m/h1, -m/h1-m/h2, m/h2
		for j := range numJoints {
			o := k*numJoints + j
			idx[0], idx[1], idx[2] = o-numJoints, o, o+numJoints
			r := jac[0]*b.depth[idx[0]] + jac[1]*b.depth[idx[1]] + jac[2]*b.depth[idx[2]]
			a := accelOf(jointLandmark[j])
			s.add(idx, jac, r, (h1+h2)/2/(a*a*2*depthLastsS))
		}
	}
}

// guess adds the network's depth of a sum of joints against their own, turned
// as the guess is as a whole.
func (b *bodyFit) guess(s *normal, k int, idx []int, weight []float64, sigma float64) {
	nd := &b.nodes[k]
	var at [6]int
	var jac [6]float64
	res, right, down := 0.0, 0.0, 0.0
	lean := turnedTrunk
	for q, o := range idx {
		j := o - k*numJoints
		res += weight[q] * (b.depth[o] - nd.guess[j])
		right += weight[q] * b.depth[o] * nd.ray[j].X
		down += weight[q] * b.depth[o] * nd.ray[j].Y
		at[q], jac[q] = o, weight[q]
		if j >= jKneeL && j <= jToeR {
			lean = turnedLegs
		}
	}
	n := len(idx)
	o := len(b.depth) + numLengths
	at[n], jac[n], at[n+1], jac[n+1] = o+lean, -down, o+turnedAll, -right
	res -= b.turned[lean]*down + b.turned[turnedAll]*right
	s.add(at[:n+2], jac[:n+2], res, robust(res/sigma)*nd.fresh/(sigma*sigma))
}

// guessArms adds the network's depth of each wrist against its shoulder, and,
// where the arm is read as the network reads it, of the elbow against the line
// between them.
func (b *bodyFit) guessArms(s *normal, k int) {
	nd := &b.nodes[k]
	if !nd.guessed {
		return
	}
	o := k * numJoints
	for side := range 2 {
		sh, e, w := jShoulderL+side, jElbowL+side, jWristL+side
		if !nd.ok[sh] || !nd.ok[e] || !nd.ok[w] {
			continue
		}
		if !nd.hands.ok { // the grid has heard it
			arm := b.lengthIn(lenUpperArm) + b.lengthIn(lenForearm)
			b.guess(s, k, []int{o + w, o + sh}, []float64{1, -1}, math.Hypot(worldFarIn, wristGuessShare*arm))
		}
		if b.readAsGuessed(k, side) {
			b.guess(s, k, []int{o + e, o + sh, o + w}, []float64{1, -.5, -.5}, guessElbowIn)
		}
	}
}

// readAsGuessed says whether an arm's reading is the network's, or the network
// has its elbow so near the line that it has none.
func (b *bodyFit) readAsGuessed(k, side int) bool {
	a := b.arms[side]
	if len(a) == 0 || !a[k].ok {
		return true
	}
	g := b.guessOff(k, side)
	return math.Abs(g) < readingsApartIn || (g > 0) == (a[k].taken == farther)
}

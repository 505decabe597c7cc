package solve

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// massShare is each joint's share of the body's mass: de Leva (1996), J Biomech
// 29(9):1223-1230, table 4, mean of women and men, every segment's mass dealt
// out to its two ends by where its centre lies between them (trunk MIDS-MIDH).
var massShare = massShares()

func massShares() (out [numJoints]float64) {
	for _, s := range []struct {
		from, to    int // joints of the left side
		mass, along float64
	}{
		{jShoulderL, jElbowL, .0263, .576},
		{jElbowL, jWristL, .0150, .457},
		{jHandL, jHandL, .0059, 0},
		{jHipL, jKneeL, .1447, .385},
		{jKneeL, jAnkleL, .0457, .437},
		{jHeelL, jToeL, .0133, .408},
		{jShoulderL, jHipL, .4302 / 2, .405}, // half of the trunk
	} {
		for side := range 2 {
			out[s.from+side] += s.mass * (1 - s.along)
			out[s.to+side] += s.mass * s.along
		}
	}
	out[jHead] = .0681
	return out
}

// A hitter who stands has his centre of mass above his feet. Across the line of
// the feet it lies between their middle and their balls, which are 2.5 in
// further forward (common practice); a sway of an inch moves it. While he swings
// it may leave that line: by 3 in, which 0.3 g makes of 100 ms of push. Along the
// line of the feet the weight shifts, so that only a wide limit holds there.
const (
	balanceAheadIn                 = 1.2
	balanceStandIn, balanceSwingIn = 1.6, 3.5
	balanceAlongIn                 = 5.0
	// Feet stand square, open or closed by 10 deg over two feet of base (common
	// practice; squareSigma is how far the mean of that is from the pitcher's line).
	feetSquareIn = 4.0
)

// balance adds what standing on one's feet, side by side to the pitcher, says of
// the depths at node k.
func (b *bodyFit) balance(s *normal, k int) {
	x, z := b.cam.axisX, b.cam.axisZ
	b.linear(s, k, z, []int{jAnkleL, jAnkleR}, []float64{1, -1}, 0, feetSquareIn)
	if b.nodes[k].stance {
		b.linear(s, k, z, allJoints[:], overFeet[:], balanceAheadIn, balanceStandIn)
		b.linear(s, k, x, allJoints[:], overFeet[:], 0, balanceAlongIn)
		return
	}
	b.linear(s, k, z, allJoints[:], overFeet[:], balanceAheadIn, balanceSwingIn)
}

// overFeet weighs joints so that their sum is the centre of mass against the
// middle of the feet.
var allJoints, overFeet = func() (joints [numJoints]int, w [numJoints]float64) {
	for j := range joints {
		joints[j], w[j] = j, massShare[j]
		if j >= jHeelL && j <= jToeR {
			w[j] -= 0.25
		}
	}
	return joints, w
}()

// Knees bend one way: the knee lies on the toes' side of the line from hip to
// ankle, by half the leg (16 in) times the sine of half its flexion; 10 to 60
// deg of flexion, as hitters have from stance to contact, give 1.5 to 8 in.
const kneeForwardIn, kneeForwardSigmaIn = 5.0, 3.5

// knees adds the side on which a leg bends.
func (b *bodyFit) knees(s *normal, k int) {
	for side := range 2 {
		b.linear(s, k, b.nodes[k].ahead[side], []int{jKneeL + side, jHipL + side, jAnkleL + side}, []float64{1, -.5, -.5}, kneeForwardIn, kneeForwardSigmaIn)
	}
}

// aim points every node's knees: along the foot, halfway with the way to the
// plate, because a foot's own image is short and its depth unsure.
func (b *bodyFit) aim() {
	for k := range b.nodes {
		nd := &b.nodes[k]
		for side := range 2 {
			nd.ahead[side] = b.cam.axisZ
			if !nd.ok[jHeelL+side] || !nd.ok[jToeL+side] {
				continue
			}
			foot := r3.Sub(b.at(k, jToeL+side), b.at(k, jHeelL+side))
			foot = r3.Sub(foot, r3.Scale(r3.Dot(foot, b.cam.up), b.cam.up))
			if n := r3.Norm(foot); n > 1 && r3.Dot(foot, b.cam.axisZ) > -0.3*n {
				nd.ahead[side] = r3.Unit(r3.Add(b.cam.axisZ, r3.Scale(1/n, foot)))
			}
		}
	}
}

// How a network's 3-D guess is turned for the whole swing: trunk and arms, and
// the legs, lean toward or away from the camera less or more than they do,
// because a lean hardly shows in a picture and the mean body stands upright; and
// all of it heads elsewhere.
const (
	turnedTrunk = iota
	turnedLegs
	turnedAll
	numTurned
	guessLeanSigma, guessTurnSigma = 15 * math.Pi / 180, 12 * math.Pi / 180
)

package solve

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// nodeBat is the bat at a node of the body's fit: which way it points and how
// sure its depth part is.
type nodeBat struct {
	ok       bool
	dir      r3.Vec  // knob to tip, camera frame
	sigma    float64 // of dir's depth
	hand     float64 // depth of the bottom hand by the bat alone, inches
	handSpan float64 // its standard error; 0: the bat alone does not tell
}

// The bat's direction comes from its own image and length, its distance mostly
// from the arms that hold it, and from its own size where it lies across the
// line of sight. The two fits therefore take turns: direction and distance by the
// bat alone go into the body's fit, the hands' depth comes back to the bat's.
// Neither hears of its own evidence again. Solving both at once would tie every
// frame of the bat to every node of the body for the same answer.

// holdBat takes the bat's direction into the nodes, with its standard errors.
func (b *bodyFit) holdBat(bat *batFit, cov *covariance) {
	near := bat.near()
	for k := range b.nodes {
		nd := &b.nodes[k]
		i := nd.frame - bat.first
		if i < 0 || i >= len(bat.looks) || !near[i] {
			continue
		}
		e1, e2 := tangent(bat.dir[i])
		o := perFrame * i
		v := sq(e1.Z)*cov.at(o+3, o+3) + sq(e2.Z)*cov.at(o+4, o+4) + 2*e1.Z*e2.Z*cov.at(o+3, o+4)
		nd.bat = nodeBat{ok: true, dir: bat.dir[i], sigma: math.Sqrt(max(0, v))}
		// what the bat adds to the depth it was given: precisions subtract
		given := sq(bat.depthSigma[i]) + fistSigmaIn*fistSigmaIn
		found := 1/max(1e-6, cov.inner(o+2, o+2)) - 1/given
		if found*given > batTellsShare {
			nd.bat.hand = b.home + (bat.knob[i].Z + bottomFistIn*bat.dir[i].Z - bat.f()/bat.scale())
			nd.bat.handSpan = math.Sqrt(1/found + sq(bat.depthShared(cov.f, cov, i)))
		}
	}
}

// batTellsShare is how much, against what it was given, a bat must tell of its
// own depth to be heard: less is its path's smoothness.
const batTellsShare = 0.5

// How closely fists keep their distance on the handle, and the wrist the line
// from elbow to fist: it bends by some 25 deg (of 70 up and down and 20 to 35
// sideways, American Academy of Orthopaedic Surgeons 1965, from memory), on a
// fist 2.9 in long.
const fistsApartSigmaIn, wristOffLineIn = 0.5, 1.2

// grip adds that both fists are on the bat and each wrist is on its forearm.
func (b *bodyFit) grip(s *normal, k int) {
	nd := &b.nodes[k]
	o := k * numJoints
	w := min(1, nd.lasts/handsLastS)
	if nd.bat.ok && b.gripped(k) && nd.ok[jHandL] && nd.ok[jHandR] {
		const apart = topFistIn - bottomFistIn
		v := sq(fistsApartSigmaIn) + sq(apart*nd.bat.sigma)
		s.add([]int{o + jHandL, o + jHandR}, []float64{-1, 1},
			b.depth[o+jHandR]-b.depth[o+jHandL]-apart*nd.bat.dir.Z, w/v)
	}
	along := b.lengthIn(lenForearm) / (b.lengthIn(lenForearm) + b.lengthIn(lenFist))
	for side := range 2 {
		e, wr, h := jElbowL+side, jWristL+side, jHandL+side
		if nd.ok[e] && nd.ok[wr] && nd.ok[h] {
			s.add([]int{o + e, o + wr, o + h}, []float64{along - 1, 1, -along},
				b.depth[o+wr]-(1-along)*b.depth[o+e]-along*b.depth[o+h], w/sq(wristOffLineIn))
		}
	}
}

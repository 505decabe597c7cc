package solve

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// An elbow behind the line from shoulder to fist looks much as one before it.
// arms.go weighs the two readings over the whole swing, by what speaks against
// the elbow's places of either (swivel.go) and by continuity.

const (
	nearer, farther = 0, 1 // readings: the elbow on the camera's side of the line, or behind it

	// An elbow that the readings move by less than this is read in one way.
	readingsApartIn = 2.0
	// An elbow's depth against the shoulder's changes at some 150 in/s at most
	// (half of the hands' speed).
	elbowSpeedInS = 150.0
	// What the weighing rests on, trunk, lengths and marks, is itself off in some
	// swings so far that it tells nothing.
	readingVoid = 0.2
)

// reading is one way of reading an arm at a node.
type reading struct {
	elbow r3.Vec  // the mean of the places it takes in, camera frame
	cost  float64 // -2 log likelihood
}

// arm is what weighing an arm's readings gave, per node.
type arm []armNode

type armNode struct {
	ok    bool
	read  [2]reading
	taken int     // nearer or farther
	other float64 // chance of the reading not taken; 0 where there is but one
}

// weighArms fills b.arms from the present depths of trunk and hands.
func (b *bodyFit) weighArms() {
	for side := range 2 {
		a := make(arm, len(b.nodes))
		for k := range a {
			a[k] = b.readings(k, side)
		}
		a.follow(b.nodes)
		b.arms[side] = a
	}
}

// readings finds both readings of an arm at a node and what speaks against each.
func (b *bodyFit) readings(k, side int) (n armNode) {
	nd := &b.nodes[k]
	if !nd.ok[jShoulderL+side] || !nd.ok[jElbowL+side] || !nd.ok[jHandL+side] {
		return n
	}
	var at [2]r3.Vec
	var weight [2]float64
	var all r3.Vec
	b.armAt(k, side).round(func(elbow, middle r3.Vec, cost float64) {
		w := math.Exp(-cost / 2)
		r := nearer
		if elbow.Z > middle.Z {
			r = farther
		}
		at[r], weight[r] = r3.Add(at[r], r3.Scale(w, elbow)), weight[r]+w
		all = r3.Add(all, r3.Scale(w, elbow))
	})
	sum := weight[0] + weight[1]
	if sum == 0 {
		return n
	}
	for r := range n.read {
		if weight[r] < 1e-12*sum {
			n.read[r] = reading{r3.Scale(1/sum, all), nd.fresh * 50}
			continue
		}
		n.read[r] = reading{r3.Scale(1/weight[r], at[r]), -2 * nd.fresh * math.Log(weight[r]/sum)}
	}
	n.ok = true
	return n
}

// pair holds a number for each reading.
type pair [2]float64

// follow finds the likeliest sequence of readings (Viterbi) and how likely the
// other one is at every node (forward-backward).
func (a arm) follow(nodes []bodyNode) {
	n := len(a)
	if n == 0 {
		return
	}
	fwd, bwd, best := make([]pair, n), make([]pair, n), make([]pair, n)
	back := make([][2]int, n)
	for k := range n {
		for r := range 2 {
			one := -a[k].read[r].cost / 2
			if k == 0 {
				fwd[k][r], best[k][r] = one, one
				continue
			}
			x, y := a.step(nodes, k, nearer, r), a.step(nodes, k, farther, r)
			fwd[k][r] = one + logSum(fwd[k-1][nearer]+x, fwd[k-1][farther]+y)
			u, v := best[k-1][nearer]+x, best[k-1][farther]+y
			if v > u {
				u, back[k][r] = v, farther
			}
			best[k][r] = one + u
		}
	}
	for k := n - 2; k >= 0; k-- {
		next := func(from, to int) float64 {
			return a.step(nodes, k+1, from, to) - a[k+1].read[to].cost/2 + bwd[k+1][to]
		}
		for r := range 2 {
			bwd[k][r] = logSum(next(r, nearer), next(r, farther))
		}
	}
	r := nearer
	if best[n-1][farther] > best[n-1][nearer] {
		r = farther
	}
	for k := n - 1; k >= 0; k-- {
		a[k].take(r, fwd[k], bwd[k])
		r = back[k][r]
	}
}

// step is the log of how likely an elbow goes from one reading at node k-1 to
// another at node k.
func (a arm) step(nodes []bodyNode, k, from, to int) float64 {
	p, q := &a[k-1], &a[k]
	if !p.ok || !q.ok {
		return 0
	}
	reach := 1 + elbowSpeedInS*(nodes[k].ms-nodes[k-1].ms)/1000
	return -sq((q.read[to].elbow.Z-p.read[from].elbow.Z)/reach) / 2
}

// take settles on a reading and says how likely the other one is.
func (n *armNode) take(r int, fwd, bwd pair) {
	n.taken = r
	if n.ok && n.read[farther].elbow.Z-n.read[nearer].elbow.Z > readingsApartIn {
		x, y := fwd[r]+bwd[r], fwd[1-r]+bwd[1-r]
		n.other = min(.5, (1-readingVoid)*math.Exp(y-logSum(x, y))+readingVoid/2)
	}
}

// logSum is log(exp(a) + exp(b)).
func logSum(a, b float64) float64 {
	hi, lo := max(a, b), min(a, b)
	if math.IsInf(hi, -1) {
		return hi
	}
	return hi + math.Log1p(math.Exp(lo-hi))
}

// takeReadings starts the elbows where the readings taken have them, and moves
// their rays toward there, as far as the circle is surer than the mark.
func (b *bodyFit) takeReadings() {
	for side := range 2 {
		for k := range b.nodes {
			n := &b.arms[side][k]
			if !n.ok {
				continue
			}
			j := jElbowL + side
			e := n.read[n.taken].elbow
			d := e.Z - b.depth[k*numJoints+j]
			b.nodes[k].ray[j] = b.elbowRay(k, side, n.taken)
			b.depth[k*numJoints+j] += d
			b.depth[k*numJoints+jWristL+side] += wristMoves * d
		}
	}
}

// elbowRay is the ray of an elbow by a reading: between its mark's and its
// circle's, by their errors.
func (b *bodyFit) elbowRay(k, side, reading int) r3.Vec {
	nd := &b.nodes[k]
	e, mark := b.arms[side][k].read[reading].elbow, nd.mark[side]
	share := sq(nd.sigma[jElbowL+side]) / (sq(nd.sigma[jElbowL+side]) + circleIn*circleIn)
	return r3.Add(mark, r3.Scale(share, r3.Sub(r3.Scale(1/e.Z, e), mark)))
}

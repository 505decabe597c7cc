package solve

import (
	"math"
	"sort"

	"gonum.org/v1/gonum/spatial/r3"

	"nightcage/vision"
)

// depthAt is a joint's depth at a time and its standard error: a cubic through
// the nodes around it. ok is false outside the nodes, in gaps longer than
// maxGapMs and where the joint was not seen.
func (b *bodyFit) depthAt(joint int, ms float64) (z, sigma float64, ok bool) {
	n := len(b.nodes)
	k := sort.Search(n, func(i int) bool { return b.nodes[i].ms >= ms })
	val := func(i int) float64 { return b.depth[i*numJoints+joint] }
	se := func(i int) float64 {
		o := i*numJoints + joint
		return math.Sqrt(max(0, b.cov.at(o, o)))
	}
	if k == n {
		k = n - 1
	}
	if math.Abs(b.nodes[k].ms-ms) < 0.01 {
		return val(k), se(k), b.nodes[k].ok[joint]
	}
	if k == 0 || b.nodes[k].ms < ms {
		// frames just outside the nodes keep the nearest node's depth
		return val(k), se(k), b.nodes[k].ok[joint] && math.Abs(b.nodes[k].ms-ms) <= nodeFarStepMs
	}
	if !b.nodes[k].ok[joint] || !b.nodes[k-1].ok[joint] || b.nodes[k].ms-b.nodes[k-1].ms > maxGapMs {
		return 0, 0, false
	}
	h := b.nodes[k].ms - b.nodes[k-1].ms
	t := (ms - b.nodes[k-1].ms) / h
	slope := func(i int) float64 { // per ms
		lo, hi := max(0, i-1), min(n-1, i+1)
		return (val(hi) - val(lo)) / (b.nodes[hi].ms - b.nodes[lo].ms)
	}
	m0, m1 := slope(k-1)*h, slope(k)*h
	t2, t3 := t*t, t*t*t
	z = (2*t3-3*t2+1)*val(k-1) + (t3-2*t2+t)*m0 + (3*t2-2*t3)*val(k) + (t3-t2)*m1
	return z, (1-t)*se(k-1) + t*se(k), true
}

// handDepth is the depth of the bottom hand relative to the hips in the stance
// and its standard error, inches. Before and after the body was seen it is the
// mean of a swing.
func (b *bodyFit) handDepth(ms float64) (z, sigma float64) {
	if z, s, ok := b.depthAt(jHandL, ms); ok {
		return z - b.cam.distance, math.Hypot(s, b.handsSpread(ms))
	}
	sin, cos := math.Sincos(b.cam.yaw)
	return -handsFrontIn * cos, math.Hypot(handsFrontSigmaIn*cos, 12*sin)
}

// toPoint is a joint's place in the swing frame. Sideways errors are those of its
// mark, depth's own acts along the ray.
func (b *bodyFit) toPoint(p point, z, sigma float64) vision.Point3 {
	c := b.cam
	ray := c.ray(p)
	flat := p.sigma * z / c.f
	spread := func(a r3.Vec) float64 {
		return math.Sqrt(sq(flat*math.Hypot(a.X, a.Y)) + sq(sigma*r3.Dot(a, ray)))
	}
	return vision.Point3{Vec3: vision.Vec3(c.toSwing(r3.Scale(z, ray))), Valid: true,
		SX: spread(c.axisX), SY: spread(c.up), SZ: spread(c.axisZ)}
}

// write puts the joints of every frame into the solution.
func (b *bodyFit) write(sol *vision.Solution, s *scene) {
	sol.BodyDepthSigmaIn = b.sharedDepth()
	for i := range s.looks {
		ms := s.looks[i].ms
		body := make([]vision.Point3, vision.NumLandmarks)
		any := false
		for j := jElbowL; j < jHead; j++ {
			l := int(jointLandmark[j])
			z, sigma, ok := b.depthAt(j, ms)
			if !ok || !b.traces[l].ok[i] {
				continue
			}
			p := b.traces[l].at(i)
			if j <= jElbowR {
				p = b.onCircle(p, j-jElbowL, ms, false)
			}
			body[s.side(l)] = b.toPoint(p, z, b.withHands(j, ms, sigma))
			any = true
		}
		for q, left := range [2]int{jHipL, jShoulderL} {
			lead, rear, line := b.lineAt(q, left, i, ms)
			if !line.Valid {
				continue
			}
			if q == 0 {
				sol.Frames[i].HipLine = line
			} else {
				sol.Frames[i].ShoulderLine = line
			}
			l := int(jointLandmark[left])
			body[s.side(l)], body[s.side(l+1)] = lead, rear
			any = true
		}
		z, sigma, ok := b.depthAt(jHead, ms)
		if ok && b.head.ok[i] {
			sol.Frames[i].Head = b.toPoint(b.head.at(i), z, sigma)
		}
		// The face lies within 4 in of the skull's centre, toward where the
		// hitter looks: the pitcher, for most of a swing.
		for l := int(vision.Nose); ok && l <= int(vision.RightEar); l++ {
			if !b.traces[l].ok[i] {
				continue
			}
			ahead := 3.5
			if l >= int(vision.LeftEar) {
				ahead = 0
			}
			body[s.side(l)] = b.toPoint(b.traces[l].at(i), z+ahead*b.cam.axisX.Z, math.Hypot(sigma, 2.5))
		}
		if any {
			sol.Frames[i].Body, sol.Frames[i].Other = body, b.others(s, i)
		}
	}
}

// others are the places of the elbows and wrists in a frame by the reading of
// the arm that was not taken.
func (b *bodyFit) others(s *scene, frame int) (out []vision.OtherPlace) {
	ms := s.looks[frame].ms
	for side := range 2 {
		move, weight := b.otherAt(side, ms)
		if weight <= 0 {
			continue
		}
		for _, j := range [2]int{jElbowL + side, jWristL + side} {
			l := int(jointLandmark[j])
			z, sigma, ok := b.depthAt(j, ms)
			if !ok || !b.traces[l].ok[frame] {
				continue
			}
			p, by := b.traces[l].at(frame), move
			if j <= jElbowR {
				p = b.onCircle(p, side, ms, true)
			} else {
				by *= wristMoves
			}
			out = append(out, vision.OtherPlace{Landmark: vision.Landmark(s.side(l)), Weight: weight,
				Place: b.toPoint(p, z+by, b.withHands(j, ms, sigma))})
		}
	}
	return out
}

// withHands is a joint's depth error with its share of the spread of the hands'
// depth, which the fit held.
func (b *bodyFit) withHands(joint int, ms, sigma float64) float64 {
	switch joint {
	case jHandL, jHandR:
		return math.Hypot(sigma, b.handsSpread(ms))
	case jWristL, jWristR:
		return math.Hypot(sigma, (1-wristMoves/2)*b.handsSpread(ms))
	case jElbowL, jElbowR:
		return math.Hypot(sigma, b.handsSpread(ms)/2)
	}
	return sigma
}

// onCircle moves an elbow's mark to where its reading has it in the picture, or
// the reading that was not taken.
func (b *bodyFit) onCircle(p point, side int, ms float64, other bool) point {
	for _, q := range b.between(ms) {
		n := &b.arms[side][q.node]
		if !n.ok {
			continue
		}
		r := n.taken
		if other {
			r = 1 - r
		}
		by := r3.Sub(b.elbowRay(q.node, side, r), b.nodes[q.node].mark[side])
		p.u, p.v = p.u+q.share*b.cam.f*by.X, p.v+q.share*b.cam.f*by.Y
	}
	return p
}

// wristMoves is the wrist's share of the elbow's move between readings: it lies
// that far up the line from fist to elbow.
const wristMoves = 0.2

// otherAt is by how much the other reading moves an elbow in depth at a time,
// inches, and its chance; straight between nodes.
func (b *bodyFit) otherAt(side int, ms float64) (move, weight float64) {
	for _, q := range b.between(ms) {
		n := &b.arms[side][q.node]
		if n.other == 0 && q.share > 0 {
			return 0, 0
		}
		move += q.share * (n.read[1-n.taken].elbow.Z - n.read[n.taken].elbow.Z)
		weight += q.share * n.other
	}
	return move, weight
}

// nodeShare is a node and what it counts for at a time near it.
type nodeShare struct {
	node  int
	share float64
}

// between is the nodes about a time, by how near each is: straight between them.
func (b *bodyFit) between(ms float64) [2]nodeShare {
	k := sort.Search(len(b.nodes), func(i int) bool { return b.nodes[i].ms >= ms })
	lo, hi, t := max(0, k-1), min(len(b.nodes)-1, k), 0.0
	if hi > lo {
		t = max(0, min(1, (ms-b.nodes[lo].ms)/(b.nodes[hi].ms-b.nodes[lo].ms)))
	}
	return [2]nodeShare{{lo, 1 - t}, {hi, t}}
}

// follow moves the body with the hips' home after the scale has changed.
func (b *bodyFit) follow() {
	d := b.cam.distance - b.home
	for i := range b.depth {
		b.depth[i] += d
	}
	b.home = b.cam.distance
}

// lineAt places the two ends of the hip or shoulder line in a frame: half the
// width to either side of the middle of the marks at the depth of the joints'
// middle, by the line's openness.
func (b *bodyFit) lineAt(q, left, frame int, ms float64) (lead, rear vision.Point3, line vision.LineError) {
	l := jointLandmark[left]
	p, r := b.traces[l].at(frame), b.traces[l+1].at(frame)
	z0, s0, ok0 := b.depthAt(left, ms)
	z1, s1, ok1 := b.depthAt(left+1, ms)
	open, sigma, ok2 := b.bars[q].at(ms)
	if !p.ok || !r.ok || !ok0 || !ok1 || !ok2 {
		return lead, rear, line
	}
	mid := point{u: (p.u + r.u) / 2, v: (p.v + r.v) / 2, sigma: math.Hypot(p.sigma, r.sigma) / 2, ok: true}
	z := (z0 + z1) / 2
	c := b.cam
	rise, riseSigma := -(p.v-r.v)/2*z/c.f, mid.sigma*z/c.f
	if rad, sigma, ok := b.bars[q].riseAt(ms); ok {
		half := b.bars[q].halfWidth()
		rise, riseSigma = half*math.Sin(rad), half*sigma
	}
	off, by := b.bars[q].half(open, rise)
	centre := r3.Scale(z, c.ray(mid))
	// the network shifts both ends of a line alike
	flat := math.Hypot(p.sigma, r.sigma) / math.Sqrt2 * z / c.f
	// both ends' depths go together for the most part: their mean error is the
	// middle's
	deep := (s0 + s1) / 2
	if left == jHipL {
		deep = 0 // the hips' middle is what depths count from: BodyDepthSigmaIn
	}
	ray := c.ray(mid)
	middle := func(a r3.Vec) float64 { return math.Hypot(flat*math.Hypot(a.X, a.Y), deep*r3.Dot(a, ray)) }
	line = vision.LineError{SX: middle(c.axisX), SY: middle(c.up), SZ: middle(c.axisZ), TurnRad: sigma, RiseIn: riseSigma, Valid: true}
	end := func(sign float64) vision.Point3 {
		move := func(a r3.Vec) float64 {
			return math.Hypot(math.Hypot(middle(a), sigma*r3.Dot(a, by)), riseSigma*r3.Dot(a, c.up))
		}
		return vision.Point3{Vec3: vision.Vec3(c.toSwing(r3.Add(centre, r3.Scale(sign, off)))), Valid: true,
			SX: move(c.axisX), SY: move(c.up), SZ: move(c.axisZ)}
	}
	return end(1), end(-1), line
}

// sharedDepth is the error that all joints of the swing share along the line
// of sight: the depth of the hips' middle against the origin's.
func (b *bodyFit) sharedDepth() float64 {
	// balance and roam of the hips, see bodyfit.go: the origin lies between
	// the ankles, the hips' middle by balance alone
	return hipsBehindSigmaIn
}

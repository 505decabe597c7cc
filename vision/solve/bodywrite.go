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
		return z - b.cam.distance, s
	}
	sin, cos := math.Sincos(b.cam.yaw)
	return -handsFrontIn * cos, math.Hypot(handsFrontSigmaIn*cos, 12*sin)
}

// place is a joint's place in the swing frame. Sideways errors are those of its
// mark, depth's own acts along the ray.
func (b *bodyFit) place(p point, z, sigma float64) vision.Point3 {
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
			if j == jElbowL || j == jElbowL+1 {
				sigma = math.Hypot(sigma, b.elbowTurn(j, ms, z))
			}
			body[s.side(l)] = b.place(b.traces[l].at(i), z, sigma)
			any = true
		}
		for q, left := range [2]int{jHipL, jShoulderL} {
			lead, rear, ok := b.lineAt(q, left, i, ms)
			if !ok {
				continue
			}
			l := int(jointLandmark[left])
			body[s.side(l)], body[s.side(l+1)] = lead, rear
			any = true
		}
		z, sigma, ok := b.depthAt(jHead, ms)
		if ok && b.head.ok[i] {
			sol.Frames[i].Head = b.place(b.head.at(i), z, sigma)
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
			body[s.side(l)] = b.place(b.traces[l].at(i), z+ahead*b.cam.axisX.Z, math.Hypot(sigma, 2.5))
		}
		if any {
			sol.Frames[i].Body = body
		}
	}
}

// elbowTurn is what the other reading of a bent arm adds to an elbow's depth
// error, inches. The picture and the arm's lengths are as well met by an elbow
// as far behind the line from shoulder to wrist as it was put before it; the
// hidden arm's is put on the right side more often than not. With three chances
// in four for the chosen side, half the distance between the two readings is
// the standard deviation.
func (b *bodyFit) elbowTurn(elbow int, ms, z float64) float64 {
	side := elbow - jElbowL
	sh, _, ok0 := b.depthAt(jShoulderL+side, ms)
	wr, _, ok1 := b.depthAt(jWristL+side, ms)
	if !ok0 || !ok1 {
		return 0
	}
	return math.Abs(z - (sh+wr)/2)
}

// lineAt places the two ends of the hip or shoulder line in a frame: half the
// width to either side of the middle of the marks at the depth of the joints'
// middle, by the line's openness. What is uncertain is mostly the openness,
// which moves the ends against each other; each end gets 1/sqrt 2 of that move,
// so that two independent ends make it up.
func (b *bodyFit) lineAt(q, left, frame int, ms float64) (lead, rear vision.Point3, ok bool) {
	l := jointLandmark[left]
	p, r := b.traces[l].at(frame), b.traces[l+1].at(frame)
	z0, _, ok0 := b.depthAt(left, ms)
	z1, _, ok1 := b.depthAt(left+1, ms)
	open, sigma, ok2 := b.bars[q].at(ms)
	if !p.ok || !r.ok || !ok0 || !ok1 || !ok2 {
		return lead, rear, false
	}
	mid := point{u: (p.u + r.u) / 2, v: (p.v + r.v) / 2, sigma: math.Hypot(p.sigma, r.sigma) / 2, ok: true}
	z := (z0 + z1) / 2
	c := b.cam
	off, by := b.bars[q].half(open, -(p.v-r.v)/2*z/c.f)
	centre := r3.Scale(z, c.ray(mid))
	flat := math.Hypot(p.sigma, r.sigma) / math.Sqrt2 * z / c.f
	end := func(sign float64) vision.Point3 {
		move := func(a r3.Vec) float64 {
			return max(flat*math.Hypot(a.X, a.Y), math.Sqrt2*sigma*math.Abs(r3.Dot(a, by)))
		}
		return vision.Point3{Vec3: vision.Vec3(c.toSwing(r3.Add(centre, r3.Scale(sign, off)))), Valid: true,
			SX: move(c.axisX), SY: move(c.up), SZ: move(c.axisZ)}
	}
	return end(1), end(-1), true
}

// sharedDepth is the error that all joints of the swing share along the line
// of sight: the depth of the hips' middle against the origin's.
func (b *bodyFit) sharedDepth() float64 {
	// balance and roam of the hips, see bodyfit.go: the origin lies between
	// the ankles, the hips' middle by balance alone
	return hipsBehindSigmaIn
}

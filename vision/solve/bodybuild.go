package solve

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"nightcage/vision"
)

// slowShare is the part of a pose network's error that does not average out
// over neighbouring frames: where it puts a joint is a matter of definition,
// clothing and pose, which last; jitter is the smaller part.
const slowShare = 0.8

// footStillInS is the image speed, inches per second, below which a foot counts
// as planted.
const footStillInS = 6.0

// traces smooths every landmark's marks. The wrists and hands are helped by the
// bat where its ends are seen: fists sit on the handle.
func (w *work) traces() [vision.NumLandmarks]*trace {
	var out [vision.NumLandmarks]*trace
	scale, length := w.cam.scale, w.sizes.bat
	onBat := func(l *look, along float64) point {
		if !l.knob.ok || !l.tip.ok {
			return point{}
		}
		k := along / length
		return point{u: l.knob.u + k*(l.tip.u-l.knob.u), v: l.knob.v + k*(l.tip.v-l.knob.v),
			sigma: math.Hypot(l.knob.sigma, fistSigmaIn*scale), ok: true}
	}
	for j := range out {
		lm := vision.Landmark(j)
		along := bottomFistIn // the lead hand is the bottom one
		if j%2 == 0 {
			along = topFistIn
		}
		get := func(l *look) point { return l.body[j] }
		switch lm {
		case vision.LeftHand, vision.RightHand:
			get = func(l *look) point {
				if p := onBat(l, along); p.ok {
					return p
				}
				if l.body[j].ok {
					return l.body[j]
				}
				return l.body[j-2] // the wrist, 3 in off
			}
		case vision.LeftWrist, vision.RightWrist:
			get = func(l *look) point {
				p, q := l.body[j], onBat(l, along)
				if !q.ok {
					return p
				}
				q.sigma = 2.2 * scale // the wrist lies some 3 in from the fist's middle, in some direction
				if !p.ok {
					return q
				}
				a, b := 1/(p.sigma*p.sigma), 1/(q.sigma*q.sigma)
				// two marks that disagree: the bat is the surer one
				if p.dist(q) > 3*math.Hypot(p.sigma, q.sigma) {
					a /= 10
				}
				return point{u: (a*p.u + b*q.u) / (a + b), v: (a*p.v + b*q.v) / (a + b), sigma: 1 / math.Sqrt(a+b), ok: true}
			}
		}
		out[j] = w.scene.slowTrace(accelOf(lm), scale, get)
	}
	return out
}

// slowTrace is a trace whose errors hold the part of each mark's that lasts and
// that smoothing does not take away.
func (s *scene) slowTrace(accel, scale float64, get func(*look) point) *trace {
	t := s.newTrace(accel, scale, get)
	for i := range t.sigma {
		if p := get(&s.looks[i]); p.ok {
			t.sigma[i] = math.Hypot(t.sigma[i], slowShare*p.sigma)
		}
	}
	return t
}

// fitBody builds and solves the body's depths, around a bat where one has been
// fitted.
func (w *work) fitBody(bat *batFit, batCov *covariance) (*bodyFit, error) {
	tr := w.traces()
	w.bodyTraces = tr
	head := w.scene.slowTrace(accelHead, w.cam.scale, func(l *look) point { return l.head })
	b := &bodyFit{cam: &w.cam, sizes: w.sizes, traces: tr, head: head, contactMs: w.contactMs, home: w.cam.distance}
	for k, sh := range lengthShares {
		b.prior[k] = share{sh.mean * w.sizes.height, math.Hypot(sh.sd/sh.mean, w.sizes.heightSigmaRel)}
	}
	w.pickNodes(b, &tr)
	if len(b.nodes) < 3 {
		return nil, fmt.Errorf("a body was found in too few frames (%d)", len(b.nodes))
	}
	inPerMetre := w.worldScale()
	b.depth = make([]float64, numJoints*len(b.nodes))
	for k := range b.nodes {
		w.fillNode(b, k, &tr, head, inPerMetre)
	}
	if bat != nil {
		b.holdBat(bat, batCov)
	}
	if err := w.setLines(b); err != nil {
		return nil, err
	}
	s := b.size()
	b.aim()
	if err := minimise(b, s, bodySteps); err != nil {
		return nil, fmt.Errorf("fit the body: %w", err)
	}
	b.aim()
	b.weighHands()
	b.takeHands()
	if bat == nil && w.moments.hasBat {
		// only to place the bat, for a start
		return b, b.inverse(s)
	}
	b.weighArms()
	b.takeReadings()
	if err := minimise(b, s, bodySteps); err != nil {
		return nil, fmt.Errorf("fit the body: %w", err)
	}
	b.weighArms()
	return b, b.inverse(s)
}

func (b *bodyFit) inverse(s *normal) error {
	f, err := s.factorise(1e-9)
	if err != nil {
		return fmt.Errorf("errors of the body: %w", err)
	}
	b.cov = f.inverse()
	return nil
}

// setLines fits the turn of hips and shoulders and puts both lines there.
func (w *work) setLines(b *bodyFit) error {
	for q, line := range []struct {
		left  vision.Landmark
		mean  turning
		width share
		gain  [2]share
	}{{vision.LeftHip, hipTurn, shareHips, hipGain}, {vision.LeftShoulder, shoulderTurn, shareShoulders, shoulderGain}} {
		r, err := w.fitBar(b, q, line.left, line.mean, line.width, line.gain)
		if err != nil {
			return fmt.Errorf("fit the turn of the body: %w", err)
		}
		b.bars[q] = r
		for k := range b.nodes {
			b.setLine(k, r, 2*q)
		}
		b.prior[lenHips+q] = share{r.width * math.Exp(r.global[barWidth]), 0.03}
	}
	return nil
}

const bodySteps = 12

// pickNodes chooses the frames with a body that the fit works on.
func (w *work) pickNodes(b *bodyFit, tr *[vision.NumLandmarks]*trace) {
	stance := map[int]bool{}
	for _, i := range w.moments.stance {
		stance[i] = true
	}
	peak := w.scene.looks[w.moments.peak].ms
	last := math.Inf(-1)
	for i := range w.scene.looks {
		ms := w.scene.looks[i].ms
		step := nodeFarStepMs
		if math.Abs(ms-peak) < nodeNearMs {
			step = nodeNearStepMs
		}
		if ms-last < step-0.1 {
			continue
		}
		seen := true
		for _, l := range []vision.Landmark{vision.LeftHip, vision.RightHip, vision.LeftShoulder, vision.RightShoulder} {
			seen = seen && tr[l].ok[i]
		}
		if !seen {
			continue
		}
		b.nodes = append(b.nodes, bodyNode{frame: i, ms: ms, stance: stance[i]})
		last = ms
	}
	for k := range b.nodes {
		lo, hi := max(0, k-1), min(len(b.nodes)-1, k+1)
		if hi == lo {
			continue
		}
		nd := &b.nodes[k]
		nd.lasts = (b.nodes[hi].ms - b.nodes[lo].ms) / 1000 / float64(hi-lo)
		hands := tr[vision.LeftHand]
		moved := hands.at(b.nodes[hi].frame).dist(hands.at(b.nodes[lo].frame)) / w.cam.scale / float64(hi-lo)
		if inSwing(nd.ms - w.contactMs) {
			moved = max(moved, handsSwingInS*nd.lasts)
		}
		nd.fresh = min(1, nd.lasts/poseLeastS, nd.lasts/poseMostS+moved/poseChangeIn)
	}
}

// fillNode sets a node's rays, guess and starting depths.
func (w *work) fillNode(b *bodyFit, k int, tr *[vision.NumLandmarks]*trace, head *trace, inPerMetre float64) {
	c, nd := &w.cam, &b.nodes[k]
	i := nd.frame
	l := &w.scene.looks[i]
	for j := range numJoints {
		t := tr[jointLandmark[j]]
		if j == jHead {
			t = head
		}
		nd.ok[j] = t.ok[i]
		p := t.at(i)
		nd.ray[j], nd.sigma[j] = c.ray(p), p.sigma/c.scale
	}
	nd.mark = [2]r3.Vec{nd.ray[jElbowL], nd.ray[jElbowR]}
	if l.hasWorld {
		nd.guessed = true
		mid := (l.world[vision.LeftHip].Z + l.world[vision.RightHip].Z) / 2
		for j := range numJoints {
			z := l.world[jointLandmark[j]].Z
			if j == jHead {
				z = (l.world[vision.LeftEar].Z + l.world[vision.RightEar].Z) / 2
			}
			nd.guess[j] = (z - mid) * inPerMetre
		}
	} else {
		nd.guess = w.template(l.ms)
	}
	if nd.relief = w.nodeReliefAt(l); nd.relief.ok {
		b.guessFromRelief(k, l.relief.lines)
	}
	for j := range numJoints {
		b.depth[k*numJoints+j] = c.distance + nd.guess[j]
	}
	still := func(t *trace) bool {
		lo, hi := i, i
		ms := w.scene.looks[i].ms
		for lo > 0 && ms-w.scene.looks[lo].ms < 20 {
			lo--
		}
		for hi+1 < len(w.scene.looks) && w.scene.looks[hi].ms-ms < 20 {
			hi++
		}
		dt := (w.scene.looks[hi].ms - w.scene.looks[lo].ms) / 1000
		return t.ok[lo] && t.ok[hi] && dt > 0 && t.at(lo).dist(t.at(hi))/dt < footStillInS*c.scale
	}
	for side := range 2 {
		nd.planted[side] = still(tr[int(vision.LeftAnkle)+side]) && still(tr[int(vision.LeftToe)+side])
	}
}

// worldScale is inches per metre of the network's 3-D guess: its bodies are of
// a size of their own.
func (w *work) worldScale() float64 {
	var sums []float64
	for _, i := range w.moments.stance {
		l := &w.scene.looks[i]
		if !l.hasWorld {
			continue
		}
		d := func(a, b vision.Landmark) float64 { return r3.Norm(r3.Sub(l.world[a], l.world[b])) }
		hips := r3.Scale(.5, r3.Add(l.world[vision.LeftHip], l.world[vision.RightHip]))
		sh := r3.Scale(.5, r3.Add(l.world[vision.LeftShoulder], l.world[vision.RightShoulder]))
		sum := r3.Norm(r3.Sub(hips, sh))
		for k := range vision.Landmark(2) {
			sum += (d(vision.LeftHip+k, vision.LeftKnee+k) + d(vision.LeftKnee+k, vision.LeftAnkle+k)) / 2
		}
		sums = append(sums, sum)
	}
	if len(sums) == 0 {
		return 1 / .0254
	}
	return (shareThigh.mean + shareShank.mean + shareTrunk.mean) * w.sizes.height / median(sums)
}

// template is a batting body's depths relative to the hips, inches, for want of
// a 3-D guess: hips and shoulders turning as hitters turn, hands and knees in
// front.
func (w *work) template(ms float64) [numJoints]float64 {
	t := ms - w.contactMs
	open := shoulderTurn.at(t)
	h := w.sizes.height
	var p [numJoints]r3.Vec // swing frame, relative to the hips
	pair := func(j int, half, up, front, open float64) {
		sin, cos := math.Sincos(open)
		p[j] = r3.Vec{X: half * cos, Y: up * h, Z: front - half*sin}
		p[j+1] = r3.Vec{X: -half * cos, Y: up * h, Z: front + half*sin}
	}
	pair(jHipL, shareHips.mean*h/2, 0, 0, hipTurn.at(t))
	pair(jShoulderL, shareShoulders.mean*h/2, .28, 5, open)
	pair(jElbowL, shareShoulders.mean*h/2, .14, 8, open)
	for _, j := range []int{jWristL, jWristR, jHandL, jHandR} {
		p[j] = r3.Vec{X: -8, Y: .15 * h, Z: handsFrontIn}
		if open > .8 {
			p[j].X = 14
		}
	}
	for side := range 2 {
		x := 12.0 - 24*float64(side)
		p[jKneeL+side] = r3.Vec{X: x * .7, Y: -.22 * h, Z: 5}
		p[jAnkleL+side] = r3.Vec{X: x, Y: -.44 * h, Z: hipsBehindIn}
		p[jHeelL+side] = r3.Vec{X: x, Y: -.48 * h, Z: hipsBehindIn - 2.5}
		p[jToeL+side] = r3.Vec{X: x, Y: -.48 * h, Z: hipsBehindIn + 7.5}
	}
	p[jHead] = r3.Vec{Y: .4 * h, Z: 8}
	var out [numJoints]float64
	for j := range out {
		out[j] = p[j].X*w.cam.axisX.Z + p[j].Y*w.cam.up.Z + p[j].Z*w.cam.axisZ.Z
	}
	return out
}

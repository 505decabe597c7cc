package solve

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"nightcage/vision"
)

// relief is a frame's vision.Relief in canonical form: left is lead. Directions
// are those of a camera that looks straight at the hips.
type relief struct {
	ok     bool
	lines  [2]reliefLine // hips, shoulders
	depths [vision.NumDepths]vision.DepthGuess
}

// reliefLine is the unit vector from a line's rear end to its lead end and the
// scale of the error of its heading, radians.
type reliefLine struct {
	dir   r3.Vec
	scale float64
}

const (
	// reliefTrust widens the network's own scales. They hold on renders (its card);
	// people in loose cloth were not at hand, and looks that a network was not
	// trained on cost it a half and more (judgement).
	reliefTrust = 1.5
	// Part of a heading's error is the network's for this hitter and lasts the whole
	// swing: 1.9 deg for hips and 1.3 for shoulders over rendered clips
	// (models/body_depth.md), doubled and more for people, whom it never met. The rest is new with the pose after reliefLastsS.
	reliefOffSigma = 4 * math.Pi / 180
	reliefLastsS   = 0.08
)

// canonicalRelief takes a frame's relief as the scene has its marks; one that does
// not say how sure it is of every part is not used.
func (s *scene) canonicalRelief(v *vision.Relief) relief {
	if v == nil {
		return relief{}
	}
	r := relief{ok: true, depths: v.Depths}
	for _, g := range v.Depths {
		if !(g.Scale > 0) {
			return relief{}
		}
	}
	for q, h := range [2]vision.Heading{v.Hips, v.Shoulders} {
		r.lines[q] = reliefLine{r3.Vec(h.Dir), h.ScaleRad}
		if !(h.ScaleRad > 0) || !(r3.Norm(r.lines[q].dir) > 0.5) {
			return relief{}
		}
	}
	if !s.mirrored {
		return r
	}
	for q := range r.lines {
		// the mirror turns x about; exchanging the sides turns all of it
		d := &r.lines[q].dir
		d.Y, d.Z = -d.Y, -d.Z
	}
	for d := vision.LeftKneeHip; d < vision.ShouldersHips; d += 2 {
		r.depths[d], r.depths[d+1] = r.depths[d+1], r.depths[d]
	}
	r.depths[vision.AnkleAnkle].Z = -r.depths[vision.AnkleAnkle].Z
	return r
}

// straightAt gives the axes, right, down and away, of a camera that looks straight
// at an image point, in those of the clip's camera.
func straightAt(p point, focalPx float64) (x, y, z r3.Vec) {
	z = r3.Unit(r3.Vec{X: p.u, Y: p.v, Z: focalPx})
	x = r3.Unit(r3.Cross(r3.Vec{Y: 1}, z))
	return x, r3.Cross(z, x), z
}

// nodeRelief is a node's relief: depths are along sight, a unit vector.
type nodeRelief struct {
	ok     bool
	sight  r3.Vec
	depths [vision.NumDepths]said
}

// said is a difference of depth, inches, with its standard error.
type said struct{ in, sigma float64 }

// nodeReliefAt is the relief of a frame for a body of a height.
func (w *work) nodeReliefAt(l *look) (n nodeRelief) {
	hip := l.middle(vision.LeftHip, vision.RightHip)
	if !l.relief.ok || !hip.ok {
		return n
	}
	n.ok = true
	_, _, n.sight = straightAt(hip, w.cam.f)
	for d, g := range l.relief.depths {
		n.depths[d] = said{g.Z * w.sizes.height, reliefTrust * g.Scale * w.sizes.height}
	}
	return n
}

// lineSaid is what a relief says of the hip (0) or shoulder line (1).
type lineSaid struct {
	ok    bool
	open  float64 // openness, radians
	rise  float64 // of the lead end above the level, radians
	sigma float64 // standard error of the openness, radians
}

// sure is how far a relief alone tells the turn, 0 to 1.
func (g *lineSaid) sure() float64 {
	if !g.ok {
		return 0
	}
	return 1 / (1 + sq(g.sigma/reliefHalfSure))
}

func (w *work) lineSaid(l *look, q int) lineSaid {
	hip := l.middle(vision.LeftHip, vision.RightHip)
	if !l.relief.ok || !hip.ok {
		return lineSaid{}
	}
	x, y, z := straightAt(hip, w.cam.f)
	v := l.relief.lines[q].dir
	d := r3.Add(r3.Scale(v.X, x), r3.Add(r3.Scale(v.Y, y), r3.Scale(v.Z, z)))
	return lineSaid{true, math.Atan2(-r3.Dot(d, w.cam.axisZ), r3.Dot(d, w.cam.axisX)),
		math.Asin(max(-1, min(1, r3.Dot(d, w.cam.up)))), reliefTrust * l.relief.lines[q].scale}
}

const (
	// A line's rise is seen in the picture, its heading is not: against its heading's
	// error, that of the network's rise is this share, and never less than riseLeast
	// (held-out swings: 1.5 to 2 deg in the median where headings err by 2; widened
	// as reliefTrust says).
	riseShare = 0.8
	riseLeast = 3 * math.Pi / 180
	// Rises are averaged over about this time: what a network scatters by from frame
	// to frame goes, and a trunk tips by some 40 deg in 150 ms.
	riseOverMs = 15.0
)

// averageRise sets the rise of a bar's nodes and its standard error.
func (b *bar) averageRise() {
	b.rise, b.riseSigma = make([]float64, len(b.ms)), make([]float64, len(b.ms))
	for k := range b.ms {
		var sum, all, scale float64
		for j := k; j >= 0 && b.ms[k]-b.ms[j] < 3*riseOverMs; j-- {
			b.weighRise(k, j, &sum, &all, &scale)
		}
		for j := k + 1; j < len(b.ms) && b.ms[j]-b.ms[k] < 3*riseOverMs; j++ {
			b.weighRise(k, j, &sum, &all, &scale)
		}
		if all == 0 {
			b.rise[k] = math.NaN()
			continue
		}
		b.rise[k], b.riseSigma[k] = sum/all, max(riseLeast, riseShare*scale/all)
	}
}

func (b *bar) weighRise(k, j int, sum, all, scale *float64) {
	g := &b.said[j]
	if !g.ok {
		return
	}
	w := b.lasts[j] * math.Exp(-sq((b.ms[k]-b.ms[j])/riseOverMs)/2)
	*sum, *all, *scale = *sum+w*g.rise, *all+w, *scale+w*g.sigma
}

// reliefTerms are the joints and weights of each depth.
var reliefTerms = [vision.NumDepths]struct {
	joints  []int
	weights []float64
}{
	vision.LeftKneeHip:        {[]int{jKneeL, jHipL}, []float64{1, -1}},
	vision.RightKneeHip:       {[]int{jKneeR, jHipR}, []float64{1, -1}},
	vision.LeftAnkleKnee:      {[]int{jAnkleL, jKneeL}, []float64{1, -1}},
	vision.RightAnkleKnee:     {[]int{jAnkleR, jKneeR}, []float64{1, -1}},
	vision.LeftWristShoulder:  {[]int{jWristL, jShoulderL}, []float64{1, -1}},
	vision.RightWristShoulder: {[]int{jWristR, jShoulderR}, []float64{1, -1}},
	vision.LeftElbowArm:       {[]int{jElbowL, jShoulderL, jWristL}, []float64{1, -.5, -.5}},
	vision.RightElbowArm:      {[]int{jElbowR, jShoulderR, jWristR}, []float64{1, -.5, -.5}},
	vision.LeftToeHeel:        {[]int{jToeL, jHeelL}, []float64{1, -1}},
	vision.RightToeHeel:       {[]int{jToeR, jHeelR}, []float64{1, -1}},
	vision.ShouldersHips:      {[]int{jShoulderL, jShoulderR, jHipL, jHipR}, []float64{.5, .5, -.5, -.5}},
	vision.HeadShoulders:      {[]int{jHead, jShoulderL, jShoulderR}, []float64{1, -.5, -.5}},
	vision.AnkleAnkle:         {[]int{jAnkleL, jAnkleR}, []float64{1, -1}},
}

// seeRelief adds the depths of a node's relief. Wrists are left out where the grid
// of the hands has heard them, elbows where their arm is read the other way.
func (b *bodyFit) seeRelief(s *normal, k int) {
	nd := &b.nodes[k]
	for d := range reliefTerms {
		switch dd := vision.Depth(d); {
		case (dd == vision.LeftWristShoulder || dd == vision.RightWristShoulder) && nd.hands.ok,
			(dd == vision.LeftElbowArm || dd == vision.RightElbowArm) && !b.readAsGuessed(k, d-int(vision.LeftElbowArm)):
			continue
		}
		b.reliefTerm(s, k, d)
	}
}

func (b *bodyFit) reliefTerm(s *normal, k, d int) {
	nd := &b.nodes[k]
	g := nd.relief.depths[d]
	var idx [4]int
	var jac [4]float64
	res := -g.in
	t := &reliefTerms[d]
	for q, j := range t.joints {
		if !nd.ok[j] {
			return
		}
		idx[q], jac[q] = k*numJoints+j, t.weights[q]*r3.Dot(nd.relief.sight, nd.ray[j])
		res += jac[q] * b.depth[idx[q]]
	}
	n := len(t.joints)
	s.add(idx[:n], jac[:n], res, robust(res/g.sigma)*nd.fresh/(g.sigma*g.sigma))
}

// guessFromRelief sets a node's guess of depths along the camera's axis from the
// relief: what a difference along sight is along the axis, the marks tell.
func (b *bodyFit) guessFromRelief(k int, bars [2]reliefLine) {
	nd := &b.nodes[k]
	sight := nd.relief.sight
	along := func(in float64, from, to int) float64 {
		d := r3.Scale(b.home, r3.Sub(nd.ray[to], nd.ray[from]))
		return (in - d.X*sight.X - d.Y*sight.Y) / sight.Z
	}
	g := &nd.guess
	for q, left := range [2]int{jHipL, jShoulderL} {
		half := b.prior[lenHips+q].mean / 2
		z := half * bars[q].dir.Z
		g[left], g[left+1] = z, -z
	}
	trunk := nd.relief.depths[vision.ShouldersHips].in
	for side := range 2 {
		d := func(left vision.Depth) float64 { return nd.relief.depths[int(left)+side].in }
		sh, hip, knee, ankle, heel, toe := jShoulderL+side, jHipL+side, jKneeL+side, jAnkleL+side, jHeelL+side, jToeL+side
		elbow, wrist, hand := jElbowL+side, jWristL+side, jHandL+side
		g[sh] += trunk
		fist, sole := g[hand]-g[wrist], g[heel]-g[ankle]
		g[knee] = g[hip] + along(d(vision.LeftKneeHip), hip, knee)
		g[ankle] = g[knee] + along(d(vision.LeftAnkleKnee), knee, ankle)
		g[heel] = g[ankle] + sole
		g[toe] = g[heel] + along(d(vision.LeftToeHeel), heel, toe)
		g[wrist] = g[sh] + along(d(vision.LeftWristShoulder), sh, wrist)
		g[elbow] = (g[sh]+g[wrist])/2 + d(vision.LeftElbowArm)
		g[hand] = g[wrist] + fist
	}
	g[jHead] = (g[jShoulderL]+g[jShoulderR])/2 + nd.relief.depths[vision.HeadShoulders].in
}

// elbowSaid is what a relief says against an elbow at a place, as -2 log.
func (a *armView) elbowSaid(elbow r3.Vec) float64 {
	nd := a.node
	g := nd.relief.depths[int(vision.LeftElbowArm)+a.side]
	fore := a.fit.lengthIn(lenForearm)
	wrist := r3.Add(elbow, r3.Scale(fore/a.fore, r3.Sub(a.fist, elbow)))
	off := r3.Dot(nd.relief.sight, r3.Sub(elbow, r3.Scale(.5, r3.Add(a.shoulder, wrist))))
	return (markFreedom + 1) * math.Log1p(sq((off-g.in)/g.sigma)/markFreedom)
}

// wristsSaid is what a relief says against two fists, as -2 log. A fist lies some
// 3 in from its wrist, in some direction. Both wrists err together.
func (b *bodyFit) wristsSaid(k int, fists [2]r3.Vec) (cost float64) {
	nd := &b.nodes[k]
	for side := range 2 {
		g := nd.relief.depths[int(vision.LeftWristShoulder)+side]
		d := r3.Dot(nd.relief.sight, r3.Sub(fists[side], b.at(k, jShoulderL+side)))
		sigma := math.Hypot(g.sigma, b.lengthIn(lenFist)/math.Sqrt(3))
		cost += (markFreedom + 1) * math.Log1p(sq((d-g.in)/sigma)/markFreedom) / 2
	}
	return cost
}

package solve

import (
	"math"
	"sort"

	"gonum.org/v1/gonum/spatial/r3"

	"nightcage/vision"
)

// turning is how a hitter's hip or shoulder line opens toward the pitcher
// through a swing: closed by some angle, then opening in one or two steps.
type turning struct {
	closed float64 // deg
	steps  []turnStep
}

// turnStep is a logistic curve: deg in all, steepest at a time after contact,
// where its slope is deg / (4 tau).
type turnStep struct{ deg, atMs, tauMs float64 }

// Skilled hitters turn the hips at 714 and the shoulders at 937 deg/s at most
// (Welch et al. 1995, J Orthop Sports Phys Ther 22:193), 75 and 65 ms before
// contact (the same, from memory). Before that, the hips give up their coil as
// the lead foot comes down, some 190 ms before contact; the shoulders stay
// (common practice). The whole turn is what brings hips and shoulders to face
// the pitcher in the finish, a little short of square to him at contact (common
// practice).
var (
	hipTurn      = turning{-12, []turnStep{{22, -190, 25}, {66, -75, 66.0 / 4 / 714 * 1000}}}
	shoulderTurn = turning{-20, []turnStep{{104, -65, 104.0 / 4 / 937 * 1000}}}
)

// at is the mean openness, radians, a time after contact.
func (t turning) at(ms float64) float64 {
	deg := t.closed
	for _, s := range t.steps {
		deg += s.deg / (1 + math.Exp(-(ms-s.atMs)/s.tauMs))
	}
	return deg * math.Pi / 180
}

const (
	// Hitters spread about the mean turn by this much, by level and style, for
	// as long as a phase of the swing.
	turnSpread = 20 * math.Pi / 180
	turnLastsS = 0.3
	// Where a relief is sure how far a line is turned, a hitter unlike the mean must be able
	// to show it, and the mean only fills in: it spreads by this much more.
	turnSpreadSaid = 20 * math.Pi / 180
	// Marks and 3-D guess under-turn a line, by how much is guessed at (hipGain); they are
	// for lines of which a relief does not say much. A relief with this standard error
	// counts half as sure.
	reliefHalfSure = 12 * math.Pi / 180
	// The turn's acceleration about its mean: 12 rad/s reached over 40 ms is
	// 300 rad/s^2, a good half of it root mean square, for 30 ms.
	densityOpen = 180.0 * 180.0 * 2 * 0.03
	// Errors of the network's marks (of their distance across the picture, in)
	// and of the heading of its 3-D guess, lasting as long.
	turnMarkIn, turnWorldSigma = 1.0, 10 * math.Pi / 180
)

// A network under-turns the hips: on a body twisted as hitters are, it sets
// them between where they are and where the legs and the camera would have
// them. How much of the turn its marks and its 3-D guess show, and by how much
// the guess is turned as a whole, was read off twelve rendered swings (seeds
// 77001 and 801): hips 0.8 in the marks (0.7 to 0.95) and 0.45 in the guess
// (0.35 to 0.75); shoulders 1.15 (0.9 to 1.3) and 0.8 (0.7 to 1.0); the guess 8
// to 15 deg open from the side, as much closed from behind. The spreads are
// about twice those seen, because people may differ from renders. The turn is
// counted from the mean stance.
var (
	hipGain      = [2]share{{.8, .2}, {.5, .15}}
	shoulderGain = [2]share{{1.1, .2}, {.85, .2}}
)

const worldOffSigma = 12 * math.Pi / 180

// A hitter's whole turn may be earlier or later than the mean's by this much.
const turnShiftSigmaMs = 15.0

// bar is the hip or the shoulder line over the nodes: its openness per node and,
// shared, the log of its width, what share of the turn the marks and the 3-D
// guess show, the guess's constant error, and how late the turn comes.
type bar struct {
	cam       *camera
	mean      turning
	ms        []float64
	lasts     []float64
	contactMs float64 // or the barrel's peak, for want of it
	across    []point // lead minus rear mark, px; sigma at one of them
	depth     []float64
	world     []float64  // openness by the guess, radians; NaN none
	said      []lineSaid // by the relief
	rise      []float64  // radians; NaN where no relief says it
	riseSigma []float64
	width     float64 // inches, before its log correction
	prior     [numBar]share
	open      []float64
	global    [numBar]float64
	sigma     []float64
	saved     struct {
		open   []float64
		global [numBar]float64
	}
}

const (
	barWidth = iota
	barMarkGain
	barWorldGain
	barWorldOff
	barReliefOff
	barShift // of the mean turn's times, in units of turnShiftSigmaMs
	numBar
)

func (b *bar) size() *normal { return newNormal(len(b.open), 2, numBar) }

func (b *bar) advance(dx []float64) {
	for i := range b.open {
		b.open[i] += max(-.5, min(.5, dx[i]))
	}
	for k := range b.global {
		b.global[k] += max(-.2, min(.2, dx[len(b.open)+k]))
	}
}

func (b *bar) mark() {
	b.saved.open, b.saved.global = append(b.saved.open[:0], b.open...), b.global
}

func (b *bar) revert() {
	copy(b.open, b.saved.open)
	b.global = b.saved.global
}

// line is the direction of a rear-to-lead line of unit length at an openness,
// camera frame, and its derivative.
func (b *bar) line(open float64) (d, by r3.Vec) {
	sin, cos := math.Sincos(open)
	x, z := b.cam.axisX, b.cam.axisZ
	return r3.Sub(r3.Scale(cos, x), r3.Scale(sin, z)), r3.Sub(r3.Scale(-sin, x), r3.Scale(cos, z))
}

func (b *bar) linearise(s *normal) {
	n := len(b.open)
	closed := b.mean.closed * math.Pi / 180
	width := b.width * math.Exp(b.global[barWidth])
	gm, gw := b.global[barMarkGain], b.global[barWorldGain]
	for i, open := range b.open {
		w := min(1, b.lasts[i]/turnLastsS)
		g := &b.said[i]
		sure := g.sure()
		spread := turnSpread + sure*turnSpreadSaid
		s.add([]int{i, n + barShift}, []float64{1, b.meanSlope(i)}, open-b.meanAt(i), w/(spread*spread))
		if g.ok {
			r := wrap(open + b.global[barReliefOff] - g.open)
			s.add([]int{i, n + barReliefOff}, []float64{1, 1}, r, robust(r/g.sigma)*min(1, b.lasts[i]/reliefLastsS)/(g.sigma*g.sigma))
		}
		w *= 1 - sure
		if b.across[i].ok {
			// what the network takes the openness for
			seen := closed + gm*(open-closed)
			d, by := b.line(seen)
			scale := b.cam.f / b.depth[i]
			have := b.across[i].u / scale
			sigma := math.Hypot(turnMarkIn, 0.5*b.across[i].sigma/scale)
			r := width*d.X - have
			s.add([]int{i, n + barWidth, n + barMarkGain}, []float64{width * by.X * gm, width * d.X, width * by.X * (open - closed)},
				r, robust(r/sigma)*w/(sigma*sigma))
		}
		if !math.IsNaN(b.world[i]) {
			r := wrap(closed + gw*(open-closed) + b.global[barWorldOff] - b.world[i])
			s.add([]int{i, n + barWorldGain, n + barWorldOff}, []float64{gw, open - closed, 1}, r,
				robust(r/turnWorldSigma)*w/(turnWorldSigma*turnWorldSigma))
		}
	}
	for i := 1; i+1 < n; i++ {
		h1, h2 := (b.ms[i]-b.ms[i-1])/1000, (b.ms[i+1]-b.ms[i])/1000
		m := 2 / (h1 + h2)
		jac := []float64{m / h1, -m/h1 - m/h2, m / h2}
		r := 0.0
		for k, c := range jac {
			r += c * (b.open[i-1+k] - b.meanAt(i-1+k))
		}
		s.add([]int{i - 1, i, i + 1}, jac, r, (h1+h2)/2/densityOpen)
	}
	for k, p := range b.prior {
		s.add([]int{n + k}, []float64{1}, b.global[k]-p.mean, 1/(p.sd*p.sd))
	}
}

// meanAt is the mean turn at node i, as late as it is thought to be.
func (b *bar) meanAt(i int) float64 {
	return b.mean.at(b.ms[i] - b.contactMs - turnShiftSigmaMs*b.global[barShift])
}

// meanSlope is minus the derivative of meanAt by the shift.
func (b *bar) meanSlope(i int) float64 {
	t := b.ms[i] - b.contactMs - turnShiftSigmaMs*b.global[barShift]
	return (b.mean.at(t+.5) - b.mean.at(t-.5)) * turnShiftSigmaMs
}

// solve fits the openness and its standard errors.
func (b *bar) solve() error {
	b.open = make([]float64, len(b.ms))
	b.sigma = make([]float64, len(b.ms))
	for k, p := range b.prior {
		b.global[k] = p.mean
	}
	for i := range b.open {
		b.open[i] = b.meanAt(i)
	}
	s := b.size()
	if err := minimise(b, s, fitSteps); err != nil {
		return err
	}
	f, err := s.factorise(1e-9)
	if err != nil {
		return err
	}
	c := f.inverse()
	for i := range b.sigma {
		b.sigma[i] = math.Sqrt(max(0, c.at(i, i)))
	}
	return nil
}

// fitBar finds the openness of the hip or shoulder line at the nodes.
func (w *work) fitBar(b *bodyFit, q int, left vision.Landmark, mean turning, width share, gain [2]share) (*bar, error) {
	r := &bar{cam: &w.cam, mean: mean, contactMs: w.contactMs, width: width.mean * w.sizes.height}
	r.prior = [numBar]share{
		barWidth:     {0, math.Hypot(width.sd/width.mean, w.sizes.heightSigmaRel)},
		barMarkGain:  gain[0],
		barWorldGain: gain[1],
		barWorldOff:  {0, worldOffSigma},
		barReliefOff: {0, reliefOffSigma},
		barShift:     {0, 1},
	}
	for k := range b.nodes {
		nd := &b.nodes[k]
		i := nd.frame
		lead, rear := w.bodyTraces[left].at(i), w.bodyTraces[left+1].at(i)
		r.ms, r.lasts = append(r.ms, nd.ms), append(r.lasts, nd.lasts)
		r.across = append(r.across, point{u: lead.u - rear.u, v: lead.v - rear.v, sigma: math.Hypot(lead.sigma, rear.sigma), ok: lead.ok && rear.ok})
		r.depth = append(r.depth, w.cam.distance)
		open := math.NaN()
		if l := &w.scene.looks[i]; l.hasWorld {
			d := r3.Sub(l.world[left], l.world[left+1])
			open = math.Atan2(-r3.Dot(d, w.cam.axisZ), r3.Dot(d, w.cam.axisX))
		}
		r.world = append(r.world, open)
		r.said = append(r.said, w.lineSaid(&w.scene.looks[i], q))
	}
	r.averageRise()
	return r, r.solve()
}

// setLine puts the two ends of a line, at node k, where its openness has them:
// half its width to either side of the middle of the marks, with the rise that
// the marks show. The depth fit then works on those rays.
func (b *bodyFit) setLine(k int, r *bar, left int) {
	nd := &b.nodes[k]
	if !nd.ok[left] || !nd.ok[left+1] {
		return
	}
	mid := r3.Scale(0.5, r3.Add(nd.ray[left], nd.ray[left+1]))
	rise := -(nd.ray[left].Y - nd.ray[left+1].Y) * b.cam.distance / 2
	if !math.IsNaN(r.rise[k]) {
		rise = r.halfWidth() * math.Sin(r.rise[k])
	}
	off, _ := r.half(r.open[k], rise)
	z := b.cam.distance
	for e, sign := range [2]float64{1, -1} {
		p := r3.Add(r3.Scale(z, mid), r3.Scale(sign, off))
		nd.ray[left+e] = r3.Scale(1/p.Z, p)
	}
	nd.turns = append(nd.turns, turnGuess{left, r.open[k], r.sigma[k]})
}

func (b *bar) halfWidth() float64 { return b.width * math.Exp(b.global[barWidth]) / 2 }

// half is the vector from the middle of the line to its lead end at an openness,
// rising by rise inches, and its derivative by the openness, camera frame.
func (b *bar) half(open, rise float64) (off, by r3.Vec) {
	half := b.halfWidth()
	rise = max(-.8*half, min(.8*half, rise))
	flat := math.Sqrt(half*half - rise*rise) // a line that rises is shorter seen from above
	d, dd := b.line(open)
	return r3.Add(r3.Scale(flat, d), r3.Scale(rise, b.cam.up)), r3.Scale(flat, dd)
}

// at is the openness at a time and its standard error, straight between nodes.
func (b *bar) at(ms float64) (open, sigma float64, ok bool) {
	n := len(b.ms)
	k := sort.SearchFloat64s(b.ms, ms)
	switch {
	case k < n && b.ms[k]-ms < 0.01:
		return b.open[k], b.sigma[k], true
	case k == n:
		return b.open[n-1], b.sigma[n-1], ms-b.ms[n-1] <= nodeFarStepMs
	case k == 0:
		return b.open[0], b.sigma[0], b.ms[0]-ms <= nodeFarStepMs
	case b.ms[k]-b.ms[k-1] > maxGapMs:
		return 0, 0, false
	}
	w := (ms - b.ms[k-1]) / (b.ms[k] - b.ms[k-1])
	return (1-w)*b.open[k-1] + w*b.open[k], (1-w)*b.sigma[k-1] + w*b.sigma[k], true
}

// riseAt is the rise at a time and its standard error, radians, straight between
// nodes; not ok where a node about it has none.
func (b *bar) riseAt(ms float64) (rise, sigma float64, ok bool) {
	k := sort.SearchFloat64s(b.ms, ms)
	lo, hi, t := max(0, k-1), min(len(b.ms)-1, k), 0.0
	if hi > lo {
		t = max(0, min(1, (ms-b.ms[lo])/(b.ms[hi]-b.ms[lo])))
	}
	rise = (1-t)*b.rise[lo] + t*b.rise[hi]
	return rise, (1-t)*b.riseSigma[lo] + t*b.riseSigma[hi], !math.IsNaN(rise)
}

// turnGuess is a line's openness at a node with its standard error, radians.
type turnGuess struct {
	left       int // joint of its lead end
	rad, sigma float64
}

// turns holds lines near their openness.
func (b *bodyFit) turns(s *normal, k int) {
	nd := &b.nodes[k]
	for _, g := range nd.turns {
		d := r3.Sub(b.at(k, g.left), b.at(k, g.left+1))
		x, z := r3.Dot(d, b.cam.axisX), r3.Dot(d, b.cam.axisZ)
		n := x*x + z*z
		if n < 1 {
			continue
		}
		var idx [2]int
		var jac [2]float64
		for e := range 2 {
			sign := 1 - 2*float64(e)
			idx[e] = k*numJoints + g.left + e
			gx, gz := sign*r3.Dot(nd.ray[g.left+e], b.cam.axisX), sign*r3.Dot(nd.ray[g.left+e], b.cam.axisZ)
			jac[e] = (z*gx - x*gz) / n
		}
		r := wrap(math.Atan2(-z, x) - g.rad)
		// the rays already hold the openness; this chooses the sign of depth
		s.add(idx[:], jac[:], r, 1/(turnHold*turnHold))
	}
}

// turnHold keeps the depth fit near the openness that was found before it.
const turnHold = 3 * math.Pi / 180

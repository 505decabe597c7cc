package solve

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// minBatFrames is how many frames must show both ends of the bat before a
// bat is solved: third differences need four, and a swing that is seen in
// fewer than eight tells too little to choose its depth signs.
const minBatFrames = 8

// How a bat may move. A turn rate that rises to 40 rad/s within 0.12 to 0.15 s
// (swing times of 0.19 to 0.28 s, Race 1961, Research Quarterly 32:394, quoted
// from memory; acceleration takes most of it) as a raised cosine has a jerk of 40*(pi/T)^2/2 =
// 9,000 to 14,000 rad/s^3 at most, some 0.7 of that root mean square, each sign
// lasting a quarter of T; a real swing is less smooth than a cosine, so the
// middle of the peak values is taken. Hands on a path of 10 in radius at
// 300 in/s accelerate by 9000 in/s^2 within some 50 ms. Both enter as white-noise
// jerk of spectral density rms^2 * 2 * duration.
const (
	jerkTurn, jerkKnob           = 1.1e4, 1.6e5 // rad/s^3, in/s^3
	jerkTurnLastsS, jerkKnobLast = 0.03, 0.02
	densityTurn                  = jerkTurn * jerkTurn * 2 * jerkTurnLastsS
	densityKnob                  = jerkKnob * jerkKnob * 2 * jerkKnobLast
)

// batFit is the least-squares problem of the bat over consecutive frames in the
// camera frame. Per frame the unknowns are the knob's place (3) and a turn of
// the bat's direction in its tangent plane (2); shared by all are the logs of
// focal length, scale and bat length.
type batFit struct {
	looks []look // frames first..last with the bat
	first int
	cam   *camera

	knob, dir []r3.Vec
	global    [numGlobals]float64 // logs of f, scale, length relative to where they began; loss
	prior     [numGlobals]share   // what is known of them beforehand
	f0, s0    float64
	length0   float64

	depth      []float64 // prior of the knob's depth relative to the hips in the stance, in
	depthSigma []float64 // in; the error stays the same for some depthLastsS

	leanWeight []float64 // of the prior that the barrel leans over the rear shoulder; 0 outside the stance

	nearCost []float64 // see turnCue

	scalePerFocal float64 // by how much the scale's prior moves with the focal length, both as logs

	breakMs       float64 // when the ball slows the bat; NaN: never
	breakFromBall bool

	saved struct {
		knob, dir []r3.Vec
		global    [numGlobals]float64
	}
}

// Order of the shared unknowns.
const (
	globalFocal = iota
	globalScale
	globalLength
	globalLoss // share of its turn rate that the bat loses to the ball at breakMs
	numGlobals
)

const perFrame = 5

func (b *batFit) f() float64      { return b.f0 * math.Exp(b.global[globalFocal]) }
func (b *batFit) scale() float64  { return b.s0 * math.Exp(b.global[globalScale]) }
func (b *batFit) length() float64 { return b.length0 * math.Exp(b.global[globalLength]) }

func (b *batFit) size() *normal {
	return newNormal(perFrame*len(b.looks), 4*perFrame-1, numGlobals)
}

// tangent returns two unit vectors that with d make a right-handed set. The
// choice of the first keeps away from d.
func tangent(d r3.Vec) (e1, e2 r3.Vec) {
	ref := r3.Vec{X: 1}
	if math.Abs(d.X) > 0.7 {
		ref = r3.Vec{Y: 1}
	}
	e1 = unit(r3.Cross(ref, d))
	return e1, r3.Cross(d, e1)
}

func (b *batFit) advance(dx []float64) {
	n := perFrame * len(b.looks)
	for i := range b.looks {
		q := dx[perFrame*i:]
		b.knob[i] = r3.Add(b.knob[i], r3.Vec{X: q[0], Y: q[1], Z: q[2]})
		e1, e2 := tangent(b.dir[i])
		// A step beyond a radian would leave the half sphere that the tangent
		// plane describes.
		a, c := max(-1, min(1, q[3])), max(-1, min(1, q[4]))
		b.dir[i] = unit(r3.Add(b.dir[i], r3.Add(r3.Scale(a, e1), r3.Scale(c, e2))))
	}
	for k := range b.global {
		b.global[k] += max(-0.2, min(0.2, dx[n+k]))
	}
}

func (b *batFit) mark() {
	b.saved.knob = append(b.saved.knob[:0], b.knob...)
	b.saved.dir = append(b.saved.dir[:0], b.dir...)
	b.saved.global = b.global
}

func (b *batFit) revert() {
	copy(b.knob, b.saved.knob)
	copy(b.dir, b.saved.dir)
	b.global = b.saved.global
}

// markFreedom is the degrees of freedom of the Student t law that image marks
// follow: a tracker's error has heavy tails.
const markFreedom = 4

// robust is the weight of a residual of z standard errors under that law.
func robust(z float64) float64 { return (markFreedom + 1) / (markFreedom + z*z) }

func (b *batFit) linearise(s *normal) {
	n := perFrame * len(b.looks)
	f, length := b.f(), b.length()
	idx := make([]int, 0, 16)
	jac := make([]float64, 0, 16)
	for i := range b.looks {
		o := perFrame * i
		e1, e2 := tangent(b.dir[i])
		l := &b.looks[i]
		see := func(m point, p r3.Vec, along float64) {
			if !m.ok {
				return
			}
			iz := f / p.Z
			u, v := iz*p.X, iz*p.Y
			w := 1 / (m.sigma * m.sigma)
			z := math.Hypot(u-m.u, v-m.v) / m.sigma
			w *= robust(z)
			for axis := range 2 {
				var res, gx, gy, gz, val float64
				if axis == 0 {
					val, res, gx, gz = u, u-m.u, iz, -u/p.Z
				} else {
					val, res, gy, gz = v, v-m.v, iz, -v/p.Z
				}
				idx = append(idx[:0], o, o+1, o+2, n+globalFocal)
				jac = append(jac[:0], gx, gy, gz, val)
				if along > 0 {
					g := r3.Vec{X: gx, Y: gy, Z: gz}
					idx = append(idx, o+3, o+4, n+globalLength)
					jac = append(jac, along*r3.Dot(g, e1), along*r3.Dot(g, e2), along*r3.Dot(g, b.dir[i]))
				}
				s.add(idx, jac, res, w)
			}
		}
		see(l.knob, b.knob[i], 0)
		see(l.tip, r3.Add(b.knob[i], r3.Scale(length, b.dir[i])), length)
		if b.leanWeight[i] > 0 {
			// barrel over the rear shoulder in the stance
			z := b.cam.axisZ
			s.add([]int{o + 3, o + 4}, []float64{length * r3.Dot(z, e1), length * r3.Dot(z, e2)},
				length*r3.Dot(z, b.dir[i])+leanIn, b.leanWeight[i])
		}
	}
	b.hands(s)
	b.smooth(s)
	for k := range numGlobals {
		if k == globalScale {
			s.add([]int{n + k, n + globalFocal}, []float64{1, -b.scalePerFocal},
				b.global[k]-b.prior[k].mean-b.scalePerFocal*b.global[globalFocal], 1/sq(b.prior[k].sd))
			continue
		}
		s.add([]int{n + k}, []float64{1}, b.global[k]-b.prior[k].mean, 1/(b.prior[k].sd*b.prior[k].sd))
	}
}

// handsLastS is how long an error of the hands' depth stays the same: what the
// body's fit gets wrong hangs on the pose.
const handsLastS = 0.1

// hands keeps the bottom hand's place on the handle near the depth that the
// body's fit has for it, relative to the hips at f/scale. The difference is a
// first-order Gauss-Markov process: small moves of the hands are seen better
// than where they are.
func (b *batFit) hands(s *normal) {
	n := perFrame * len(b.looks)
	d := b.f() / b.scale()
	off := func(i int) float64 { return b.knob[i].Z + bottomFistIn*b.dir[i].Z - d - b.depth[i] }
	idx, jac := make([]int, 8), make([]float64, 8)
	idx[6], idx[7] = n+globalFocal, n+globalScale
	for i := range b.looks {
		sigma := math.Hypot(b.depthSigma[i], fistSigmaIn)
		keep, v := 0.0, sigma*sigma
		if i > 0 {
			keep = math.Exp(-(b.looks[i].ms - b.looks[i-1].ms) / 1000 / handsLastS)
			v *= 1 - keep*keep
		}
		res := off(i)
		for k, c := range [2]float64{1, -keep} {
			j := max(0, i-k)
			if k == 1 && i > 0 {
				res -= keep * off(j)
			}
			e1, e2 := tangent(b.dir[j])
			o := perFrame * j
			idx[3*k], idx[3*k+1], idx[3*k+2] = o+2, o+3, o+4
			jac[3*k], jac[3*k+1], jac[3*k+2] = c, c*bottomFistIn*e1.Z, c*bottomFistIn*e2.Z
		}
		jac[6], jac[7] = -(1-keep)*d, (1-keep)*d
		if i == 0 {
			s.add(append(append([]int(nil), idx[:3]...), idx[6:]...), append(append([]float64(nil), jac[:3]...), jac[6:]...), res, 1/v)
			continue
		}
		s.add(idx, jac, res, 1/v)
	}
}

// smooth adds the third differences of knob and direction. A bat that meets the
// ball at breakMs loses a share of its turn rate there: what is smooth is the
// direction with that loss given back, d + loss*v*(t-breakMs) after it, v being
// the rate just before, along the way that d moves.
func (b *batFit) smooth(s *normal) {
	idx, jac := make([]int, 4), make([]float64, 4)
	idx9, jac9 := make([]int, 9), make([]float64, 9)
	before, rate := b.rateBefore()
	loss := b.global[globalLoss]
	tangents := make([][2]r3.Vec, len(b.looks))
	for i := range tangents {
		tangents[i][0], tangents[i][1] = tangent(b.dir[i])
	}
	for i := 0; i+3 < len(b.looks); i++ {
		var t, c [4]float64
		for k := range t {
			t[k] = b.looks[i+k].ms / 1000
		}
		for k := range c {
			c[k] = 6
			for j := range t {
				if j != k {
					c[k] /= t[k] - t[j]
				}
			}
		}
		h := (t[3] - t[0]) / 3
		if h <= 0 || math.IsInf(c[0]+c[1]+c[2]+c[3], 0) {
			continue
		}
		// A steady turn has third differences of its own: with x the chord
		// between the middle frames, d3 - 3 d2 + 3 d1 - d0 = -|x|^2 x (equal
		// steps). Giving them back leaves what is not steady.
		x, dt := r3.Sub(b.dir[i+2], b.dir[i+1]), t[2]-t[1]
		turn := r3.Norm2(x) / (dt * dt * dt)
		var late r3.Vec // sum of c * v * (t - break)+
		if i <= before && before < i+3 {
			for k := range t {
				if dt := t[k] - b.breakMs/1000; dt > 0 {
					late = r3.Add(late, r3.Scale(c[k]*dt*rate, b.way(i+k)))
				}
			}
		}
		for axis := range 3 {
			pick := func(v r3.Vec) float64 { return [3]float64{v.X, v.Y, v.Z}[axis] }
			var rk, rd float64
			for k := range 4 {
				o := perFrame * (i + k)
				idx[k], jac[k] = o+axis, c[k]
				rk += c[k] * pick(b.knob[i+k])
				ck := c[k] + turn*[4]float64{0, -1, 1, 0}[k]
				rd += ck * pick(b.dir[i+k])
				e := &tangents[i+k]
				idx9[2*k], jac9[2*k] = o+3, ck*pick(e[0])
				idx9[2*k+1], jac9[2*k+1] = o+4, ck*pick(e[1])
			}
			s.add(idx, jac, rk, h/densityKnob)
			idx9[8], jac9[8] = perFrame*len(b.looks)+globalLoss, pick(late)
			s.add(idx9, jac9, rd+loss*jac9[8], h/densityTurn)
		}
	}
}

// rateBefore returns the last frame before the break, -1 when there is none, and
// the turn rate up to it, 1/s.
func (b *batFit) rateBefore() (frame int, rate float64) {
	if math.IsNaN(b.breakMs) {
		return -1, 0
	}
	frame = -1
	for i := range b.looks {
		if b.looks[i].ms <= b.breakMs {
			frame = i
		}
	}
	if frame < 1 || frame+1 >= len(b.looks) {
		return -1, 0
	}
	dt := (b.looks[frame].ms - b.looks[frame-1].ms) / 1000
	return frame, math.Acos(max(-1, min(1, r3.Dot(b.dir[frame], b.dir[frame-1])))) / dt
}

// way is the unit direction in which the bat's direction moves at frame i, from
// the frame before.
func (b *batFit) way(i int) r3.Vec {
	d, p := b.dir[i], b.dir[i-1]
	t := r3.Sub(r3.Scale(r3.Dot(d, p), d), p)
	if n := norm(t); n > 1e-9 {
		return r3.Scale(1/n, t)
	}
	return r3.Vec{}
}

// lift returns the direction of the bat when its knob is at p and its tip on
// the ray of m: far (away from the camera) or near. exact is false when the
// image is longer than the bat can appear; the direction is then the one that
// comes closest.
func (b *batFit) lift(p r3.Vec, m point, far bool) (d r3.Vec, exact bool) {
	r := r3.Vec{X: m.u / b.f(), Y: m.v / b.f(), Z: 1}
	// |t*r - p| = length
	rr, rp := r3.Dot(r, r), r3.Dot(r, p)
	length := b.length()
	disc := rp*rp - rr*(r3.Dot(p, p)-length*length)
	root := math.Sqrt(max(0, disc))
	if !far {
		root = -root
	}
	return unit(r3.Sub(r3.Scale((rp+root)/rr, r), p)), disc >= 0
}

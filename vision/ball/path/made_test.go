package path

import (
	"math"
	"math/rand/v2"

	"nightcage/vision"
)

// vec is inches: x toward the pitcher, y up, z away from the camera.
type vec struct{ x, y, z float64 }

func (a vec) plus(b vec, s float64) vec { return vec{a.x + s*b.x, a.y + s*b.y, a.z + s*b.z} }

// made is a made-up clip: a pinhole camera beside the hitter, a swing, a ball.
type made struct {
	fps, ms     float64 // frames per second, length of the clip
	shutterMs   float64
	contactMs   float64
	at          vec // of the ball at contact
	in, out     vec // velocities there, in/s; the zero vector: no such ball
	tee, swings bool
	passes      bool    // the ball flies on
	hideMs      float64 // around contact the ball is not seen
	missShare   float64 // of the frames, the ball is not seen
	clutter     float64 // stray blobs per frame
	noisePx     float64
	focal       float64
	distance    float64 // inches from camera to hitter
	seed        uint64
}

func side() made {
	return made{fps: 120, ms: 1500, shutterMs: 1, contactMs: 1003, at: vec{20, -8, 150}, in: vec{-1000, -110, 0}, out: vec{1500, 500, 0},
		swings: true, hideMs: 5, missShare: 0.1, clutter: 2, noisePx: 0.7, focal: 1080, distance: 180, seed: 1}
}

const (
	madeW, madeH = 1280.0, 720.0
	madeBatIn    = 33.0
)

func (m made) pxPerIn() float64 { return m.focal / m.distance }

func (m made) project(p vec) (q point, pxPerIn float64, ok bool) {
	if p.z < 12 {
		return q, 0, false
	}
	return point{madeW/2 + m.focal*p.x/p.z, madeH/2 - m.focal*p.y/p.z}, m.focal / p.z, true
}

// ball is where the ball is; ok is false when there is none.
func (m made) ball(ms float64) (vec, bool) {
	t := (ms - m.contactMs) / 1000
	v := m.in
	switch {
	case m.tee && t < 0:
		return m.at, true
	case t >= 0 && !m.passes:
		v = m.out
	}
	if v == (vec{}) {
		return vec{}, false
	}
	p := m.at.plus(v, t)
	p.y -= gravityInS2 / 2 * t * t
	return p, true
}

// bat is the bat at a time: it turns in the picture's plane about the knob, and
// its sweet spot is at the place of contact then.
func (m made) bat(ms float64) (knob, tip vec) {
	turn := 0.0 // degrees past contact
	if m.swings {
		turn = 1800 * (ms - m.contactMs) / 1000
		turn = math.Max(-170, math.Min(200, turn))
	} else {
		turn = 150
	}
	a := (-120 + turn) * math.Pi / 180
	// At contact the bat hangs down and back from the hands.
	a0 := -120 * math.Pi / 180
	sweet := madeBatIn - 6
	knob = m.at.plus(vec{math.Cos(a0), math.Sin(a0), 0}, -sweet)
	return knob, knob.plus(vec{math.Cos(a), math.Sin(a), 0}, madeBatIn)
}

func (m made) mark(p vec, sigma float64, rng *rand.Rand) vision.Mark {
	q, _, _ := m.project(p)
	return vision.Mark{X: q.x + sigma*rng.NormFloat64(), Y: q.y + sigma*rng.NormFloat64(), SigmaPx: sigma, Seen: 1, How: vision.HowNetwork}
}

// make returns what a finder would have seen, and the frames with body and bat.
func (m made) make() (Seen, []vision.Frame, Options) {
	rng := rand.New(rand.NewPCG(m.seed, 7))
	o := Options{PxPerIn: m.pxPerIn(), Width: madeW, Height: madeH}
	var seen Seen
	var frames []vision.Frame
	spot := Spot{SigmaPx: 1, Light: true}
	for k := 0; float64(k)*1000/m.fps < m.ms; k++ {
		ms := float64(k) * 1000 / m.fps
		f := vision.Frame{Index: k, Ms: ms, Body: make([]vision.Mark, vision.NumLandmarks)}
		for l, p := range map[vision.Landmark]vec{
			vision.LeftShoulder: {-2, 20, m.distance}, vision.RightShoulder: {-10, 20, m.distance}, vision.LeftHip: {-5, 0, m.distance}, vision.RightHip: {-11, 0, m.distance},
			vision.LeftKnee: {8, -18, m.distance}, vision.RightKnee: {-20, -18, m.distance}, vision.LeftAnkle: {14, -36, m.distance}, vision.RightAnkle: {-26, -36, m.distance},
		} {
			f.Body[l] = m.mark(p, 4, rng)
		}
		knob, tip := m.bat(ms)
		f.Knob, f.Tip = m.mark(knob, 3, rng), m.mark(tip, 3, rng)
		s := Sight{Index: k, Ms: ms}
		add := func(x, y, r, streak, sigma float64, d point, light bool) {
			s.Blobs = append(s.Blobs, Blob{X: x + sigma*rng.NormFloat64(), Y: y + sigma*rng.NormFloat64(), SigmaPx: sigma, RadiusPx: r * math.Exp(0.08*rng.NormFloat64()),
				StreakPx: streak, DX: d.x, DY: d.y, Contrast: 3 + rng.Float64(), Light: light})
		}
		if p, ok := m.ball(ms); ok && !(m.tee && ms < m.contactMs) && math.Abs(ms-m.contactMs) > m.hideMs && rng.Float64() >= m.missShare {
			if q, scale, ok := m.project(p); ok && q.x > 0 && q.y > 0 && q.x < madeW && q.y < madeH {
				p2, _ := m.ball(ms + 0.01)
				q2, _, _ := m.project(p2)
				v := q2.minus(q)
				l := v.length()
				add(q.x, q.y, 1.45*scale, l/0.01*m.shutterMs, m.noisePx, point{v.x / l, v.y / l}, true)
			}
		}
		// The barrel's end and a shoe move smoothly and are as wide as a ball.
		for _, p := range []vec{tip, knob.plus(tip.plus(knob, -1), 0.8), {14 - 8*math.Max(0, 1-ms/900), -37, m.distance}} {
			q, scale, _ := m.project(p)
			add(q.x, q.y, 1.3*scale, 0, 1, point{1, 0}, rng.Float64() < 0.9)
		}
		for n := poisson(rng, m.clutter); n > 0; n-- {
			a := rng.Float64() * 2 * math.Pi
			r := 0.4 * math.Exp(1.9*rng.Float64()) * o.PxPerIn
			add(rng.Float64()*madeW, rng.Float64()*madeH, r, r*3*rng.Float64(), 1, point{math.Cos(a), math.Sin(a)}, rng.Float64() < 0.5)
		}
		seen.Sights = append(seen.Sights, s)
		frames = append(frames, f)
		if m.tee {
			left := 0.03 * rng.ExpFloat64()
			if ms > m.contactMs {
				left = 1 + 0.03*rng.NormFloat64()
			}
			spot.Left = append(spot.Left, left)
		}
	}
	if m.tee {
		q, scale, _ := m.project(m.at)
		spot.X, spot.Y, spot.RadiusPx = q.x, q.y, 1.45*scale
		seen.Spots = append(seen.Spots, spot)
	}
	return seen, frames, o
}

func poisson(rng *rand.Rand, mean float64) int {
	n := 0
	for p := rng.Float64(); p > math.Exp(-mean); n++ {
		p *= rng.Float64()
	}
	return n
}

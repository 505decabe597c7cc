package solve

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"nightcage/vision"
)

// point is an image mark in canonical px: from the picture's centre, x right
// toward the pitcher in an open-side view, y down.
type point struct {
	u, v  float64
	sigma float64 // px
	ok    bool
}

// look is one frame's marks in canonical form.
type look struct {
	ms        float64
	body      [vision.NumLandmarks]point // left = lead
	head      point
	knob, tip point
	ball      point
	world     [vision.NumLandmarks]r3.Vec // metres
	hasWorld  bool
	relief    relief
}

// scene is the canonical copy of a Track's marks.
type scene struct {
	w, h     float64
	cx, cy   float64 // principal point, px: the picture's centre
	mirrored bool
	looks    []look
}

// newScene copies the marks, undoing hand-shake, and mirrors them when the
// hitter bats left-handed.
func newScene(t *vision.Track, mirrored bool) *scene {
	s := &scene{w: float64(t.Clip.Width), h: float64(t.Clip.Height), mirrored: mirrored}
	s.cx, s.cy = (s.w-1)/2, (s.h-1)/2
	s.looks = make([]look, len(t.Frames))
	for i := range t.Frames {
		f := &t.Frames[i]
		l := &s.looks[i]
		l.ms = f.Ms
		take := func(m vision.Mark) point { return s.canonical(m, f.Shift) }
		l.head, l.knob, l.tip, l.ball = take(f.Head), take(f.Knob), take(f.Tip), take(f.Ball)
		if len(f.Body) == vision.NumLandmarks {
			for j := range f.Body {
				l.body[s.side(j)] = take(f.Body[j])
			}
		}
		l.relief = s.canonicalRelief(f.Relief)
		if len(f.World) == vision.NumLandmarks {
			l.hasWorld = true
			for j, p := range f.World {
				q := r3.Vec(p)
				if mirrored {
					q.X = -q.X
				}
				l.world[s.side(j)] = q
				if math.IsNaN(q.X + q.Y + q.Z) {
					l.hasWorld = false
				}
			}
		}
	}
	return s
}

// side exchanges left and right landmarks when the scene is mirrored.
func (s *scene) side(j int) int {
	if !s.mirrored || j == int(vision.Nose) {
		return j
	}
	// Left landmarks are odd, right ones follow.
	if j%2 == 1 {
		return j + 1
	}
	return j - 1
}

func (s *scene) canonical(m vision.Mark, a vision.Affine) point {
	if !m.Found() || math.IsNaN(m.X+m.Y) {
		return point{}
	}
	p := point{u: m.X, v: m.Y, sigma: m.SigmaPx, ok: true}
	if a != (vision.Affine{}) {
		p.u, p.v = a.Apply(m.X, m.Y)
		p.sigma = math.Hypot(p.sigma, a.SigmaPx)
	}
	p.u, p.v = p.u-s.cx, p.v-s.cy
	if s.mirrored {
		p.u = -p.u
	}
	// A mark without a sigma would get infinite weight; half a px is finer
	// than any network or edge finder here.
	p.sigma = max(p.sigma, 0.5)
	return p
}

// middle is the point halfway between two landmarks of a look.
func (l *look) middle(a, b vision.Landmark) point {
	p, q := l.body[a], l.body[b]
	if !p.ok || !q.ok {
		return point{}
	}
	return point{u: (p.u + q.u) / 2, v: (p.v + q.v) / 2, sigma: math.Hypot(p.sigma, q.sigma) / 2, ok: true}
}

func (p point) dist(q point) float64 { return math.Hypot(p.u-q.u, p.v-q.v) }

// hasBody reports whether hips, shoulders and ankles were all found.
func (l *look) hasBody() bool {
	for _, j := range []vision.Landmark{vision.LeftShoulder, vision.RightShoulder, vision.LeftHip, vision.RightHip, vision.LeftAnkle, vision.RightAnkle} {
		if !l.body[j].ok {
			return false
		}
	}
	return true
}

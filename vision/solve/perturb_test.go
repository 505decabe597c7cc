package solve

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"nightcage/vision"
	"nightcage/vision/truth"
)

// wear is how a test track departs from the truth, in inches at the hitter. It
// mimics what was measured of pose networks and bat trackers: joints off by a
// constant (their definition), by a slowly wandering error and by jitter,
// wrists worse in blur, and a 3-D guess with its own errors.
type wear struct {
	focal                 float64 // focal length told, as a share of the true one; 0 not told
	seed                  uint64
	definition            float64 // constant per joint and clip, sd per axis
	wander                float64 // sd per axis, correlated over 150 ms
	jitter                float64 // sd per axis, white
	blurWrist             float64 // sd per axis of wrists and elbows when the hands are fast
	bat                   float64 // sd per axis of knob and tip, white
	batWander             float64 // sd per axis, correlated over 40 ms
	world                 bool
	relief                bool    // depths and headings as a network for them gives them
	worldDepth, worldXY   float64 // sd of the 3-D guess, slowly wandering, per joint
	leanDeg               float64 // sd of the 3-D guess's lean of trunk and of legs
	turnedArms            float64 // share of arms whose elbow the guess has on the wrong side
	swapShare             float64 // share of time with left and right arm exchanged
	missBat               float64 // share of knob and tip marks missing
	statedBody, statedBat float64 // sigma written on the marks
}

var (
	exact = wear{statedBody: 0.1, statedBat: 0.05}
	usual = wear{definition: 1.0, wander: 0.6, jitter: 0.4, blurWrist: 3, bat: 0.3, batWander: 0.2, world: true, worldDepth: 2, worldXY: 1,
		swapShare: 0.03, missBat: 0.03, statedBody: 1.3, statedBat: 0.35}
)

// walk is a stationary first-order Gauss-Markov process of unit variance.
type walk struct {
	rng  *rand.Rand
	v    float64
	last float64
}

func (w *walk) at(ms, lastsMs float64) float64 {
	if w.last == 0 && w.v == 0 {
		w.v = w.rng.NormFloat64()
	} else {
		k := math.Exp(-(ms - w.last) / lastsMs)
		w.v = k*w.v + math.Sqrt(1-k*k)*w.rng.NormFloat64()
	}
	w.last = ms
	return w.v
}

func worn(t testing.TB, f *truth.File, o wear) *vision.Track {
	t.Helper()
	tr, err := truth.Track(f, truth.Options{No3D: true})
	if err != nil {
		t.Fatal(err)
	}
	scale := tr.Scale.PxPerIn
	tr.Scale, tr.Sighting, tr.Notes = vision.Scale{}, vision.Sighting{}, nil
	tr.Clip.FocalPx = o.focal * f.Camera.FocalPx
	sol, err := f.Solution()
	if err != nil {
		t.Fatal(err)
	}
	o.on(tr, sol, scale)
	return tr
}

// on wears the marks of a track, whose exact places sol has; scale is px per inch
// at the hitter.
func (o wear) on(tr *vision.Track, sol *vision.Solution, scale float64) {
	rng := rand.New(rand.NewPCG(o.seed, 99))
	lead := tr.Hand.Lead(vision.LeftHand)
	type joint struct {
		off   [2]float64
		walks [2]walk
		w3    [3]walk
		w3off r3.Vec
	}
	js := make([]joint, vision.NumLandmarks)
	for j := range js {
		for a := range 2 {
			js[j].off[a] = rng.NormFloat64() * o.definition
			js[j].walks[a].rng = rng
		}
		for a := range 3 {
			js[j].w3[a].rng = rng
		}
		js[j].w3off = r3.Vec{X: rng.NormFloat64() * o.worldXY * .7, Y: rng.NormFloat64() * o.worldXY * .7, Z: rng.NormFloat64() * o.worldDepth * .7}
	}
	worldScale := 1 + 0.05*rng.NormFloat64()
	leans := o.misguesses(rng)
	said := newTeller(o.seed)
	var bw [4]walk
	for k := range bw {
		bw[k].rng = rng
	}
	swapUntil := -1.0
	var lastHand r3.Vec
	for i := range tr.Frames {
		fr := &tr.Frames[i]
		hand := r3.Vec(sol.Frames[i].Body[lead].Vec3)
		speed := 0.0
		if i > 0 {
			speed = r3.Norm(r3.Sub(hand, lastHand)) / (fr.Ms - tr.Frames[i-1].Ms) * 1000
		}
		lastHand = hand
		blur := min(1, speed/250)
		if o.world {
			fr.World = worldFrom(sol.Camera, sol.Frames[i].Body)
			if o.relief {
				fr.Relief = said.relief(fr.World, fr.Ms)
			}
			leans.misguess(fr.World)
		}
		for j := range fr.Body {
			m := &fr.Body[j]
			l := vision.Landmark(j)
			var d [2]float64
			for a := range 2 {
				d[a] = js[j].off[a] + o.wander*js[j].walks[a].at(fr.Ms, 150) + o.jitter*rng.NormFloat64()
			}
			sigma := o.statedBody
			if l >= vision.LeftElbow && l <= vision.RightHand {
				k := o.blurWrist * blur
				d[0], d[1] = d[0]+k*js[j].w3[0].v, d[1]+k*js[j].w3[1].v
				sigma = math.Hypot(sigma, k)
			}
			if m.Found() {
				m.X, m.Y, m.SigmaPx = m.X+d[0]*scale, m.Y+d[1]*scale, max(0.5, sigma*scale)
			}
			if o.world {
				p := &fr.World[j]
				e := js[j].w3off
				e.X += o.worldXY * .7 * js[j].w3[0].at(fr.Ms, 200)
				e.Y += o.worldXY * .7 * js[j].w3[1].at(fr.Ms, 200)
				e.Z += o.worldDepth * .7 * js[j].w3[2].at(fr.Ms, 200)
				*p = vision.Vec3{X: (p.X + e.X*.0254) * worldScale, Y: (p.Y + e.Y*.0254) * worldScale, Z: (p.Z + e.Z*.0254) * worldScale}
			}
		}
		if fr.Head.Found() {
			fr.Head.SigmaPx = max(0.5, o.statedBody*scale)
		}
		if fr.Ms > swapUntil && rng.Float64() < o.swapShare*(4.0/50) {
			swapUntil = fr.Ms + 50
		}
		if fr.Ms <= swapUntil {
			for _, l := range []vision.Landmark{vision.LeftShoulder, vision.LeftElbow, vision.LeftWrist, vision.LeftHand} {
				fr.Body[l], fr.Body[l+1] = fr.Body[l+1], fr.Body[l]
			}
		}
		for k, m := range []*vision.Mark{&fr.Knob, &fr.Tip} {
			if !m.Found() || rng.Float64() < o.missBat {
				*m = vision.Mark{}
				continue
			}
			m.X += scale * (o.bat*rng.NormFloat64() + o.batWander*bw[2*k].at(fr.Ms, 40))
			m.Y += scale * (o.bat*rng.NormFloat64() + o.batWander*bw[2*k+1].at(fr.Ms, 40))
			m.SigmaPx = max(0.5, o.statedBat*scale)
		}
	}
}

// misguess is what a network gets wrong about a whole clip's depths: it leans
// trunk and legs otherwise (radians) and reads arms the other way.
type misguess struct {
	trunk, legs float64
	turned      [2]bool
}

func (o wear) misguesses(rng *rand.Rand) (m misguess) {
	if o.leanDeg == 0 && o.turnedArms == 0 {
		return m
	}
	m.trunk, m.legs = o.leanDeg*math.Pi/180*rng.NormFloat64(), o.leanDeg*math.Pi/180*rng.NormFloat64()
	for side := range m.turned {
		m.turned[side] = rng.Float64() < o.turnedArms
	}
	return m
}

func (m misguess) misguess(w []vision.Vec3) {
	for side, turned := range m.turned {
		l := vision.Landmark(side)
		if sh, e, wr := w[vision.LeftShoulder+l], &w[vision.LeftElbow+l], w[vision.LeftWrist+l]; turned {
			e.Z = sh.Z + wr.Z - e.Z
		}
	}
	for l := range w {
		lean := m.trunk
		if vision.Landmark(l) >= vision.LeftKnee {
			lean = m.legs
		}
		w[l].Z += lean * w[l].Y // from the hips' middle
	}
}

// worldFrom is the truth as a pose network would say it: metres, from the middle
// of the hips, in the axes of a camera that looks straight at it.
func worldFrom(c vision.Camera, body []vision.Point3) []vision.Vec3 {
	cam := func(p vision.Vec3) r3.Vec {
		return r3.Vec{X: c.R[0]*p.X + c.R[1]*p.Y + c.R[2]*p.Z + c.T.X,
			Y: c.R[3]*p.X + c.R[4]*p.Y + c.R[5]*p.Z + c.T.Y,
			Z: c.R[6]*p.X + c.R[7]*p.Y + c.R[8]*p.Z + c.T.Z}
	}
	hip := r3.Scale(0.5, r3.Add(cam(body[vision.LeftHip].Vec3), cam(body[vision.RightHip].Vec3)))
	z := r3.Unit(hip)
	x := r3.Unit(r3.Cross(r3.Vec{Y: 1}, z))
	y := r3.Cross(z, x)
	out := make([]vision.Vec3, len(body))
	for j := range body {
		p := body[j].Vec3
		if !body[j].Valid { // ears: beside the eyes, further back
			p = body[vision.Nose].Vec3
			p.X -= 4
		}
		d := r3.Sub(cam(p), hip)
		out[j] = vision.Vec3{X: r3.Dot(d, x) * .0254, Y: r3.Dot(d, y) * .0254, Z: r3.Dot(d, z) * .0254}
	}
	return out
}

package solve

import (
	"context"
	"fmt"
	"math"
	"sort"

	"gonum.org/v1/gonum/spatial/r3"

	"nightcage/vision"
)

// struckSpanMs is how far from contact Struck works on the bat's path, and
// struckWriteMs how far from it frames are rewritten: beyond, the break is not
// felt.
const struckSpanMs, struckWriteMs = 110.0, 60.0

// Struck fits the bat around contact anew, with the knowledge that the ball
// slows it at contactMs, give or take sigmaMs, and returns the Track with knob,
// tip, their velocities and Impact of the frames around it replaced. A path
// fitted without that knowledge smooths over the loss and shows the bat too slow
// at contact. A Track without a bat in three dimensions, or whose Impact the
// ball's own marks gave, comes back as it is.
func Struck(ctx context.Context, track vision.Track, contactMs, sigmaMs float64) (vision.Track, error) {
	if err := ctx.Err(); err != nil {
		return track, fmt.Errorf("bat around contact of %s: %w", track.Clip.Name, err)
	}
	if track.Solution == nil || len(track.Solution.Frames) != len(track.Frames) {
		return track, nil
	}
	if im := track.Solution.Impact; im != nil && im.FromBall {
		return track, nil
	}
	b, ok := fromSolution(&track)
	if !ok {
		return track, nil
	}
	t, _, ok := b.around(contactMs, struckSpanMs)
	if !ok {
		return track, nil
	}
	k := sort.Search(len(t.looks)-2, func(i int) bool { return t.looks[i+1].ms > contactMs })
	step := t.looks[k+1].ms - t.looks[k].ms
	sigma := max(sigmaMs, 0.3)
	reach := max(2*sigma, step)
	at, _, _ := t.bestBreak(contactMs-reach, contactMs+reach, func(ms float64) float64 { return sq((ms - contactMs) / sigma) })
	if math.IsNaN(at) {
		return track, nil
	}
	if math.Abs(at-contactMs) <= step/2 {
		at = contactMs // the trials stand halfway between frames, the event where it was found
	}
	t.breakMs = at
	t.global[globalLoss] = t.prior[globalLoss].mean
	s := t.size()
	if err := minimise(t, s, fitSteps); err != nil {
		return track, fmt.Errorf("bat around contact of %s: %w", track.Clip.Name, err)
	}
	f, err := s.factorise(1e-9)
	if err != nil {
		return track, fmt.Errorf("bat around contact of %s: %w", track.Clip.Name, err)
	}
	sol := *track.Solution
	sol.Frames = append([]vision.Pose3(nil), sol.Frames...)
	sol.Impact = nil
	t.writePath(&sol, f.inverse(), contactMs-struckWriteMs, contactMs+struckWriteMs, contactMs)
	track.Solution = &sol
	return track, nil
}

// fromSolution rebuilds a bat's fit around the path that a solution holds. ok is
// false when it holds none.
func fromSolution(track *vision.Track) (*batFit, bool) {
	sol := track.Solution
	sc := newScene(track, track.Hand.Bats == vision.SideLeft)
	cam := cameraOf(sol.Camera, sc.mirrored)
	// consecutive frames with a bat
	first, last := -1, -1
	for i := range sol.Frames {
		if sol.Frames[i].Knob.Valid && sol.Frames[i].Tip.Valid {
			if first < 0 {
				first = i
			}
			last = i
		}
	}
	if first < 0 {
		return nil, false
	}
	n := last - first + 1
	b := &batFit{looks: sc.looks[first : last+1], first: first, cam: &cam, f0: cam.f, s0: cam.scale,
		knob: make([]r3.Vec, n), dir: make([]r3.Vec, n), depth: make([]float64, n), depthSigma: make([]float64, n),
		leanWeight: make([]float64, n), nearCost: make([]float64, n), breakMs: math.NaN()}
	b.prior[globalLoss] = share{lossMean, lossSigma}
	for i := range n {
		p := &sol.Frames[first+i]
		if !p.Knob.Valid || !p.Tip.Valid {
			// a gap that the fit did not bridge: the path before it does for a start
			if i == 0 {
				return nil, false
			}
			b.knob[i], b.dir[i] = b.knob[i-1], b.dir[i-1]
			b.depth[i], b.depthSigma[i] = b.depth[i-1], handsDepthAgainIn
			continue
		}
		knob, tip := cam.fromSwing(r3.Vec(p.Knob.Vec3)), cam.fromSwing(r3.Vec(p.Tip.Vec3))
		b.length0 = r3.Norm(r3.Sub(tip, knob))
		b.knob[i], b.dir[i] = knob, r3.Unit(r3.Sub(tip, knob))
		b.depth[i] = knob.Z + bottomFistIn*b.dir[i].Z - cam.f/cam.scale
		b.depthSigma[i] = handsDepthAgainIn
	}
	return b, true
}

// handsDepthAgainIn is how far Struck may move the hands' depth that Run found,
// inches.
const handsDepthAgainIn = 2.0

// cameraOf is the canonical camera of a public one.
func cameraOf(v vision.Camera, mirrored bool) camera {
	if mirrored {
		v.R[0], v.R[1], v.R[2], v.T.X = -v.R[0], -v.R[1], -v.R[2], -v.T.X
	}
	c := camera{f: v.FocalPx, fSigmaRel: v.FocalSigmaRel,
		axisX:  r3.Vec{X: v.R[0], Y: v.R[3], Z: v.R[6]},
		up:     r3.Vec{X: v.R[1], Y: v.R[4], Z: v.R[7]},
		axisZ:  r3.Vec{X: v.R[2], Y: v.R[5], Z: v.R[8]},
		origin: r3.Vec(v.T)}
	// any scale does: only depths relative to f/scale are used
	c.scale = 1
	return c
}

// fromSwing turns a swing-frame point into the camera frame.
func (c *camera) fromSwing(p r3.Vec) r3.Vec {
	return r3.Add(c.origin, r3.Add(r3.Scale(p.X, c.axisX), r3.Add(r3.Scale(p.Y, c.up), r3.Scale(p.Z, c.axisZ))))
}

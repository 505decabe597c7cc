package solve

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"nightcage/vision"
)

// thinned keeps every frame from 400 ms before contact to 250 after and one in four
// elsewhere.
func thinned(tr *vision.Track, want *vision.Solution, contactMs float64) {
	var frames []vision.Frame
	var poses []vision.Pose3
	for i, f := range tr.Frames {
		if d := f.Ms - contactMs; i%4 == 0 || d >= -400 && d <= 250 {
			frames, poses = append(frames, f), append(poses, want.Frames[i])
		}
	}
	tr.Frames, want.Frames = frames, poses
}

// A track with fewer frames away from the swing than about it must be solved as
// well as one with all of them: scale, yaw, the bat and its speed at contact.
func TestUnevenTrackIsSolvedAsWell(t *testing.T) {
	var speed, angle [2]float64
	const seeds = 3
	for seed := range uint64(seeds) {
		var scale [2]float64
		for k := range 2 {
			s := plain()
			s.yawDeg = 8 * (float64(seed) - 1)
			tr, want := s.track()
			o := usual
			o.seed = seed
			o.on(tr, want, s.focal/s.distance)
			if k == 1 {
				n := len(tr.Frames)
				thinned(tr, want, s.contactMs())
				if len(tr.Frames) > 3*n/4 {
					t.Fatalf("%d of %d frames left: the track is hardly uneven", len(tr.Frames), n)
				}
			}
			got := run(t, tr)
			if got.Solution == nil {
				t.Fatalf("unsolved: %s", got.Unsolved)
			}
			tip, _, ok := VelocityAt(&got, s.contactMs())
			if !ok {
				t.Fatal("no velocity at contact")
			}
			speed[k] += math.Abs(r3.Norm(r3.Vec(tip.Vec3))/s.tipSpeed(0)-1) / seeds
			angle[k] += median(batAngles(&got, want, s.contactMs()-150, s.contactMs()+60)) / seeds
			scale[k] = got.Scale.PxPerIn
			if d := math.Abs(got.Sighting.YawDeg - s.yawDeg); d > 2*got.Sighting.SigmaDeg {
				t.Errorf("seed %d: yaw off by %.1f deg with a claim of %.1f", seed, d, got.Sighting.SigmaDeg)
			}
		}
		if d := math.Abs(scale[1]/scale[0] - 1); d > .01 {
			t.Errorf("seed %d: scale %.3f px/in of all frames, %.3f of some", seed, scale[0], scale[1])
		}
	}
	t.Logf("all frames: speed off by %.1f %%, bat by %.1f deg; some: %.1f %%, %.1f deg", 100*speed[0], angle[0], 100*speed[1], angle[1])
	if speed[1] > speed[0]+.01 {
		t.Errorf("tip speed off by %.1f %%, with all frames %.1f", 100*speed[1], 100*speed[0])
	}
	if angle[1] > angle[0]+.5 {
		t.Errorf("bat off by %.1f deg in the median, with all frames %.1f", angle[1], angle[0])
	}
}

// A bat that turns steadily costs nothing and shows its rate whatever the steps
// between its frames.
func TestSteadyTurnNeedsNoEvenSteps(t *testing.T) {
	const rate = 12.0 // rad/s
	cam := plain().camera()
	b := &batFit{cam: &cam, f0: 1150, s0: 6, length0: 33, breakMs: math.NaN()}
	for _, ms := range []float64{0, 4, 8, 12, 29, 46, 63, 67, 71, 88} {
		sin, cos := math.Sincos(rate * ms / 1000)
		b.looks = append(b.looks, look{ms: ms})
		b.knob, b.dir = append(b.knob, r3.Vec{Z: 190}), append(b.dir, r3.Vec{X: cos, Z: sin})
	}
	s := b.size()
	b.smooth(s)
	if s.cost > 0.1 {
		t.Errorf("the turn costs %.2f", s.cost)
	}
	for i := 1; i+1 < len(b.looks); i++ {
		w, _ := b.derivative(i)
		var v r3.Vec
		for k, wk := range w {
			v = r3.Add(v, r3.Scale(wk*b.arcOverChord(i), b.dir[i+k-1]))
		}
		along := r3.Vec{X: -b.dir[i].Z, Z: b.dir[i].X}
		if got := r3.Dot(v, along); math.Abs(got-rate) > 1e-6 {
			t.Errorf("frame %d: %.4f rad/s, want %g", i, got, rate)
		}
	}
}

package solve

import (
	"context"
	"errors"
	"fmt"
	"math"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"nightcage/vision"
)

func run(t testing.TB, tr *vision.Track) vision.Track {
	t.Helper()
	got, err := Run(context.Background(), *tr)
	if err != nil {
		t.Fatal(err)
	}
	return got
}

// batAngles is the angle between the solved and the true bat in every frame
// of a span about contact, degrees.
func batAngles(got *vision.Track, want *vision.Solution, fromMs, toMs float64) []float64 {
	var out []float64
	for i, g := range got.Solution.Frames {
		if ms := got.Frames[i].Ms; ms < fromMs || ms > toMs || !g.Tip.Valid {
			continue
		}
		w := want.Frames[i]
		a, b := r3.Unit(sub(g.Tip, g.Knob)), r3.Unit(sub(w.Tip, w.Knob))
		out = append(out, math.Acos(max(-1, min(1, r3.Dot(a, b))))*180/math.Pi)
	}
	return out
}

// A hitter made from formulas, seen exactly from every side by a known lens,
// must come back: side of the plate and view unasked, the bat's direction
// in every frame of the swing with the right depth sign, its speed.
func TestSyntheticFromEverySide(t *testing.T) {
	views := []struct {
		yaw  float64
		view vision.View
	}{{0, vision.ViewOpenSide}, {-20, vision.ViewOpenSide}, {30, vision.ViewOpenSide}, {90, vision.ViewFront}, {-90, vision.ViewRear}, {180, vision.ViewClosedSide}}
	for _, v := range views {
		for _, left := range []bool{false, true} {
			t.Run(fmt.Sprintf("%s_%g_left_%v", v.view, v.yaw, left), func(t *testing.T) {
				s := plain()
				s.yawDeg, s.left, s.tiltDeg = v.yaw, left, 8
				tr, want := s.track()
				got := run(t, tr)
				if got.Solution == nil {
					t.Fatalf("unsolved: %s", got.Unsolved)
				}
				bats := vision.SideRight
				if left {
					bats = vision.SideLeft
				}
				if got.Hand.Bats != bats || got.Hand.From == "job" {
					t.Errorf("bats %s from %q, want %s from the picture", got.Hand.Bats, got.Hand.From, bats)
				}
				if got.Sighting.View != v.view {
					t.Errorf("view %s at %.0f deg, want %s", got.Sighting.View, got.Sighting.YawDeg, v.view)
				}
				if d := math.Abs(math.Remainder(got.Sighting.YawDeg-v.yaw, 360)); d > 10 {
					t.Errorf("yaw %.1f deg, want %.1f", got.Sighting.YawDeg, v.yaw)
				}
				if d := got.Scale.PxPerIn/(s.focal/s.distance) - 1; math.Abs(d) > .05 {
					t.Errorf("scale off by %.1f %%", d*100)
				}
				at := s.contactMs()
				// Within some 15 deg of lying across the line of sight the sign of
				// the rest cannot be told, before the swing carries it through:
				// then the error is twice that.
				for i, d := range batAngles(&got, want, at-120, at+80) {
					if d > 30 {
						t.Errorf("bat off by %.0f deg in frame %d of the swing", d, i)
						break
					}
				}
				tip, _, ok := VelocityAt(&got, at)
				if !ok {
					t.Fatal("no velocity at contact")
				}
				if d := r3.Norm(r3.Vec(tip.Vec3))/s.tipSpeed(0) - 1; math.Abs(d) > .08 {
					t.Errorf("tip speed off by %.1f %%", d*100)
				}
			})
		}
	}
}

// The left-handed mirror of a clip must give the same numbers.
func TestMirrorGivesTheSameNumbers(t *testing.T) {
	s := plain()
	s.yawDeg = -12
	right, _ := s.track()
	s.left = true
	left, _ := s.track()
	a, b := run(t, right), run(t, left)
	if a.Hand.Bats != vision.SideRight || b.Hand.Bats != vision.SideLeft {
		t.Fatalf("bats %s and %s", a.Hand.Bats, b.Hand.Bats)
	}
	near := func(name string, x, y float64) {
		t.Helper()
		if math.Abs(x-y) > 1e-6*(1+math.Abs(x)) {
			t.Errorf("%s: right %v, left %v", name, x, y)
		}
	}
	near("yaw", a.Sighting.YawDeg, b.Sighting.YawDeg)
	near("scale", a.Scale.PxPerIn, b.Scale.PxPerIn)
	near("doubt", a.Solution.Doubt, b.Solution.Doubt)
	for i := range a.Solution.Frames {
		p, q := &a.Solution.Frames[i], &b.Solution.Frames[i]
		near("tip X", p.Tip.X, q.Tip.X)
		near("tip Z", p.Tip.Z, q.Tip.Z)
		near("tip SX", p.Tip.SX, q.Tip.SX)
		near("tip speed", p.TipVelocity.X, q.TipVelocity.X)
		for l := vision.LeftEye; int(l) < vision.NumLandmarks; l++ {
			other := a.Hand.Lead(l)
			if l%2 == 0 {
				continue
			}
			near(l.String(), p.Body[other].Z, q.Body[b.Hand.Lead(l)].Z)
		}
		if t.Failed() {
			t.Fatalf("first difference in frame %d", i)
		}
	}
	// the left-handed camera still projects the swing frame onto the picture
	c := b.Solution.Camera
	f := &b.Frames[200]
	p := b.Solution.Frames[200].Tip
	z := c.R[6]*p.X + c.R[7]*p.Y + c.R[8]*p.Z + c.T.Z
	x := c.FocalPx*(c.R[0]*p.X+c.R[1]*p.Y+c.R[2]*p.Z+c.T.X)/z + c.CX
	if math.Abs(x-f.Tip.X) > 3 {
		t.Errorf("tip projects to x = %.1f px, mark at %.1f", x, f.Tip.X)
	}
}

// Whatever depth signs the fit of the bat starts from, it must end at the true
// ones.
func TestWrongSignsAreFoundOut(t *testing.T) {
	s := plain()
	tr, want := s.track()
	right := run(t, tr)
	traps := map[string]func(far []bool, at func(i int) float64){
		"all reversed": func(far []bool, _ func(int) float64) {
			for i := range far {
				far[i] = !far[i]
			}
		},
		"reversed after contact": func(far []bool, at func(int) float64) {
			for i := range far {
				if at(i) > 0 {
					far[i] = !far[i]
				}
			}
		},
		"near throughout": func(far []bool, _ func(int) float64) { clear(far) },
	}
	for name, trap := range traps {
		t.Run(name, func(t *testing.T) {
			b, ok := fromSolution(&right)
			if !ok {
				t.Fatal("no bat to start from")
			}
			b.prior = [numGlobals]share{{0, focalHeld}, {0, .03}, {0, .004}, {lossMean, lossSigma}}
			peak := s.contactMs()
			b.turnCue(peak)
			far := b.chooseSigns(peak)
			trap(far, func(i int) float64 { return b.looks[i].ms - peak })
			if _, err := b.refine(far, b.size()); err != nil {
				t.Fatal(err)
			}
			worst := 0.0
			for i, d := range b.dir {
				ms := b.looks[i].ms - peak
				if ms < -120 || ms > 80 {
					continue
				}
				w := want.Frames[b.first+i]
				o := b.cam.fromSwing(r3.Vec{})
				truth := r3.Unit(r3.Sub(b.cam.fromSwing(sub(w.Tip, w.Knob)), o))
				worst = max(worst, math.Acos(max(-1, min(1, r3.Dot(d, truth))))*180/math.Pi)
			}
			if worst > 15 {
				t.Errorf("bat off by up to %.0f deg", worst)
			}
		})
	}
}

// Tracks that show too little say so in words and are no error.
func TestTooLittleIsSaid(t *testing.T) {
	full := func() *vision.Track { tr, _ := plain().track(); return tr }
	keep := func(tr *vision.Track, n int) *vision.Track {
		tr.Frames, tr.Clip.Times = tr.Frames[:n], tr.Clip.Times[:n]
		tr.Window = [2]int{0, n}
		return tr
	}
	cases := map[string]struct {
		track  func() *vision.Track
		solved bool
		check  func(t *testing.T, got vision.Track)
	}{
		"no body": {func() *vision.Track {
			tr := full()
			for i := range tr.Frames {
				tr.Frames[i].Body, tr.Frames[i].World = nil, nil
			}
			return tr
		}, false, nil},
		"one frame":  {func() *vision.Track { return keep(full(), 1) }, false, nil},
		"two frames": {func() *vision.Track { return keep(full(), 2) }, false, nil},
		"no bat": {func() *vision.Track {
			tr := full()
			for i := range tr.Frames {
				tr.Frames[i].Knob, tr.Frames[i].Tip = vision.Mark{}, vision.Mark{}
			}
			return tr
		}, true, func(t *testing.T, got vision.Track) {
			if len(got.Solution.Notes) == 0 {
				t.Error("no note says that the bat is missing")
			}
			for i := range got.Solution.Frames {
				if f := got.Solution.Frames[i]; f.Tip.Valid || f.Knob.Valid || f.TipVelocity.Valid {
					t.Fatalf("frame %d has a bat", i)
				}
			}
			if len(got.Solution.Frames[100].Body) != vision.NumLandmarks {
				t.Error("the body went with the bat")
			}
		}},
		"bat toward the camera throughout": {func() *vision.Track {
			tr := full()
			for i := range tr.Frames {
				k := tr.Frames[i].Knob
				tr.Frames[i].Tip = vision.Mark{X: k.X + 2, Y: k.Y, SigmaPx: 1, How: vision.HowNetwork}
			}
			return tr
		}, true, func(t *testing.T, got vision.Track) {
			for i, f := range got.Solution.Frames {
				if !f.Tip.Valid {
					continue
				}
				if d := r3.Norm(sub(f.Tip, f.Knob)); math.Abs(d-33) > 1 {
					t.Fatalf("frame %d: bat of %.1f in", i, d)
				}
			}
		}},
		"height not told": {func() *vision.Track {
			tr := full()
			tr.Subject.HeightIn = 0
			return tr
		}, true, func(t *testing.T, got vision.Track) {
			if d := got.Scale.PxPerIn/(1150/190.0) - 1; math.Abs(d) > 2*got.Scale.SigmaRel || math.Abs(d) > .08 {
				t.Errorf("scale off by %.1f %% with a claim of %.1f", d*100, got.Scale.SigmaRel*100)
			}
			told := run(t, full())
			if got.Scale.SigmaRel <= told.Scale.SigmaRel {
				t.Errorf("scale is no less sure without the height: %.4f against %.4f", got.Scale.SigmaRel, told.Scale.SigmaRel)
			}
		}},
		"bat length not told": {func() *vision.Track {
			tr := full()
			tr.Subject.BatIn = 0
			tr.Subject.Level = vision.LevelHighSchool
			return tr
		}, true, func(t *testing.T, got vision.Track) {
			told := run(t, full())
			if got.Solution.BatScaleSigmaRel <= told.Solution.BatScaleSigmaRel {
				t.Errorf("speeds are no less sure without the bat's length: %.4f against %.4f",
					got.Solution.BatScaleSigmaRel, told.Solution.BatScaleSigmaRel)
			}
		}},
		"no 3-D guess": {func() *vision.Track {
			tr := full()
			tr.Subject.Bats = vision.SideRight
			for i := range tr.Frames {
				tr.Frames[i].World = nil
			}
			return tr
		}, true, nil},
		"wild marks": {func() *vision.Track {
			tr := full()
			for i := range tr.Frames {
				if i%17 == 3 {
					tr.Frames[i].Tip.X = math.NaN()
					tr.Frames[i].Body[vision.LeftWrist].X += 400
					tr.Frames[i].Knob.Y -= 300
				}
			}
			return tr
		}, true, nil},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			tr := c.track()
			got := run(t, tr)
			if (got.Solution != nil) != c.solved {
				t.Fatalf("solved %v, want %v; it says %q", got.Solution != nil, c.solved, got.Unsolved)
			}
			if (got.Unsolved == "") != c.solved {
				t.Errorf("Unsolved is %q", got.Unsolved)
			}
			if got.Solution != nil {
				finite(t, got.Solution)
			}
			if c.check != nil {
				c.check(t, got)
			}
		})
	}
}

// finite fails on numbers that are none, and on standard errors that are not
// positive.
func finite(t *testing.T, sol *vision.Solution) {
	t.Helper()
	point := func(i int, what string, p vision.Point3) {
		if !p.Valid {
			return
		}
		for _, v := range []float64{p.X, p.Y, p.Z} {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				t.Fatalf("frame %d: %s at %v", i, what, p.Vec3)
			}
		}
		for _, v := range []float64{p.SX, p.SY, p.SZ} {
			if !(v > 0) || math.IsInf(v, 0) {
				t.Fatalf("frame %d: %s has errors %v %v %v", i, what, p.SX, p.SY, p.SZ)
			}
		}
	}
	for i := range sol.Frames {
		f := &sol.Frames[i]
		for l, p := range f.Body {
			point(i, vision.Landmark(l).String(), p)
		}
		point(i, "knob", f.Knob)
		point(i, "tip", f.Tip)
		point(i, "tip's velocity", f.TipVelocity)
		point(i, "head", f.Head)
	}
	for name, v := range map[string]float64{"scale": sol.ScaleSigmaRel, "bat scale": sol.BatScaleSigmaRel, "yaw": sol.YawSigmaDeg, "tilt": sol.TiltSigmaDeg} {
		if !(v > 0) || math.IsInf(v, 0) {
			t.Fatalf("%s error %v", name, v)
		}
	}
	if !(sol.Doubt >= 0 && sol.Doubt <= 1) {
		t.Fatalf("doubt %v", sol.Doubt)
	}
}

func TestBrokenTracksAreErrors(t *testing.T) {
	tr, _ := plain().track()
	noSize := *tr
	noSize.Clip.Width = 0
	unordered := *tr
	unordered.Frames = append([]vision.Frame(nil), tr.Frames...)
	unordered.Frames[5].Ms = unordered.Frames[4].Ms
	for name, bad := range map[string]vision.Track{"no size": noSize, "no frames": {Clip: tr.Clip}, "out of order": unordered} {
		if _, err := Run(context.Background(), bad); !errors.Is(err, ErrTrack) {
			t.Errorf("%s: error %v, want ErrTrack", name, err)
		}
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := Run(ctx, *tr); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: error %v", err)
	}
}

// Run must leave the Track that it is given alone, and give the same answer
// twice.
func TestRunIsPureAndRepeats(t *testing.T) {
	tr, _ := plain().track()
	before := tr.Frames[60].Body[vision.LeftHip]
	a, b := run(t, tr), run(t, tr)
	if tr.Solution != nil || tr.Scale.PxPerIn != 0 || tr.Frames[60].Body[vision.LeftHip] != before {
		t.Error("the given track was changed")
	}
	for i := range a.Solution.Frames {
		if a.Solution.Frames[i].Tip != b.Solution.Frames[i].Tip {
			t.Fatalf("frame %d differs between two runs", i)
		}
	}
}

// Hand-shake undone by Frame.Shift must not show in the solution.
func TestShiftUndoesHandShake(t *testing.T) {
	tr, _ := plain().track()
	still := run(t, tr)
	shaken, _ := plain().track()
	for i := range shaken.Frames {
		f := &shaken.Frames[i]
		dx, dy := 9*math.Sin(float64(i)/11), 6*math.Cos(float64(i)/7)
		for _, m := range append([]*vision.Mark{&f.Head, &f.Knob, &f.Tip}, marksOf(f.Body)...) {
			m.X, m.Y = m.X+dx, m.Y+dy
		}
		f.Shift = vision.Affine{A: 1, D: 1, TX: -dx, TY: -dy, SigmaPx: .01}
	}
	got := run(t, shaken)
	for i := range got.Solution.Frames {
		p, q := got.Solution.Frames[i].Tip, still.Solution.Frames[i].Tip
		if d := r3.Norm(sub(p, q)); d > .1 {
			t.Fatalf("frame %d: tip moved by %.2f in", i, d)
		}
	}
}

func marksOf(body []vision.Mark) []*vision.Mark {
	var out []*vision.Mark
	for i := range body {
		out = append(out, &body[i])
	}
	return out
}

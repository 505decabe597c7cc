package phases

import (
	"math"
	"strings"
	"testing"

	"nightcage/vision"
	"nightcage/vision/truth"
)

// stepping returns the clip with the lead toe rising highIn at most and landing
// far times as far from where it stood, heel and ankle going with it.
func stepping(t testing.TB, f *truth.File, highIn, far float64) *truth.File {
	t.Helper()
	g := replay(f, f.Frames[len(f.Frames)-1].Ms, func(ms float64) float64 { return ms })
	toe := f.LeadSide + "_toe"
	floor, high := math.Inf(1), 0.0
	for i := range g.Frames {
		y := g.Frames[i].Joints[toe].XYZ.Y
		floor = math.Min(floor, y)
		if g.Frames[i].Ms < eventMs(t, f, ToeTouch) {
			high = math.Max(high, y)
		}
	}
	share, from := highIn/(high-floor), g.Frames[0].Joints[toe].XYZ
	for i := range g.Frames {
		fr := &g.Frames[i]
		at := fr.Joints[toe].XYZ
		down, back, in := (1-share)*(at.Y-floor), (1-far)*(at.X-from.X), (1-far)*(at.Z-from.Z)
		for _, name := range []string{"_toe", "_heel", "_ankle"} {
			p := fr.Joints[f.LeadSide+name]
			p.XYZ.X, p.XYZ.Y, p.XYZ.Z = p.XYZ.X-back, p.XYZ.Y-down, p.XYZ.Z-in
			p.X, p.Y, p.InFrame = fr.P.Project(p.XYZ)
			fr.Joints[f.LeadSide+name] = p
		}
	}
	return g
}

// vague gives the lead foot's marks the standard error, inches, that a pose
// network smoothed over the clip states: much more than the marks jump about.
func vague(tr *vision.Track, sigmaIn float64) {
	for i := range tr.Frames {
		for _, l := range []vision.Landmark{vision.LeftToe, vision.LeftHeel, vision.LeftAnkle} {
			tr.Frames[i].Body[tr.Hand.Lead(l)].SigmaPx = sigmaIn * tr.Scale.PxPerIn
		}
	}
}

// A low step, lower than four of the errors that its marks state, is a step all
// the same when the foot ends elsewhere.
func TestLowStep(t *testing.T) {
	for _, f := range committed(t) {
		if f.View != vision.ViewOpenSide {
			continue
		}
		tr, err := truth.Track(stepping(t, f, 1.1, 1), truth.Options{Seed: 3, NoisePx: 0.3, BatNoisePx: 1, No3D: true})
		if err != nil {
			t.Fatal(err)
		}
		vague(tr, 0.8)
		got, err := Find(*tr)
		if err != nil {
			t.Fatal(err)
		}
		for _, id := range []EventID{StrideStart, ToeTouch, HeelPlant} {
			e, want := eventOf(got, id), eventMs(t, f, id)
			if !e.Found || math.Abs(e.Ms-want) > 2.5*e.SigmaMs || e.SigmaMs > 60 {
				t.Errorf("%s: %s off by %.1f ± %.1f ms %v %s", f.Name, id, e.Ms-want, e.SigmaMs, e.Evidence, e.Reason)
			}
		}
	}
}

// Where a step in place could hide in the marks' errors, the landing of the heel is no
// sure sign of when the toe touched.
func TestHiddenStep(t *testing.T) {
	for _, f := range committed(t) {
		if f.View != vision.ViewOpenSide {
			continue
		}
		tr, err := truth.Track(stepping(t, f, 0.6, 0), truth.Options{Seed: 3, NoisePx: 0.3, BatNoisePx: 1, No3D: true})
		if err != nil {
			t.Fatal(err)
		}
		vague(tr, 0.8)
		got, err := Find(*tr)
		if err != nil {
			t.Fatal(err)
		}
		stride, touch, plant := eventOf(got, StrideStart), eventOf(got, ToeTouch), eventOf(got, HeelPlant)
		if stride.Found || !strings.HasPrefix(stride.Reason, "no stride was seen; a toe that rises less than") {
			t.Errorf("%s: stride start %+v", f.Name, stride)
		}
		if !touch.Found || !plant.Found {
			t.Errorf("%s: toe touch %s, heel plant %s", f.Name, touch.Reason, plant.Reason)
			continue
		}
		for _, may := range []float64{plant.Ms, plant.Ms - toeFirstMs} {
			if math.Abs(touch.Ms-may) > 2*touch.SigmaMs {
				t.Errorf("%s: toe touch at %.0f ± %.0f leaves %.0f out, heel plant at %.0f", f.Name, touch.Ms, touch.SigmaMs, may, plant.Ms)
			}
		}
		if want := eventMs(t, f, ToeTouch); math.Abs(touch.Ms-want) > 2*touch.SigmaMs {
			t.Errorf("%s: toe touch off by %.0f ± %.0f ms", f.Name, touch.Ms-want, touch.SigmaMs)
		}
	}
}

// A camera whose side is not known gives headings that tell nothing: the swing
// is told by how far the bat turns.
func TestSwingOfUnknownHeading(t *testing.T) {
	for _, f := range committed(t) {
		tr, err := truth.Track(f, truth.Options{Seed: 1, NoisePx: 1, BatNoisePx: 1})
		if err != nil {
			t.Fatal(err)
		}
		s := tr.Solution
		s.YawSigmaDeg = 46
		for i := range s.Frames {
			for _, p := range []*vision.Point3{&s.Frames[i].Knob, &s.Frames[i].Tip} {
				p.X, p.Z = -p.X, -p.Z
			}
		}
		got, err := Find(*tr)
		if err != nil {
			t.Fatal(err)
		}
		if got.Kind != KindSwing {
			t.Errorf("%s: %s (%s)", f.Name, got.Kind, got.Why)
		}
	}
}

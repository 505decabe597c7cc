package solve

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"nightcage/vision"
	"nightcage/vision/ground/fit"
	"nightcage/vision/truth"
)

// withPlate puts the plate of a truth file on a track, each corner off by 0.15 in
// or so, enlarged and turned about its middle.
func withPlate(tr *vision.Track, f *truth.File, seed uint64, larger, turnDeg float64) {
	rng := rand.New(rand.NewPCG(seed, 5))
	sin, cos := math.Sincos(turnDeg * math.Pi / 180)
	mirror := 1.0
	if f.Handedness == "L" {
		mirror = -1
	}
	scale := f.PxPerIn(0, vision.Vec3{X: f.Scene.PlatePointIn[0], Z: f.Scene.PlatePointIn[2]})
	tr.Ground = &vision.Ground{}
	for _, c := range fit.PlateCorners {
		x, z := larger*(cos*c.X-sin*c.Z), larger*(sin*c.X+cos*c.Z)
		u, v, _ := f.Frames[0].P.Project(vision.Vec3{X: f.Scene.PlatePointIn[0] + 8.5 + x, Z: f.Scene.PlatePointIn[2] + mirror*z})
		tr.Ground.Plate = append(tr.Ground.Plate, vision.Mark{X: u + .1*scale*rng.NormFloat64(), Y: v + .04*scale*rng.NormFloat64(), SigmaPx: .3, Seen: 1, How: vision.HowEdges})
	}
}

// With a plate in view lens, tilt, yaw and scale are known better and as well as
// claimed; both hands, three views.
func TestPlateFixesTheCamera(t *testing.T) {
	var with, without []Error
	for n, f := range clips(t) {
		for d := range 2 {
			w := usual
			w.seed = uint64(100*n + d)
			tr := worn(t, f, w)
			tr.Ground = nil
			es, _ := errorsOf(t, f, tr)
			without = append(without, es...)
			withPlate(tr, f, w.seed, 1, 0)
			es, got := errorsOf(t, f, tr)
			with = append(with, es...)
			if !slices.Contains(got.Solution.Camera.From, "plate") {
				t.Errorf("%s, draw %d: plate not used: %v", f.Name, d, got.Notes)
			}
		}
	}
	before, after := map[string]Summary{}, map[string]Summary{}
	for _, s := range Summarise(without) {
		before[s.Quantity] = s
	}
	for _, s := range Summarise(with) {
		after[s.Quantity] = s
	}
	for q, share := range map[string]float64{"camera_focal_rel": .6, "camera_yaw_deg": .6, "camera_tilt_deg": .6, "contact_tip_speed_rel": 1} {
		a, b := after[q], before[q]
		if a.N == 0 || a.MedianSigma > share*b.MedianSigma {
			t.Errorf("%s: claimed to %.3f with the plate, %.3f without", q, a.MedianSigma, b.MedianSigma)
		}
		if a.Coverage95 < .8 || a.Rms1 > 1.6 {
			t.Errorf("%s: errors are %.2f times what is claimed; intervals hold %.0f %%", q, a.Rms1, 100*a.Coverage95)
		}
	}
}

// What only looks like a plate is told of and changes nothing: one of another
// size beside a hitter of told height, one that the hitter does not face.
func TestFalsePlateIsNotUsed(t *testing.T) {
	for n, f := range clips(t)[:2] {
		w := usual
		w.seed = uint64(n)
		tr := worn(t, f, w)
		_, want := errorsOf(t, f, tr)
		for name, p := range map[string]struct{ larger, turnDeg float64 }{"half again as large": {1.5, 0}, "turned by 70 deg": {1, 70}, "turned round": {1, 180}} {
			withPlate(tr, f, w.seed, p.larger, p.turnDeg)
			_, got := errorsOf(t, f, tr)
			if slices.Contains(got.Solution.Camera.From, "plate") {
				t.Errorf("%s: a plate %s is used", f.Name, name)
				continue
			}
			if got.Solution.Camera.FocalPx != want.Solution.Camera.FocalPx || got.Scale.PxPerIn != want.Scale.PxPerIn {
				t.Errorf("%s: a plate %s is not used and changes the camera", f.Name, name)
			}
			if !slices.ContainsFunc(got.Notes, func(s string) bool { return strings.Contains(s, "home plate was not used") }) {
				t.Errorf("%s: nothing says that a plate %s was not used: %v", f.Name, name, got.Notes)
			}
		}
	}
}

// Posts alone set roll and tilt; they are the images of plumb lines through the
// truth's camera.
func TestPostsAloneSetRoll(t *testing.T) {
	for n, f := range clips(t)[:2] {
		w := usual
		w.seed = uint64(n)
		tr := worn(t, f, w)
		_, plain := errorsOf(t, f, tr)
		tr.Ground = &vision.Ground{NoPlate: "none"}
		eye := f.Camera.Centre
		for k := range 6 {
			// beyond the hitter, spread across the line of sight
			across := (float64(k) - 2.5) * 50
			norm := math.Hypot(eye.X, eye.Z)
			foot := vision.Vec3{X: -eye.X*1.2 + across*eye.Z/norm, Z: -eye.Z*1.2 - across*eye.X/norm}
			x0, y0, _ := f.Frames[0].P.Project(foot)
			foot.Y = 100
			x1, y1, _ := f.Frames[0].P.Project(foot)
			tr.Ground.Uprights = append(tr.Ground.Uprights, vision.Segment{X0: x0, Y0: y0, X1: x1, Y1: y1, SigmaPx: .3})
		}
		_, got := errorsOf(t, f, tr)
		want, err := f.Solution()
		if err != nil {
			t.Fatal(err)
		}
		rollOf := func(c vision.Camera) float64 { return math.Atan2(c.R[1], -c.R[4]) * 180 / math.Pi }
		if off := math.Abs(rollOf(got.Solution.Camera) - rollOf(want.Camera)); off > 2*got.Solution.TiltSigmaDeg || got.Solution.TiltSigmaDeg > .8*plain.Solution.TiltSigmaDeg {
			t.Errorf("%s: roll off by %.2f deg, claimed to %.2f, without posts %.2f", f.Name, off, got.Solution.TiltSigmaDeg, plain.Solution.TiltSigmaDeg)
		}
	}
}

package metrics_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"nightcage/metrics"
	"nightcage/vision"
	"nightcage/vision/truth"
)

// unevenly is a track in which not every picture was looked at: all of them from
// beforeMs before an instant to afterMs after it, some 60 a second elsewhere.
func unevenly(tr vision.Track, fps, at, beforeMs, afterMs float64) vision.Track {
	step := int(math.Round(fps / 60))
	out := tr
	out.Frames = nil
	var poses []vision.Pose3
	for i, f := range tr.Frames {
		if near := f.Ms >= at-beforeMs && f.Ms <= at+afterMs; !near && f.Index%step != 0 {
			continue
		}
		out.Frames = append(out.Frames, f)
		if tr.Solution != nil {
			poses = append(poses, tr.Solution.Frames[i])
		}
	}
	if tr.Solution != nil {
		s := *tr.Solution
		s.Frames = poses
		out.Solution = &s
	}
	return out
}

// TestUnevenTrack measures swings of which some frames are left out far from
// contact. Nothing may go missing, and values may move by no more than a share of
// their error bars, nor these grow by more than what fewer marks leave open.
func TestUnevenTrack(t *testing.T) {
	path := errorsOf{bodyIn: 1.3, batIn: .4, lastMs: 120, scaleRel: .02, yaw: 4, tilt: 1, pitch: 3, bodyDepth: 2, batDepth: 2, eventMs: 2, clockRel: .001, knobSpeedIn: 15, tipSpeedIn: 30,
		ball: ballErrors{px: .5, angleDeg: .4, speedRel: .01, nearingPerS: 2, meetMs: 1}}
	for _, name := range []string{"s77001_00", "s77001_04", "s77001_06", "s77001_09"} {
		f := readTruth(t, name)
		exact := track(t, f, truth.Options{})
		contact, _ := f.EventMs("contact")
		solved, tl := simulate(f, exact, path, rand.New(rand.NewPCG(5, 5)))
		flat := track(t, f, truth.Options{No3D: true, NoisePx: 1, BatNoisePx: 1, Seed: 3})
		for kind, tr := range map[string]vision.Track{"solved": solved, "planar": flat} {
			t.Run(name+", "+kind, func(t *testing.T) {
				even := measure(t, tr, tl, metrics.Options{Draws: 200})
				thin := unevenly(tr, f.FPS, contact, 200, 200)
				if 5*len(thin.Frames) > 4*len(tr.Frames) {
					t.Fatalf("%d of %d frames are left: nothing is thinned", len(thin.Frames), len(tr.Frames))
				}
				uneven := measure(t, thin, tl, metrics.Options{Draws: 200})
				grown, n := 0.0, 0
				for i, a := range even.Measures {
					b := uneven.Measures[i]
					if a.Value == nil || *a.Sigma == 0 {
						continue
					}
					if b.Value == nil {
						t.Errorf("%s is missing: %s", b.ID, b.ReasonText)
						continue
					}
					if off := math.Abs(*b.Value-*a.Value) / *a.Sigma; off > 1 {
						t.Errorf("%s is %.4g, %.4g of all frames: %.1f standard errors", b.ID, *b.Value, *a.Value, off)
					}
					limit := 1.5 * *a.Sigma
					if b.View == metrics.HowTimes {
						// Events among frames that are 60 a second apart are no better
						// placed than those of a clip at 60 (JCGM 100:2008, F.2.2.1); an
						// eighth for what 200 draws leave open.
						limit = 1.125 * math.Sqrt(2*1000*1000./60/60/12)
					} else {
						n++
						grown += math.Log(*b.Sigma / *a.Sigma)
					}
					if *b.Sigma > limit {
						t.Errorf("%s: standard error %.3g, %.3g of all frames", b.ID, *b.Sigma, *a.Sigma)
					}
				}
				if n == 0 && f.View == vision.ViewOpenSide {
					t.Fatal("nothing was measured")
				}
				if r := math.Exp(grown / float64(n)); r > 1.1 {
					t.Errorf("standard errors are %.2f times those of all frames", r)
				}
				t.Logf("%d of %d frames, %d measures, standard errors %.3f times those of all frames", len(thin.Frames), len(tr.Frames), n, math.Exp(grown/float64(n)))
			})
		}
	}
}

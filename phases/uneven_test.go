package phases

import (
	"math"
	"testing"

	"nightcage/vision"
)

// unevenly leaves out pictures of a track: all stay from beforeMs before an
// instant to afterMs after it, some 60 a second elsewhere.
func unevenly(tr *vision.Track, fps, at, beforeMs, afterMs float64) {
	step := int(math.Round(fps / 60))
	kept := 0
	for i, f := range tr.Frames {
		if near := f.Ms >= at-beforeMs && f.Ms <= at+afterMs; !near && f.Index%step != 0 {
			continue
		}
		tr.Frames[kept] = f
		if tr.Solution != nil {
			tr.Solution.Frames[kept] = tr.Solution.Frames[i]
		}
		kept++
	}
	tr.Frames = tr.Frames[:kept]
	if tr.Solution != nil {
		tr.Solution.Frames = tr.Solution.Frames[:kept]
	}
}

// TestUnevenTrack times swings of which some pictures far from contact were not
// looked at: none goes missing; what lies among pictures that all were looked at
// stays within half a standard error, but for one in fifty that noise decides
// otherwise; the rest stays within what the two errors leave open, but for one in
// twenty; and all hold the truth as often as they claim.
func TestUnevenTrack(t *testing.T) {
	const beforeMs, afterMs = 350, 200
	dense, moved, far, strayed, held, all := 0, 0, 0, 0, 0, 0
	for _, f := range committed(t) {
		for _, l := range looks {
			for seed := range uint64(2) {
				even, err := l.make(f, seed)
				if err != nil {
					t.Fatal(err)
				}
				full, err := Find(*even)
				if err != nil {
					t.Fatal(err)
				}
				contact := eventMs(t, f, Contact)
				frames := len(even.Frames)
				unevenly(even, f.FPS, contact, beforeMs, afterMs)
				if len(even.Frames) > frames*4/5 {
					t.Fatalf("%d of %d frames are left: nothing is thinned", len(even.Frames), frames)
				}
				thin, err := Find(*even)
				if err != nil {
					t.Fatal(err)
				}
				if thin.Kind != full.Kind || thin.Result != full.Result {
					t.Errorf("%s, %s: %s, %s; of all frames %s, %s", f.Name, l.name, thin.Kind, thin.Result, full.Kind, full.Result)
				}
				for i, a := range full.Events {
					b := thin.Events[i]
					if !a.Found {
						continue
					}
					if !b.Found {
						t.Errorf("%s, %s, seed %d: %s is missing: %s", f.Name, l.name, seed, b.ID, b.Reason)
						continue
					}
					near := a.Ms > contact-beforeMs+60 && a.Ms < contact+afterMs-60 // a window's width inside
					off := math.Abs(b.Ms - a.Ms)
					if near && a.ID != ForwardMove { // read over longer stretches the noisier it is
						dense++
						if off > .5*a.SigmaMs || b.SigmaMs > 1.25*a.SigmaMs {
							moved++
							t.Logf("%s, %s, seed %d: %s moves by %.1f ms, errors %.1f and %.1f", f.Name, l.name, seed, b.ID, off, a.SigmaMs, b.SigmaMs)
						}
					} else {
						far++
						if off > 1.96*math.Hypot(a.SigmaMs, b.SigmaMs) {
							strayed++
							t.Logf("%s, %s, seed %d: %s strays by %.1f ms, errors %.1f and %.1f", f.Name, l.name, seed, b.ID, off, a.SigmaMs, b.SigmaMs)
						}
					}
					all++
					if math.Abs(b.Ms-eventMs(t, f, b.ID)) < 1.96*b.SigmaMs {
						held++
					}
				}
			}
		}
	}
	t.Logf("%d of %d events moved among pictures that were all looked at, %d of %d elsewhere; %d of %d intervals hold the truth", moved, dense, strayed, far, held, all)
	if dense < 100 || 50*moved > dense || 20*strayed > far || float64(held) < .93*float64(all) {
		t.Error("too many moved, or too few hold the truth")
	}
}

// TestUnclockedUnevenTrack does the same without a clock: places among the
// clip's pictures, not among those looked at.
func TestUnclockedUnevenTrack(t *testing.T) {
	for _, f := range committed(t) {
		tr, err := rough(f, 3, true)
		if err != nil {
			t.Fatal(err)
		}
		tr.Clip.Clock.Known = false
		full, err := Find(*tr)
		if err != nil {
			t.Fatal(err)
		}
		unevenly(tr, f.FPS, eventMs(t, f, Contact), 350, 200)
		thin, err := Find(*tr)
		if err != nil {
			t.Fatal(err)
		}
		for i, a := range full.Events {
			b := thin.Events[i]
			if a.Found != b.Found {
				t.Errorf("%s: %s found %v, of all frames %v", f.Name, a.ID, b.Found, a.Found)
			}
			if off := math.Abs(b.Frame - a.Frame); a.Found && off > 1.96*math.Hypot(a.SigmaFrames, b.SigmaFrames) {
				t.Errorf("%s: %s moves by %.1f pictures, errors %.1f and %.1f", f.Name, a.ID, off, a.SigmaFrames, b.SigmaFrames)
			}
		}
		whole, ok, err := SwingTempo(withClock(*tr))
		if err != nil || !ok || whole.Pace != Human || whole.Slower < .6 || whole.Slower > 1.7 {
			t.Errorf("%s: tempo %+v, %v, %v", f.Name, whole, ok, err)
		}
	}
}

func withClock(tr vision.Track) vision.Track {
	tr.Clip.Clock.Known = true
	return tr
}

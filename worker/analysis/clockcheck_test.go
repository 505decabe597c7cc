package analysis

import (
	"strings"
	"testing"

	"nightcage/vision"
	"nightcage/vision/truth"
)

// shownAt is a truth clip's track as a file shows it that plays slower times
// slower, at 30 frames per second when slow and 240 when not.
func shownAt(t *testing.T, slower float64, source vision.ClockSource) vision.Track {
	t.Helper()
	tr, err := truth.Track(readTruth(t, "s77001_09"), truth.Options{Seed: 1, NoisePx: 0.5, BatNoisePx: 0.5})
	if err != nil {
		t.Fatal(err)
	}
	for i := range tr.Clip.Times {
		tr.Clip.Times[i].PTSMs = tr.Clip.Times[i].Ms * slower
		tr.Clip.Times[i].Ms *= slower
	}
	for i := range tr.Frames {
		tr.Frames[i].Ms *= slower
	}
	fps := 240 / slower
	tr.Clip.Clock = vision.Clock{Known: true, Source: source, CaptureFPS: fps, StoredFPS: fps, SigmaRel: 0.002}
	return *tr
}

func TestDoubtClock(t *testing.T) {
	for _, c := range []struct {
		name    string
		slower  float64
		source  vision.ClockSource
		doubted bool
		says    []string
	}{
		{"true times", 1, vision.ClockTimestamps, false, nil},
		{"slow motion untold", 8, vision.ClockTimestamps, true, []string{"slow motion", "8 times", "240 frames per second", "with the job"}},
		{"a quarter", 4, vision.ClockTimestamps, true, []string{"slow motion", "4 times"}},
		{"a slow drill at a rate that was told", 8, vision.ClockJob, false, nil},
		{"a slow drill at a rate that the camera told", 8, vision.ClockTag, false, nil},
		{"a rate told that nobody could swing at", 1. / 8, vision.ClockJob, true, []string{"1920", "cannot be right"}},
		{"speeded up", 1. / 8, vision.ClockTimestamps, true, []string{"speeded up"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			track := shownAt(t, c.slower, c.source)
			got, doubted, err := doubtClock(track)
			if err != nil || doubted != c.doubted {
				t.Fatalf("doubted %v, %v", doubted, err)
			}
			if got.Clock.Known == doubted || doubted != (got.Clock.Conflict != "") {
				t.Errorf("clock %+v", got.Clock)
			}
			for _, s := range c.says {
				if !strings.Contains(got.Clock.Conflict, s) {
					t.Errorf("%q does not say %q", got.Clock.Conflict, s)
				}
			}
			if !doubted {
				return
			}
			// The working times are about those of the swing.
			n := len(got.Times) - 1
			if truth := float64(n) * 1000 / 240; got.Times[n].Ms < truth/2 || got.Times[n].Ms > truth*2 {
				t.Errorf("times end at %.0f ms, in truth %.0f", got.Times[n].Ms, truth)
			}
		})
	}
}

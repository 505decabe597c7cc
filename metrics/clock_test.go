package metrics_test

import (
	"path/filepath"
	"slices"
	"testing"

	"nightcage/metrics"
	"nightcage/phases"
	"nightcage/vision"
	"nightcage/vision/truth"
)

// timedBy makes the record of a track whose clock is known or not.
func timedBy(t *testing.T, track vision.Track, known bool) metrics.Swing {
	t.Helper()
	track.Clip.Clock.Known = known
	if !known {
		track.Clip.Clock = vision.Clock{Source: vision.ClockUnknown, Conflict: "the test says so"}
	}
	tl, err := phases.Find(track)
	if err != nil {
		t.Fatal(err)
	}
	s, err := metrics.Measure(t.Context(), track, tl, metrics.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// A clip without a clock gets every measure that needs none and no other.
func TestMeasuresWithoutAClock(t *testing.T) {
	files, err := filepath.Glob("../testdata/clips/*.json.gz")
	if err != nil || len(files) < 4 {
		t.Fatalf("%d truth files, %v", len(files), err)
	}
	timeless := 0
	for _, path := range files {
		f, err := truth.Read(path)
		if err != nil {
			t.Fatal(err)
		}
		track, err := truth.Track(f, truth.Options{Seed: 1, NoisePx: 0.5, BatNoisePx: 0.5})
		if err != nil {
			t.Fatal(err)
		}
		with, without := timedBy(t, *track, true), timedBy(t, *track, false)
		if without.Timeline.Timed || without.Clock.Known {
			t.Errorf("%s: record says that its clock is known", f.Name)
		}
		for _, d := range metrics.Catalogue() {
			a, _ := with.Find(d.ID)
			b, _ := without.Find(d.ID)
			switch {
			case d.NeedsClock && (b.Value != nil || b.Reason != metrics.ReasonNoClock):
				t.Errorf("%s, %s: needs a clock, has %v (%s)", f.Name, d.ID, b.Value, b.Reason)
			case !d.NeedsClock && b.Reason == metrics.ReasonNoClock:
				t.Errorf("%s, %s: needs no clock and was refused for want of one", f.Name, d.ID)
			case !d.NeedsClock && (a.Value == nil) != (b.Value == nil):
				t.Errorf("%s, %s: value %v with a clock, %v (%s) without", f.Name, d.ID, a.Value != nil, b.Value != nil, b.Reason)
			case b.Value != nil:
				timeless++
			}
			if b.Value != nil && slices.Contains([]string{"mph", "ms", "deg/s"}, d.Unit) {
				t.Errorf("%s, %s: %v %s without a clock", f.Name, d.ID, *b.Value, d.Unit)
			}
		}
	}
	if timeless < 150 {
		t.Errorf("only %d measures without a clock", timeless)
	}
}

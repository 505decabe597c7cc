package metrics_test

import (
	"math"
	"slices"
	"testing"

	"nightcage/metrics"
	"nightcage/vision"
)

func TestBandsAreSourced(t *testing.T) {
	seen := map[string]bool{}
	for _, b := range metrics.Bands() {
		key := b.Measure + "/" + string(b.Level)
		if seen[key] {
			t.Errorf("%s has two bands", key)
		}
		seen[key] = true
		if _, ok := metrics.Lookup(b.Measure); !ok {
			t.Errorf("%s is no measure", b.Measure)
		}
		if !slices.Contains(vision.Levels(), b.Level) {
			t.Errorf("%s: no level %q", key, b.Level)
		}
		if b.N < 1 || b.Source == "" || b.Population == "" || b.Method == "" {
			t.Errorf("%s lacks n, source, population or method", key)
		}
	}
}

// TestBandsInTheirOwnUnits turns bands back into the units their sources print:
// m/s for the speeds (1 mph = .44704 m/s), s for the swing time.
func TestBandsInTheirOwnUnits(t *testing.T) {
	band := func(id string, l vision.Level) metrics.Band {
		for _, b := range metrics.Bands() {
			if b.Measure == id && b.Level == l {
				return b
			}
		}
		t.Fatalf("no band for %s, %s", id, l)
		return metrics.Band{}
	}
	for _, c := range []struct {
		what      string
		got, want float64
		tol       float64
	}{
		{"skilled youth, m/s", band("bat_speed_contact", vision.LevelYouth).Mean * .44704, 25, .05},
		{"skilled adults, m/s", band("bat_speed_contact", vision.LevelPro).Mean * .44704, 30, .05},
		{"college softball, m/s", band("bat_speed_contact", vision.LevelCollege).Mean * .44704, 28.77, .03},
		{"its SD, m/s", *band("bat_speed_contact", vision.LevelCollege).SD * .44704, 4.94, .03},
		{"swing time, s", band("swing_time_contact", vision.LevelCollege).Mean / 1000, .208, 1e-9},
		{"its SD, s", *band("swing_time_contact", vision.LevelCollege).SD / 1000, .042, 1e-9},
		{"hips, deg/s", band("pelvis_turn_speed_peak", vision.LevelHighSchool).Mean, 718.5, 1e-9},
		{"shoulders, deg/s", band("shoulder_turn_speed_peak", vision.LevelHighSchool).Mean, 929.9, 1e-9},
	} {
		if math.Abs(c.got-c.want) > c.tol {
			t.Errorf("%s: %.3f, the source prints %.3f", c.what, c.got, c.want)
		}
	}
}

// TestBandsComeWithTheirLevel: context is shown for the level that was told,
// and nothing stands in for a level the literature has no numbers for.
func TestBandsComeWithTheirLevel(t *testing.T) {
	band := func(l vision.Level) *metrics.Band {
		s := metrics.Failed(metrics.Failure{Kind: "test", Text: "test"}, vision.Clip{Name: "a.mp4"}, vision.Subject{Level: l}, metrics.Options{})
		m, _ := s.Find("bat_speed_contact")
		return m.Band
	}
	if b := band(vision.LevelYouth); b == nil || b.Level != vision.LevelYouth {
		t.Errorf("youth: %v", b)
	}
	if b := band(vision.LevelHighSchool); b != nil {
		t.Errorf("high school has no published bat speed here, got %v", *b)
	}
	if b := band(""); b != nil {
		t.Errorf("level not told, got %v", *b)
	}
}

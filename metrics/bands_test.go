package metrics_test

import (
	"math"
	"slices"
	"strings"
	"testing"

	"nightcage/metrics"
	"nightcage/vision"
)

func TestShippedBands(t *testing.T) {
	bands := metrics.ShippedBands()
	if len(bands) < 6 {
		t.Fatalf("%d bands ship", len(bands))
	}
	for _, b := range bands {
		if !slices.Contains(vision.Levels(), b.Level) {
			t.Errorf("%s: no level %q", b.Measure, b.Level)
		}
	}
}

// TestBandsInTheirOwnUnits turns bands back into the units their sources print:
// m/s for the speeds (1 mph = .44704 m/s), s for the swing time.
func TestBandsInTheirOwnUnits(t *testing.T) {
	band := func(id string, l vision.Level) metrics.Band {
		b := metrics.ShippedBands().For(id, l)
		if b == nil {
			t.Fatalf("no band for %s, %s", id, l)
		}
		return *b
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
		{"its SD, deg/s", *band("pelvis_turn_speed_peak", vision.LevelHighSchool).SD, 104.1, 1e-9},
		{"shoulders, deg/s", band("shoulder_turn_speed_peak", vision.LevelHighSchool).Mean, 929.9, 1e-9},
		{"its SD, deg/s", *band("shoulder_turn_speed_peak", vision.LevelHighSchool).SD, 147.1, 1e-9},
	} {
		if math.Abs(c.got-c.want) > c.tol {
			t.Errorf("%s: %.3f, the source prints %.3f", c.what, c.got, c.want)
		}
	}
}

// TestBandsComeWithTheirLevel: nothing stands in for a level that was not told
// or that the literature has no numbers for.
func TestBandsComeWithTheirLevel(t *testing.T) {
	bands := metrics.ShippedBands()
	if b := bands.For("bat_speed_contact", vision.LevelYouth); b == nil || b.Level != vision.LevelYouth {
		t.Errorf("youth: %v", b)
	}
	if b := bands.For("bat_speed_contact", vision.LevelHighSchool); b != nil {
		t.Errorf("high school has no published bat speed here, got %v", *b)
	}
	if b := bands.For("bat_speed_contact", ""); b != nil {
		t.Errorf("level not told, got %v", *b)
	}
}

const ownBand = `  - {measure: bat_speed_contact, level: youth, mean: 48, sd: 4, n: 14, population: the Comets, method: as here, source: our own clips}
`

func TestOwnBands(t *testing.T) {
	own, err := metrics.LoadBands("bands.yaml", []byte("bands:\n"+ownBand+
		"  - {measure: stride_share_toe_touch, level: pro, mean: 45, low: 40, high: 50, n: 3, population: the Comets, method: as here, source: our own clips}\n"))
	if err != nil {
		t.Fatal(err)
	}
	shipped := metrics.ShippedBands()
	all := shipped.With(own)
	if len(all) != len(shipped)+1 {
		t.Errorf("%d bands of %d shipped, one replaced and one new", len(all), len(shipped))
	}
	if b := all.For("bat_speed_contact", vision.LevelYouth); b == nil || b.Mean != 48 || b.N != 14 {
		t.Errorf("the own band does not replace the shipped one: %+v", b)
	}
	if b := all.For("bat_speed_contact", vision.LevelPro); b == nil || b.Mean != 67.1 {
		t.Errorf("the shipped band of another level is gone: %+v", b)
	}
	if b := all.For("stride_share_toe_touch", vision.LevelPro); b == nil || *b.Low != 40 || b.SD != nil {
		t.Errorf("new band: %+v", b)
	}
}

// TestLoadBandsSaysWhere: file, line and what is wrong.
func TestLoadBandsSaysWhere(t *testing.T) {
	const head = "bands:\n"
	for _, c := range []struct{ name, text, want string }{
		{"empty", "", "own.yaml:1: the file is empty"},
		{"not yaml", "bands:\n\t- level: pro\n", "own.yaml: line 2"},
		{"another file", "chains: []\n", "own.yaml:1: missing property 'bands'"},
		{"no source", head + "  - {measure: bat_speed_contact, level: youth, mean: 48, n: 14, population: the Comets, method: as here}\n", "own.yaml:2: bands/0: missing property 'source'"},
		{"no n", head + ownBand + strings.Replace(ownBand, "n: 14, ", "", 1), "own.yaml:3: bands/1: missing property 'n'"},
		{"nobody measured", head + strings.Replace(ownBand, "14", "0", 1), "own.yaml:2: bands/0/n: minimum: got 0, want 1"},
		{"SD of none", head + strings.Replace(ownBand, "sd: 4", "sd: 0", 1), "own.yaml:2: bands/0/sd: exclusiveMinimum"},
		{"half a range", head + strings.Replace(ownBand, "sd: 4", "low: 4", 1), "own.yaml:2: bands/0: properties 'high' required, if 'low' exists"},
		{"mean is a word", head + strings.Replace(ownBand, "48", "fast", 1), "own.yaml:2: bands/0/mean: got string, want number"},
		{"no such level", head + strings.Replace(ownBand, "youth", "varsity", 1), "own.yaml:2: bands/0/level: value must be one of"},
		{"no such measure", head + strings.Replace(ownBand, "bat_speed_contact", "bat_sped", 1), `own.yaml:2: bands/0/measure: there is no measure "bat_sped"`},
		{"twice", head + ownBand + ownBand, "own.yaml:3: bands/1/level: a second band for bat_speed_contact, youth"},
		{"mean out of its range", head + strings.Replace(ownBand, "sd: 4", "low: 49, high: 52", 1), "own.yaml:2: bands/0/mean: 48 is not between low, 49, and high, 52"},
	} {
		_, err := metrics.LoadBands("own.yaml", []byte(c.text))
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v\n\twant %s", c.name, err, c.want)
		}
	}
}

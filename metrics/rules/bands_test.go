package rules

import (
	"math"
	"slices"
	"strings"
	"testing"

	"nightcage/metrics"
	"nightcage/vision"
)

func TestShippedBands(t *testing.T) {
	bands := Shipped().Bands
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
	band := func(id string, sport vision.Sport, l vision.Level) metrics.Band {
		b := Shipped().Bands.For(id, sport, l)
		if b == nil {
			t.Fatalf("no band for %s, %s, %s", id, sport, l)
		}
		return *b
	}
	for _, c := range []struct {
		what      string
		got, want float64
		tol       float64
	}{
		{"skilled youth, m/s", band("bat_speed_contact", vision.SportBaseball, vision.LevelYouth).Mean * .44704, 25, .05},
		{"skilled adults, m/s", band("bat_speed_contact", vision.SportBaseball, vision.LevelPro).Mean * .44704, 30, .05},
		{"college softball, m/s", band("bat_speed_contact", vision.SportSoftball, vision.LevelCollege).Mean * .44704, 28.77, .03},
		{"its SD, m/s", *band("bat_speed_contact", vision.SportSoftball, vision.LevelCollege).SD * .44704, 4.94, .03},
		{"swing time, s", band("swing_time_contact", vision.SportSoftball, vision.LevelCollege).Mean / 1000, .208, 1e-9},
		{"its SD, s", *band("swing_time_contact", vision.SportSoftball, vision.LevelCollege).SD / 1000, .042, 1e-9},
		{"hips, deg/s", band("pelvis_turn_speed_peak", vision.SportBaseball, vision.LevelHighSchool).Mean, 718.5, 1e-9},
		{"its SD, deg/s", *band("pelvis_turn_speed_peak", vision.SportBaseball, vision.LevelHighSchool).SD, 104.1, 1e-9},
		{"shoulders, deg/s", band("shoulder_turn_speed_peak", vision.SportBaseball, vision.LevelHighSchool).Mean, 929.9, 1e-9},
		{"its SD, deg/s", *band("shoulder_turn_speed_peak", vision.SportBaseball, vision.LevelHighSchool).SD, 147.1, 1e-9},
	} {
		if math.Abs(c.got-c.want) > c.tol {
			t.Errorf("%s: %.3f, the source prints %.3f", c.what, c.got, c.want)
		}
	}
}

// TestBandsComeWithSportAndLevel: nothing stands in for a sport or level that was
// not told or that the literature has no numbers for.
func TestBandsComeWithSportAndLevel(t *testing.T) {
	for _, c := range []struct {
		sport vision.Sport
		level vision.Level
		mean  float64 // 0: no band
	}{
		{vision.SportBaseball, vision.LevelYouth, 55.9},
		{vision.SportSoftball, vision.LevelYouth, 0},
		{vision.SportSoftball, vision.LevelCollege, 64.4},
		{vision.SportBaseball, vision.LevelCollege, 0}, // the only published one is of softball
		{"", vision.LevelCollege, 0},
		{vision.SportBaseball, vision.LevelHighSchool, 0},
		{vision.SportBaseball, "", 0},
	} {
		s := swingOf(map[string][2]float64{"bat_speed_contact": {60, 1}})
		s.Subject.Sport, s.Subject.Level = c.sport, c.level
		Shipped().Apply(&s)
		m, _ := s.Find("bat_speed_contact")
		if got := m.Band; (got == nil) != (c.mean == 0) || got != nil && got.Mean != c.mean {
			t.Errorf("%s, %s: %+v, want mean %v", c.sport, c.level, got, c.mean)
		}
	}
}

const ownBand = `  - {measure: bat_speed_contact, sport: baseball, level: youth, mean: 48, sd: 4, n: 14, population: the Comets, method: as here, source: our own clips}
`

func TestOwnBands(t *testing.T) {
	own, err := Load("rules.yaml", []byte("bands:\n"+ownBand+
		"  - {measure: stride_share_toe_touch, sport: baseball, level: pro, mean: 45, low: 40, high: 50, n: 3, population: the Comets, method: as here, source: our own clips}\n"))
	if err != nil {
		t.Fatal(err)
	}
	if len(own.Bands) != len(Shipped().Bands)+1 || len(own.Chains) != len(Shipped().Chains) {
		t.Errorf("%d bands of %d shipped, one replaced and one new; %d chains of %d", len(own.Bands), len(Shipped().Bands), len(own.Chains), len(Shipped().Chains))
	}
	if b := own.Bands.For("bat_speed_contact", vision.SportBaseball, vision.LevelYouth); b == nil || b.Mean != 48 || b.N != 14 {
		t.Errorf("the own band does not replace the shipped one: %+v", b)
	}
	if b := own.Bands.For("bat_speed_contact", vision.SportBaseball, vision.LevelPro); b == nil || b.Mean != 67.1 {
		t.Errorf("the shipped band of another level is gone: %+v", b)
	}
	if b := own.Bands.For("stride_share_toe_touch", vision.SportBaseball, vision.LevelPro); b == nil || *b.Low != 40 || b.SD != nil {
		t.Errorf("new band: %+v", b)
	}
	if own.Name != "shipped and rules.yaml" || own.SHA256 == Shipped().SHA256 || len(own.SHA256) != 64 {
		t.Errorf("the set is called %q, %s", own.Name, own.SHA256)
	}
}

// TestLoadBandsSaysWhere: file, line and what is wrong.
func TestLoadBandsSaysWhere(t *testing.T) {
	const head = "bands:\n"
	for _, c := range []struct{ name, text, want string }{
		{"another file", "cards: []\n", "own.yaml:1: additional properties 'cards' not allowed"},
		{"nothing in it", "{}\n", "own.yaml:1: minProperties: got 0, want 1"},
		{"no sport", head + strings.Replace(ownBand, "sport: baseball, ", "", 1), "own.yaml:2: bands/0: missing property 'sport'"},
		{"no such sport", head + strings.Replace(ownBand, "sport: baseball", "sport: cricket", 1), "own.yaml:2: bands/0/sport: value must be one of"},
		{"no source", head + "  - {measure: bat_speed_contact, sport: baseball, level: youth, mean: 48, n: 14, population: the Comets, method: as here}\n", "own.yaml:2: bands/0: missing property 'source'"},
		{"no n", head + ownBand + strings.Replace(ownBand, "n: 14, ", "", 1), "own.yaml:3: bands/1: missing property 'n'"},
		{"nobody measured", head + strings.Replace(ownBand, "14", "0", 1), "own.yaml:2: bands/0/n: minimum: got 0, want 1"},
		{"SD of none", head + strings.Replace(ownBand, "sd: 4", "sd: 0", 1), "own.yaml:2: bands/0/sd: exclusiveMinimum"},
		{"half a range", head + strings.Replace(ownBand, "sd: 4", "low: 4", 1), "own.yaml:2: bands/0: properties 'high' required, if 'low' exists"},
		{"mean is a word", head + strings.Replace(ownBand, "48", "fast", 1), "own.yaml:2: bands/0/mean: got string, want number"},
		{"no such level", head + strings.Replace(ownBand, "youth", "varsity", 1), "own.yaml:2: bands/0/level: value must be one of"},
		{"no such measure", head + strings.Replace(ownBand, "bat_speed_contact", "bat_sped", 1), `own.yaml:2: bands/0/measure: there is no measure "bat_sped"`},
		{"twice", head + ownBand + ownBand, "own.yaml:3: bands/1/level: a second band for bat_speed_contact, baseball, youth"},
		{"mean out of its range", head + strings.Replace(ownBand, "sd: 4", "low: 49, high: 52", 1), "own.yaml:2: bands/0/mean: 48 is not between low, 49, and high, 52"},
	} {
		_, err := Load("own.yaml", []byte(c.text))
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v\n\twant %s", c.name, err, c.want)
		}
	}
}

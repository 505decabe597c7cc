package report

import (
	"errors"
	"strings"
	"testing"

	"nightcage/cmd/internal/judge"
	"nightcage/metrics"
	"nightcage/phases"
	"nightcage/vision"
	"nightcage/vision/truth"
)

func swing(t *testing.T, o metrics.Options) metrics.Swing {
	t.Helper()
	f, err := truth.Read("../../../testdata/clips/s77001_04.json.gz")
	if err != nil {
		t.Fatal(err)
	}
	tr, err := truth.Track(f, truth.Options{})
	if err != nil {
		t.Fatal(err)
	}
	tr.Subject.Hitter = "Juniper Sable"
	tl, err := phases.Find(*tr)
	if err != nil {
		t.Fatal(err)
	}
	s, err := metrics.Measure(t.Context(), *tr, tl, o)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func TestSwing(t *testing.T) {
	s := swing(t, metrics.Options{Draws: 60, Budget: true,
		Calibration: &metrics.Calibration{Clips: 30, Factors: map[string]metrics.Factor{"base_width_toe_touch": {Factor: 1.5, N: 30}}}})
	var b strings.Builder
	if err := Swing(&b, s); err != nil {
		t.Fatal(err)
	}
	out := b.String()
	for _, e := range phases.Events() {
		if !strings.Contains(out, "\n"+strings.ReplaceAll(string(e), "_", " ")+" ") {
			t.Errorf("no line for %s", e)
		}
	}
	for _, m := range s.Measures {
		d, ok := metrics.Lookup(m.ID)
		if !ok {
			t.Fatalf("%s is not in the catalogue", m.ID)
		}
		want := metrics.Text(m)
		found := false
		for _, line := range strings.Split(out, "\n") {
			found = found || strings.Contains(line, d.Name+"  ") && strings.Contains(line, want)
		}
		if !found {
			t.Errorf("no line with %q and %q", d.Name, want)
		}
	}
	for _, c := range s.Cautions {
		if !strings.Contains(out, c) {
			t.Errorf("caution left out: %s", c)
		}
	}
	if !strings.Contains(out, "Juniper Sable bats right") || !strings.Contains(out, "its error is from ") || strings.Count(out, "calibration: bar \u00d7 1.50\n") != 1 {
		t.Errorf("hitter or budgets left out:\n%s", out)
	}
}

func TestFailedSwing(t *testing.T) {
	var b strings.Builder
	s := metrics.Failed(metrics.Failure{Kind: "no_person", Text: "Nobody is in view."}, vision.Clip{Name: "wall.mp4"}, vision.Subject{}, metrics.Options{})
	if err := Swing(&b, s); err != nil {
		t.Fatal(err)
	}
	if out := b.String(); !strings.Contains(out, "wall.mp4") || !strings.Contains(out, "not measured: Nobody is in view. (no_person)") || strings.Contains(out, "MEASURE") {
		t.Errorf("failed record prints as\n%s", out)
	}
}

func TestUnknownClock(t *testing.T) {
	s := swing(t, metrics.Options{Draws: 60})
	s.Clock = vision.Clock{Source: vision.ClockUnknown}
	var b strings.Builder
	if err := Swing(&b, s); err != nil {
		t.Fatal(err)
	}
	if out := b.String(); !strings.Contains(out, "true frame rate unknown") || !strings.Contains(out, "frame ") {
		t.Errorf("unknown clock prints as\n%s", out[:400])
	}
}

func TestJudgement(t *testing.T) {
	bias, cover := -0.25, 0.95
	r := judge.Report{Clips: 2, Failed: []judge.Failed{{Clip: "b.mp4", Reason: "no swing"}},
		Quantities: []judge.Quantity{{ID: "tip_in", Unit: "[in_i]", N: 40, Median: 0.21, P95: 0.64, Coverage95: &cover},
			{ID: "measure.attack_angle_contact", Unit: "deg", N: 1, Median: 1.5, P95: 1.5, Bias: &bias, Coverage95: &cover},
			{ID: "measure.bat_speed_contact", Unit: "[mi_i]/h", Unavailable: 2}},
		Splits: []judge.Split{{By: "fps", Value: "120", Clips: 2, Quantities: []judge.Quantity{{ID: "tip_swing_in", N: 40, Median: 0.21, P95: 0.64}}}}}
	var b strings.Builder
	if err := Judgement(&b, r); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"2 clips judged", "no result: b.mp4: no swing", "0.21", "-0.25", "95 %", "fps 120", "0.21 / 0.64"} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("%q left out of\n%s", want, b.String())
		}
	}
}

type full struct{ left int }

func (f *full) Write(p []byte) (int, error) {
	if f.left -= len(p); f.left < 0 {
		return 0, errors.New("disk full")
	}
	return len(p), nil
}

func TestWriteErrorIsReturned(t *testing.T) {
	s := swing(t, metrics.Options{Draws: 60})
	for _, room := range []int{0, 120, 900} {
		if err := Swing(&full{room}, s); err == nil {
			t.Errorf("no error with room for %d bytes", room)
		}
	}
}

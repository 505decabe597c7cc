package metrics_test

import (
	"math"
	"testing"

	"nightcage/metrics"
	"nightcage/vision/truth"
)

// TestCalibrationScalesTheBar: a factor scales the standard uncertainty and both
// ends about the value, moves no value, and leaves other measures and the budget
// alone.
func TestCalibrationScalesTheBar(t *testing.T) {
	f := readTruth(t, "s77001_09")
	tr, tl := track(t, f, truth.Options{}), timeline(f, 1)
	o := metrics.Options{Draws: 100, Budget: true}
	plain := measure(t, tr, tl, o)
	o.Calibration = &metrics.Calibration{Clips: 30, RestsOn: "a test", Factors: map[string]metrics.Factor{"base_width_toe_touch": {Factor: 1.5, N: 30}}}
	scaled := measure(t, tr, tl, o)
	for i, a := range plain.Measures {
		b := scaled.Measures[i]
		if a.Value == nil {
			continue
		}
		k := 1.0
		if a.ID == "base_width_toe_touch" {
			k = 1.5
		}
		if *b.Value != *a.Value || b.CalibrationFactor() != k {
			t.Errorf("%s: %v times %v, was %v", a.ID, *b.Value, b.CalibrationFactor(), *a.Value)
		}
		for _, end := range [][2]float64{{*a.Low95, *b.Low95}, {*a.High95, *b.High95}} {
			if want := *a.Value + k*(end[0]-*a.Value); math.Abs(end[1]-want) > 2e-4 {
				t.Errorf("%s: an end at %v, want %v", a.ID, end[1], want)
			}
		}
		if math.Abs(*b.Sigma-k**a.Sigma) > 1e-4 || len(a.Budget) != len(b.Budget) {
			t.Errorf("%s: sigma %v, was %v; %d sources, were %d", a.ID, *b.Sigma, *a.Sigma, len(b.Budget), len(a.Budget))
		}
	}
	if len(scaled.Notes) != len(plain.Notes)+1 {
		t.Errorf("the record does not say that its bars are calibrated: %q", scaled.Notes)
	}
}

// TestShippedCalibration: every factor is of a measure and within the limits.
func TestShippedCalibration(t *testing.T) {
	c := metrics.ShippedCalibration()
	if len(c.Factors) > 0 && (c.Clips == 0 || c.RestsOn == "" || c.Made == "" || c.Pipeline == "" || len(c.Names) < c.Clips) {
		t.Errorf("factors that do not say what they rest on: %+v", c)
	}
	for id, f := range c.Factors {
		if _, ok := metrics.Lookup(id); !ok {
			t.Errorf("a factor for %q, which is no measure", id)
		}
		if f.Factor < metrics.LeastFactor || f.Factor > metrics.MostFactor || f.N <= 0 || f.N > c.Clips {
			t.Errorf("%s: %+v of %d clips", id, f, c.Clips)
		}
	}
}

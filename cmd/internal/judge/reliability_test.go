package judge

import (
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"nightcage/metrics"
)

// claims draws errors k times as large as the bars say. Bars differ in size, so
// that bins mean something.
func claims(n int, k float64) []claim {
	rng := rand.New(rand.NewPCG(68001, uint64(1000*k)))
	out := make([]claim, n)
	for i := range out {
		sigma := 1 + 4*rng.Float64()
		out[i] = claim{err: k * sigma * rng.NormFloat64(), sigma: sigma, raw: sigma, size: sigma / 4}
	}
	return out
}

func own(c claim) float64 { return c.sigma }

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s = %.4f, want %.4f within %.2g", what, got, want, tol)
	}
}

// TestReliabilityOfNormalErrors: a normal error lies within 1 and 2 standard
// deviations with probability .6827 and .9545 (any table of the normal
// distribution). Tolerances are 4 standard errors of 20,000 draws.
func TestReliabilityOfNormalErrors(t *testing.T) {
	const n = 20_000
	right := reliability("x", claims(n, 1), own)
	near(t, "ratio", right.Ratio, 1, 4/math.Sqrt(2*n))
	near(t, "within 1", right.Within1, .6827, .014)
	near(t, "within 2", right.Within2, .9545, .006)
	near(t, "slope", right.Slope, 1, .03)
	near(t, "raw", right.Raw, .995, .03) // E min(z^2, 9), by integration
	for i, share := range right.Transform {
		near(t, "tenth "+string(rune('0'+i)), share, .1, .009)
	}
	if len(right.Bins) != maxBins {
		t.Fatalf("%d bins", len(right.Bins))
	}
	for _, b := range right.Bins {
		near(t, "actual over claimed in a bin", b.Actual/b.Claimed, 1, .05)
	}
	// Within one standard uncertainty half as large as it should be: 2 Phi(.5) - 1
	// = .3829. Truths then pile up at the ends.
	short := reliability("x", claims(n, 2), own)
	near(t, "short: ratio", short.Ratio, 2, .05)
	near(t, "short: within 1", short.Within1, .3829, .014)
	near(t, "short: slope", short.Slope, 2, .06)
	if short.Transform[0] < .2 || short.Transform[9] < .2 {
		t.Errorf("bars half as long as they should be, truths by tenths: %.2v", short.Transform)
	}
}

func judgement(name string, n int, raw float64) Report {
	return Report{Pipeline: "1", Clips: 1, Names: []string{name + ".mp4"},
		Reliability: []Reliability{{ID: "all", N: n, Raw: raw}, {ID: measurePrefix + "bat_speed_contact", N: n, Raw: raw}}}
}

func TestCalibrate(t *testing.T) {
	now := time.Date(2026, 11, 27, 0, 0, 0, 0, time.UTC)
	for _, c := range []struct {
		n         int
		raw, want float64
	}{
		{2, 4, math.Sqrt(28. / 22)},   // two errors move little
		{20, 4, math.Sqrt(100. / 40)}, // as many as the claim counts for: half-way in variance
		{200, 1, 1},
		{60, .25, math.Sqrt(25. / 40)},   // counts for 20
		{2000, .25, metrics.LeastFactor}, // root of 187/687 = .52, held
		{2000, 9, metrics.MostFactor},
	} {
		got, err := Calibrate([]Report{judgement("s1_00", c.n, c.raw)}, now)
		if err != nil {
			t.Fatal(err)
		}
		f := got.Factors["bat_speed_contact"]
		near(t, "factor", f.Factor, c.want, 6e-4)
		if f.N != c.n || len(got.Factors) != 1 {
			t.Errorf("factors %+v of %d errors", got.Factors, c.n)
		}
	}
	// Two sets count as one of both.
	got, err := Calibrate([]Report{judgement("s1_00", 10, 1), judgement("s2_00", 30, 2)}, now)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "both", got.Factors["bat_speed_contact"].Factor, math.Sqrt(90./60), 6e-4)
	if !slices.Equal(got.Names, []string{"s1_00", "s2_00"}) || got.Clips != 2 {
		t.Errorf("calibrated on %d clips: %v", got.Clips, got.Names)
	}
	for what, reports := range map[string][]Report{
		"judging clips":    {judgement("s31_04", 10, 1)},
		"reserved clips":   {judgement("s99001_04", 10, 1)},
		"the same twice":   {judgement("s1_00", 10, 1), judgement("s1_00", 10, 1)},
		"two pipelines":    {judgement("s1_00", 10, 1), {Pipeline: "2"}},
		"nothing at all":   nil,
		"nothing compared": {{Pipeline: "1", Clips: 1, Names: []string{"s1_00.mp4"}}},
	} {
		if _, err := Calibrate(reports, now); err == nil {
			t.Errorf("%s: calibrated", what)
		}
	}
	if _, err := Calibrate([]Report{judgement("s77001_00", 1, 1)}, now); !errors.Is(err, ErrJudgingClips) {
		t.Errorf("judging clips: %v", err)
	}
}

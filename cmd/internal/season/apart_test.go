package season

import (
	"math"
	"testing"

	"nightcage/metrics"
	"nightcage/metrics/change"
)

// The standard uncertainty of the difference of two independent quantities is the
// root of the sum of their squares (JCGM 100:2008, 5.1.2): 3 and 4 give 5, and 9.8
// is what has to lie between two such values.
func TestApartNeedsMoreThanBothErrors(t *testing.T) {
	one := func(v, sigma float64) metrics.Swing {
		return metrics.Swing{Measures: []metrics.Result{{ID: "m", Value: &v, Sigma: &sigma}}}
	}
	for _, c := range []struct {
		a, b float64
		want change.Verdict
	}{{10, 19.7, change.NoDetectable}, {10, 19.9, change.Changed}, {19.9, 10, change.Changed}} {
		got := Apart(one(c.a, 3), one(c.b, 4), []string{"m"})
		if got[0].Verdict != c.want || math.Abs(got[0].Detectable-1.96*5) > 1e-12 || got[0].Difference != c.b-c.a {
			t.Errorf("%v and %v: %+v", c.a, c.b, got[0])
		}
	}
	unread := metrics.Swing{Measures: []metrics.Result{{ID: "m"}}}
	if got := Apart(one(1, 1), unread, []string{"m"}); got[0].Verdict != change.NotEnoughSwings || !math.IsNaN(got[0].Difference) {
		t.Errorf("not measured in one: %+v", got[0])
	}
	// Beyond the bars in one measure of many is what chance does.
	const many = 40
	var a, b metrics.Swing
	ids := make([]string, many)
	for i := range ids {
		ids[i] = string(rune('A' + i))
		x, y, s := 0.0, 0.0, 1.0
		if i == 7 {
			y = 3 // 2.1 standard uncertainties
		}
		a.Measures = append(a.Measures, metrics.Result{ID: ids[i], Value: &x, Sigma: &s})
		b.Measures = append(b.Measures, metrics.Result{ID: ids[i], Value: &y, Sigma: &s})
	}
	if got := Apart(a, b, ids)[7]; got.Verdict != change.NoDetectable {
		t.Errorf("one of %d: %+v", many, got)
	}
}

package metrics

import "testing"

func TestText(t *testing.T) {
	at := func(v, low, high float64, unit string) Result {
		return Result{Value: &v, Low95: &low, High95: &high, Unit: unit}
	}
	for _, c := range []struct {
		name string
		r    Result
		want string
	}{
		{"two figures of the half-width", at(12.437, 10.3, 14.6, "deg"), "12.4° ± 2.1°"},
		{"wide bars lose the decimals", at(-131.4, -160, -100, "ms"), "−131 ms ± 30 ms"},
		{"small ratios keep theirs", at(0.5123, 0.48, 0.54, "1"), "0.512 ± 0.030"},
		{"no minus before zero", at(-0.2, -25, 25, "in"), "0 in ± 25 in"},
		{"unavailable says why", Result{Unit: "deg", ReasonText: "the bat was not seen"}, "the bat was not seen"},
	} {
		if got := Text(c.r); got != c.want {
			t.Errorf("%s: Text = %q, want %q", c.name, got, c.want)
		}
	}
}

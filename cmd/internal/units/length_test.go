package units

import (
	"math"
	"strings"
	"testing"
)

func TestParseLength(t *testing.T) {
	for _, c := range []struct {
		in   string
		want float64 // inches
	}{
		{"70in", 70},
		{"33.5in", 33.5},
		{"70 IN", 70},
		{"5ft10in", 70},
		{"5ft 10 in", 70},
		{"5ft", 60},
		{"5'10\"", 70},
		{"6feet", 72},
		{"1foot2inches", 14},
		// 2.54 cm to the inch exactly: NIST Special Publication 811, appendix B.
		{"177.8cm", 70},
		{"178cm", 178 / 2.54},
		{"1.778m", 70},
		{"1m77.8cm", 70},
		{"838.2mm", 33},
	} {
		got, err := ParseLength(c.in)
		if err != nil || math.Abs(float64(got)-c.want) > 1e-9 {
			t.Errorf("%q: %v, %v; want %v", c.in, got, err, c.want)
		}
	}
	for _, bad := range []string{"", " ", "70", "5.10", "in", "in70", "-70in", "+70in", "0in", "70kg", "70inn", "10in5ft",
		"5ft5ft", "1e3in", "NaN", "NaNin", "Infin", "1..2in", "70in!", strings.Repeat("9", 400) + "in"} {
		if v, err := ParseLength(bad); err == nil {
			t.Errorf("%q read as %v", bad, v)
		}
	}
	if _, err := ParseLength("70"); err == nil || !strings.Contains(err.Error(), "70in") {
		t.Errorf("a bare number is not told how to be written: %v", err)
	}
}

func TestLengthFlag(t *testing.T) {
	var v float64
	f := Length{Min: 30, Max: 96, Of: "a height", Into: &v}
	if f.String() != "" {
		t.Errorf("not set: %q", f.String())
	}
	for in, ok := range map[string]bool{"30in": true, "96in": true, "2.5m": false, "29.9in": false, "5in": false, "70": false} {
		v = 0
		if err := f.Set(in); (err == nil) != ok || (v != 0) != ok {
			t.Errorf("%s: %v, %v", in, v, err)
		}
	}
	if err := f.Set("178cm"); err != nil || f.String() != "70.0787in" {
		t.Errorf("%s, %v", f.String(), err)
	}
}

func FuzzParseLength(f *testing.F) {
	f.Add("5ft10in")
	f.Add("178cm")
	f.Fuzz(func(t *testing.T, s string) {
		if v, err := ParseLength(s); err == nil && !(v > 0 && !math.IsInf(float64(v), 0)) {
			t.Errorf("%q: %v", s, v)
		}
	})
}

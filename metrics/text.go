package metrics

import (
	"fmt"
	"math"
	"strings"
)

// UnitText is a unit as it stands behind a number: " in", "\u00b0", "".
func UnitText(unit string) string {
	switch unit {
	case "deg":
		return "\u00b0"
	case "1":
		return ""
	}
	return " " + unit
}

// Text is a result's value for people, with half the width of its 95 %
// interval: "12.4\u00b0 \u00b1 2.1\u00b0". The last digit shown is the one in which the
// half-width has its second figure, but never a digit before the point
// (JCGM 100:2008, 7.2.6). An unavailable result reads as its reason.
func Text(r Result) string {
	if r.Value == nil {
		return r.ReasonText
	}
	half := (*r.High95 - *r.Low95) / 2
	unit := UnitText(r.Unit)
	d := Digits(half)
	// a minus sign, and no "-0"
	v := strings.ReplaceAll(fmt.Sprintf("%.*f", d, *r.Value), "-", "\u2212")
	if strings.Trim(v, "\u22120.") == "" {
		v = strings.TrimPrefix(v, "\u2212")
	}
	return fmt.Sprintf("%s%s \u00b1 %.*f%s", v, unit, d, half, unit)
}

// Digits is how many digits after the point a value with a given uncertainty
// deserves: enough for two figures of the uncertainty, at most 3.
func Digits(u float64) int {
	if !(u > 0) || math.IsInf(u, 0) {
		return 1
	}
	return min(max(1-int(math.Floor(math.Log10(u))), 0), 3)
}

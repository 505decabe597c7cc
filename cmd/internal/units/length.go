// Package units reads sizes that people type, always with their unit.
package units

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Inches is a length.
type Inches float64

// Lengths of one of each unit. The inch is 2.54 cm and the foot 12 in exactly
// (International Yard and Pound Agreement, 1959).
const (
	Inch       Inches = 1
	Foot       Inches = 12
	Centimetre Inches = 1 / 2.54
	Millimetre Inches = 0.1 / 2.54
	Metre      Inches = 100 / 2.54
)

// suffixes are tried in this order: a longer one before one it ends in.
var suffixes = []struct {
	text string
	unit Inches
}{
	{"inches", Inch}, {"inch", Inch}, {"in", Inch}, {`"`, Inch}, {"″", Inch},
	{"feet", Foot}, {"foot", Foot}, {"ft", Foot}, {"'", Foot}, {"′", Foot},
	{"cm", Centimetre}, {"mm", Millimetre}, {"m", Metre},
}

// ParseLength reads a length such as 70in, 5ft10in, 5'10", 178cm or 1.78m.
// Spaces are allowed. A number without a unit is refused, and so is one that is
// not positive and finite.
func ParseLength(s string) (Inches, error) {
	text := strings.ToLower(strings.Join(strings.Fields(s), ""))
	if text == "" {
		return 0, fmt.Errorf("no length given: write it with its unit, such as 70in, 5ft10in or 178cm")
	}
	if n, err := strconv.ParseFloat(text, 64); err == nil {
		return 0, fmt.Errorf("%q has no unit: write %gin, %gcm or the like", s, n, n)
	}
	var total Inches
	last := Inches(math.Inf(1))
	for rest := text; rest != ""; {
		n, tail, err := leadingNumber(rest)
		if err != nil {
			return 0, fmt.Errorf("%q is not a length: write it as 70in, 5ft10in, 178cm or 1.78m", s)
		}
		unit, after, ok := leadingUnit(tail)
		if !ok || unit >= last {
			return 0, fmt.Errorf("%q is not a length: write it as 70in, 5ft10in, 178cm or 1.78m", s)
		}
		total += Inches(n) * unit
		rest, last = after, unit
	}
	if !(total > 0) || math.IsInf(float64(total), 0) {
		return 0, fmt.Errorf("%q is not a length greater than nothing", s)
	}
	return total, nil
}

// leadingNumber splits off plain decimal digits; no sign and no exponent.
func leadingNumber(s string) (n float64, rest string, err error) {
	i := 0
	for i < len(s) && (s[i] >= '0' && s[i] <= '9' || s[i] == '.') {
		i++
	}
	n, err = strconv.ParseFloat(s[:i], 64)
	return n, s[i:], err
}

func leadingUnit(s string) (unit Inches, rest string, ok bool) {
	for _, u := range suffixes {
		if strings.HasPrefix(s, u.text) {
			return u.unit, s[len(u.text):], true
		}
	}
	return 0, s, false
}

// Length is a command-line flag for a length within bounds. It implements
// pflag.Value.
type Length struct {
	Min, Max Inches
	Of       string // what is measured, for the error
	Into     *float64
}

// Set parses and checks.
func (l *Length) Set(s string) error {
	v, err := ParseLength(s)
	if err != nil {
		return err
	}
	if v < l.Min || v > l.Max {
		return fmt.Errorf("%s of %s is not believable: %g to %g in", l.Of, s, float64(l.Min), float64(l.Max))
	}
	*l.Into = float64(v)
	return nil
}

// String prints the value in inches, nothing when it is not set.
func (l *Length) String() string {
	if l.Into == nil || *l.Into == 0 {
		return ""
	}
	return strconv.FormatFloat(*l.Into, 'g', 6, 64) + "in"
}

// Type is what the help shows for the value.
func (l *Length) Type() string { return "length" }

package room

import (
	"fmt"
	"math"

	"nightcage/metrics"
)

// picture is a measure as a small drawing: its error bar and value over the band
// of what was published. Places are per cent of the width.
type picture struct {
	Low, Value, High  float64 // ends of the error bar
	Band              bool
	BandAt, BandWidth float64
	Zero              bool // zero lies within
	ZeroAt            float64
}

// margin is kept free at either side of a picture, as a share of what is shown.
const margin = 0.12

// span is how many useful standard uncertainties a picture without a band shows to
// either side of the value: a bar that is of use is then at most a quarter of it, and
// the longest that is given at all (metrics: four times that) nearly fills it.
const span = 8

// draw lays a measure out. Nil for one without a value. Where no study speaks, the
// picture shows how sharp the value is, in what a coach can act on.
func draw(m metrics.Result, useful float64) *picture {
	if m.Value == nil {
		return nil
	}
	lo, hi := *m.Low95, *m.High95
	from, to, banded := bandRange(m.Band)
	if banded {
		lo, hi = min(lo, from), max(hi, to)
	} else {
		lo, hi = min(lo, *m.Value-span*useful), max(hi, *m.Value+span*useful)
	}
	if d := hi - lo; !(d > 0) || math.IsInf(d, 0) {
		lo, hi = *m.Value-1, *m.Value+1
	}
	if d := hi - lo; banded {
		lo, hi = lo-margin*d, hi+margin*d
	}
	at := func(v float64) float64 { return math.Round(1000*(v-lo)/(hi-lo)) / 10 }
	p := &picture{Low: at(*m.Low95), Value: at(*m.Value), High: at(*m.High95), Band: banded, Zero: lo < 0 && hi > 0, ZeroAt: at(0)}
	if banded {
		p.BandAt, p.BandWidth = at(from), at(to)-at(from)
	}
	return p
}

// bandRange is the part of a band that holds most of its people: the range that
// its source gives, else two standard deviations to either side of the mean, which
// hold 95 % of a normal population.
func bandRange(b *metrics.Band) (from, to float64, ok bool) {
	switch {
	case b == nil:
		return 0, 0, false
	case b.Low != nil && b.High != nil:
		return *b.Low, *b.High, true
	case b.SD != nil:
		return b.Mean - 2**b.SD, b.Mean + 2**b.SD, true
	}
	return 0, 0, false
}

// against says in words how a measure stands to its band. A band tells what was
// found in some people, not what is right.
func against(m metrics.Result) string {
	from, to, ok := bandRange(m.Band)
	switch {
	case m.Value == nil || !ok:
		return ""
	case *m.Low95 > to:
		return word("band.above")
	case *m.High95 < from:
		return word("band.below")
	case *m.Low95 >= from && *m.High95 <= to:
		return word("band.inside")
	case *m.Value < from || *m.Value > to:
		return word("band.maybe")
	}
	return word("band.near")
}

// bandText is a band as a line of text.
func bandText(b *metrics.Band, unit string) string {
	if b == nil {
		return ""
	}
	t := metrics.Number(roundTo(b.Mean, 3), unit)
	switch {
	case b.Low != nil && b.High != nil:
		t = fmt.Sprintf("%s (%s \u2013 %s)", t, metrics.Number(*b.Low, unit), metrics.Number(*b.High, unit))
	case b.SD != nil:
		t += " \u00b1 " + metrics.Number(roundTo(*b.SD, 2), unit) + " SD"
	}
	return fmt.Sprintf("%s, %s, n = %d", t, b.Population, b.N)
}

// roundTo rounds to a number of significant figures.
func roundTo(v float64, figures int) float64 {
	if v == 0 {
		return 0
	}
	by := math.Pow(10, float64(figures)-1-math.Floor(math.Log10(math.Abs(v))))
	return math.Round(v*by) / by
}

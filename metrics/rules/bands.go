package rules

import (
	"fmt"
	"strconv"

	"nightcage/metrics"
	"nightcage/metrics/internal/coachfile"
	"nightcage/vision"
)

// Bands are reference bands, one for a measure in a sport at a level of play.
type Bands []metrics.Band

// For returns the band of a measure in a sport at a level of play, nil where there
// is none or one of the two was not told.
func (b Bands) For(measure string, sport vision.Sport, level vision.Level) *metrics.Band {
	if sport == "" || level == "" {
		return nil
	}
	for _, x := range b {
		if x.Measure == measure && x.Sport == sport && x.Level == level {
			return &x
		}
	}
	return nil
}

// with returns b and own, those of own in place of those of b for the same thing.
func (b Bands) with(own Bands) Bands {
	var out Bands
	for _, x := range b {
		if own.For(x.Measure, x.Sport, x.Level) == nil {
			out = append(out, x)
		}
	}
	return append(out, own...)
}

// checkBands checks that measures exist, that no two bands are for one thing and
// that means lie in their ranges.
func checkBands(f coachfile.File, bands Bands) (errs []error) {
	for i, b := range bands {
		wrong := func(key, what string) {
			errs = append(errs, f.Wrong([]string{"bands", strconv.Itoa(i), key}, what))
		}
		if _, ok := metrics.Lookup(b.Measure); !ok {
			wrong("measure", unknown(b.Measure))
		}
		if bands[:i].For(b.Measure, b.Sport, b.Level) != nil {
			wrong("level", fmt.Sprintf("a second band for %s, %s, %s", b.Measure, b.Sport, b.Level))
		}
		if b.Low != nil && !(*b.Low <= b.Mean && b.Mean <= *b.High) {
			wrong("mean", fmt.Sprintf("%g is not between low, %g, and high, %g", b.Mean, *b.Low, *b.High))
		}
	}
	return errs
}

package clip

import "math"

// How closely pictures are looked at, by how far from a burst they were taken, ms.
// The middle of a burst lies within .1 s of contact on rendered clips; the bat comes
// down in the .15 s before contact; the lead heel comes down some .2 s before it, the
// toe .3 s, and the stride begins up to .7 s before it.
const (
	swingBeforeMs, swingAfterMs = 350, 200
	stepBeforeMs, stepAfterMs   = 850, 350

	swingEveryMs = 1000. / 240 // the bat crosses its own thickness a few times over
	stepEveryMs  = 1000. / 120 // a foot that comes down at 40 in/s goes a third of an inch
	restEveryMs  = 1000. / 60  // stance and finish

	// soonest is the share of those times from which on a picture is taken: cameras
	// do not keep to theirs.
	soonest = 0.9
)

// Pace picks the pictures to be looked at of those taken at ms, ascending, so that
// they come as often as what happens in them asks for: some 240 a second about each
// of the bursts, 120 around that and 60 elsewhere, as far as there are so many.
// Without a burst they come 240 a second throughout. It returns places in ms.
func Pace(ms, burstMs []float64) []int {
	var out []int
	last := math.Inf(-1)
	for i, t := range ms {
		if t-last >= soonest*everyMs(t, burstMs) {
			out, last = append(out, i), t
		}
	}
	return out
}

func everyMs(t float64, burstMs []float64) float64 {
	if len(burstMs) == 0 {
		return swingEveryMs
	}
	every := restEveryMs
	for _, b := range burstMs {
		switch d := t - b; {
		case d >= -swingBeforeMs && d <= swingAfterMs:
			return swingEveryMs
		case d >= -stepBeforeMs && d <= stepAfterMs:
			every = stepEveryMs
		}
	}
	return every
}

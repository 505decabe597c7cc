package clip

import (
	"slices"

	"nightcage/vision"
)

// What is kept around the burst of a swing, and what counts as a burst, ms.
// Common practice, no source: forward move to contact takes 130 to 200 ms, load
// to contact up to 1.5 s, contact to finish up to 0.5 s.
const (
	beforeBurstMs = 1600.0
	afterBurstMs  = 800.0
	burstMs       = 150.0
	aroundMs      = 1200.0
)

// burstRatio is how far the burst must stand above the clip's median change.
const burstRatio = 3.0

// wholeFrames and wholeMs bound clips that are looked at whole: finding the
// window would cost a second decoding and save little.
const (
	wholeFrames = 1000
	wholeMs     = 4000.0
)

// Whole reports whether a clip is short enough to be looked at in full, or has
// no clock to measure a window by.
func Whole(c vision.Clip) bool {
	n := len(c.Times)
	return n == 0 || n <= wholeFrames && c.Times[n-1].Ms <= wholeMs || !c.Clock.Known && n <= wholeFrames
}

// Window finds the pictures [first, end) around the strongest short burst of
// motion: from 1.6 s before it to 0.8 s after, within the clip. energy is what
// Scan.Energy gives, ms the capture times of the same pictures, ascending.
//
// A burst is 150 ms whose mean rate of change stands out of the 1.2 s around
// it; walking about does not. ok is false, and the window the whole clip, when
// no 150 ms change 3 times as fast as the clip's median.
func Window(energy, ms []float64) (first, end int, ok bool) {
	n := min(len(energy), len(ms))
	if n < 3 {
		return 0, n, false
	}
	// sums[i] is the change up to picture i; energy[i] happened in (ms[i-1], ms[i]].
	sums := make([]float64, n)
	for i := 1; i < n; i++ {
		sums[i] = sums[i-1] + energy[i]
	}
	rate := func(centre, width float64) float64 {
		a, _ := slices.BinarySearch(ms[:n], centre-width/2)
		b, _ := slices.BinarySearch(ms[:n], centre+width/2)
		a, b = max(min(a, n-1), 0), max(min(b, n-1), 0)
		if b <= a {
			return 0
		}
		return (sums[b] - sums[a]) / (ms[b] - ms[a])
	}
	rates := make([]float64, n)
	peak, best := 0, 0.0
	for i := range n {
		rates[i] = rate(ms[i], burstMs)
		if s := rates[i] - rate(ms[i], aroundMs)/2; s > best {
			peak, best = i, s
		}
	}
	middle := slices.Sorted(slices.Values(rates))[n/2]
	if best <= 0 || rates[peak] < burstRatio*middle {
		return 0, n, false
	}
	first, _ = slices.BinarySearch(ms[:n], ms[peak]-beforeBurstMs)
	end, _ = slices.BinarySearch(ms[:n], ms[peak]+afterBurstMs)
	return first, end, true
}

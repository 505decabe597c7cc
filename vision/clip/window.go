package clip

import (
	"cmp"
	"math"
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
	// usualMs is the stretch whose own unrest a burst must stand out of.
	usualMs = 20e3
	// distinctMs is how far two bursts are apart at least.
	distinctMs = 500.0
)

// ApartMs is how far two swings are apart at least: finish, and the bat brought
// back into a stance (common practice, no source).
const ApartMs = 1500.0

// burstRatio is how far a burst stands above the median unrest around it: two
// standard deviations, a normal variable's being 1.48 times its median size. A
// scene's strongest burst counts however little it stands out: a swing may fill a
// short scene.
const burstRatio = 3.0

// wholeFrames and wholeMs bound clips that are looked at whole when they show
// one burst or none: a window would save little.
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

// Burst is a short stretch of fast motion, which may be a swing.
type Burst struct {
	At       int     // picture at its middle
	Ms       float64 // capture time of that picture
	Strength float64 // change per ms beyond that of the time around it
}

// Bursts finds the short bursts of motion between cuts, the strongest first.
// energy and cuts are what Scan gives, ms the capture times of the same
// pictures, ascending.
//
// A burst is 150 ms whose mean rate of change stands out of that of the 1.2 s around
// it, far more than any other in the 20 s around it usually does. Somebody who
// walks past moves more, but steadily. Of bursts less than 0.5 s apart the strongest counts.
func Bursts(energy, ms []float64, cuts []int) []Burst {
	var out []Burst
	for _, s := range scenes(min(len(energy), len(ms)), cuts) {
		for _, b := range bursts(energy[s[0]:s[1]], ms[s[0]:s[1]]) {
			b.At += s[0]
			out = append(out, b)
		}
	}
	slices.SortStableFunc(out, func(a, b Burst) int { return cmp.Compare(b.Strength, a.Strength) })
	return out
}

// scenes are the stretches [first, end) of n pictures between cuts.
func scenes(n int, cuts []int) (out [][2]int) {
	first := 0
	for _, c := range append(slices.Clone(cuts), n) {
		if c > first && c <= n {
			out = append(out, [2]int{first, c})
			first = c
		}
	}
	return out
}

// bursts are those of one scene. What led to its first picture is no motion.
func bursts(energy, ms []float64) []Burst {
	n := len(ms)
	if n < 3 {
		return nil
	}
	// sums[i] is the change up to picture i; energy[i] happened in (ms[i-1], ms[i]].
	sums := make([]float64, n)
	for i := 1; i < n; i++ {
		sums[i] = sums[i-1] + energy[i]
	}
	span := func(centre, width float64) (a, b int) {
		a, _ = slices.BinarySearch(ms, centre-width/2)
		b, _ = slices.BinarySearch(ms, centre+width/2)
		return min(a, n-1), min(b, n-1)
	}
	rate := func(centre, width float64) float64 {
		a, b := span(centre, width)
		if b <= a {
			return 0
		}
		return (sums[b] - sums[a]) / (ms[b] - ms[a])
	}
	unrest, order := make([]float64, n), make([]Burst, n)
	for i := range n {
		beyond := rate(ms[i], burstMs) - rate(ms[i], aroundMs)
		unrest[i], order[i] = math.Abs(beyond), Burst{i, ms[i], beyond}
	}
	slices.SortStableFunc(order, func(a, b Burst) int { return cmp.Compare(b.Strength, a.Strength) })
	var found []Burst
	taken := make([]bool, n) // too near to a stronger one
	for _, b := range order {
		if b.Strength <= 0 {
			break
		}
		if taken[b.At] {
			continue
		}
		near, _ := slices.BinarySearch(ms, b.Ms-distinctMs)
		for ; near < n && ms[near] < b.Ms+distinctMs; near++ {
			taken[near] = true
		}
		from, end := span(b.Ms, usualMs)
		usual := slices.Sorted(slices.Values(unrest[from : end+1]))[(end+1-from)/2]
		if len(found) == 0 || b.Strength >= burstRatio*usual {
			found = append(found, b)
		}
	}
	return found
}

// Windows are the pictures [first, end) to be looked at in full for each of the
// bursts, in ascending order of time: from 1.6 s before it to 0.8 s after,
// within its scene, and of two windows that would overlap each only its own part
// of the time between the bursts.
func Windows(bursts []Burst, ms []float64, cuts []int) [][2]int {
	bursts = slices.SortedFunc(slices.Values(bursts), func(a, b Burst) int { return cmp.Compare(a.At, b.At) })
	out := make([][2]int, len(bursts))
	for i, b := range bursts {
		scene := Scene(b.At, len(ms), cuts)
		from, to := b.Ms-beforeBurstMs, b.Ms+afterBurstMs
		const share = afterBurstMs / (beforeBurstMs + afterBurstMs)
		if i > 0 {
			from = max(from, bursts[i-1].Ms+share*(b.Ms-bursts[i-1].Ms))
		}
		if i+1 < len(bursts) {
			to = min(to, b.Ms+share*(bursts[i+1].Ms-b.Ms))
		}
		first, _ := slices.BinarySearch(ms, from)
		end, _ := slices.BinarySearch(ms, to)
		out[i] = [2]int{max(first, scene[0]), min(end, scene[1])}
	}
	return out
}

// Scene is the stretch [first, end) between cuts, of n pictures, that holds
// picture at.
func Scene(at, n int, cuts []int) [2]int {
	for _, s := range scenes(n, cuts) {
		if at >= s[0] && at < s[1] {
			return s
		}
	}
	return [2]int{0, n}
}

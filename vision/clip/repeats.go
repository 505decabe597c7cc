package clip

import (
	"fmt"
	"slices"

	"nightcage/vision"
)

// How repeated pictures are told from still ones. change[i] is how much the
// fastest hundredth of the picture changed from picture i-1 to i, gray levels.
// A repeated picture changes little although those around it change a lot: 1 to
// 27 % of them on rendered swings at H.264 qualities 23 to 35, where true
// pictures keep above 45 %. Where nothing moves much nothing is said: encoders
// do repeat still pictures.
const (
	repeatReach   = 4    // pictures looked at on either side
	repeatShare   = 0.35 // of the lesser of the largest changes on either side
	movingShare   = 0.4  // of the clip's large changes: above it pictures count as moving
	movingLevels  = 10.0 // and above this
	minRepeats    = 4    // in moving pictures, for a verdict
	minRepeatRate = 0.12 // 50 pictures a second made into 60 repeat one in six
	minRegular    = 0.7  // share of the distances between repeats that are the usual one, give or take one
)

// repeats marks the repeated pictures and reports whether they come by a rule,
// so that the clip was made from one with fewer pictures a second.
func repeats(change []float64) (repeated []bool, byRule bool) {
	n := len(change)
	repeated = make([]bool, n)
	if n < 2*repeatReach {
		return repeated, false
	}
	large := slices.Sorted(slices.Values(change))[n-5] // the fifth largest: a cut or a flash is no motion
	threshold := max(movingShare*large, movingLevels)
	moving := 0
	var starts []int
	found := 0
	for i := 1; i+1 < n; i++ {
		before := slices.Max(change[max(i-repeatReach, 0):i])
		after := slices.Max(change[i+1 : min(i+1+repeatReach, n)])
		around := min(before, after)
		if around < threshold {
			continue
		}
		moving++
		if change[i] < repeatShare*around {
			repeated[i] = true
			found++
			if !repeated[i-1] {
				starts = append(starts, i)
			}
		}
	}
	if found < minRepeats || float64(found) < minRepeatRate*float64(moving) {
		return repeated, false
	}
	count := map[int]int{}
	distances := 0
	for k := 1; k < len(starts); k++ {
		// Farther apart, they belong to two stretches of motion.
		if d := starts[k] - starts[k-1]; d <= 4*repeatReach {
			count[d]++
			distances++
		}
	}
	usual := 0
	for d := range count {
		usual = max(usual, count[d-1]+count[d]+count[d+1])
	}
	return repeated, distances >= minRepeats-1 && float64(usual) >= minRegular*float64(distances)
}

// withRepeats returns c with the repeated pictures marked and, when they come
// by a rule, its clock withdrawn. index[k] is the picture change[k] led to.
func withRepeats(c vision.Clip, index []int, change []float64) vision.Clip {
	repeated, byRule := repeats(change)
	c.Times = slices.Clone(c.Times)
	n := 0
	for k, r := range repeated {
		if r {
			c.Times[index[k]].Repeat = true
			n++
		}
	}
	if !byRule {
		return c
	}
	c.Notes = append(slices.Clone(c.Notes), fmt.Sprintf("%d moving pictures repeat the one before: the clip was made from one with fewer pictures a second", n))
	c.Clock = vision.Clock{Source: vision.ClockUnknown, StoredFPS: c.Clock.StoredFPS,
		Conflict: "pictures are repeated, so what one step of the clip lasted is not known"}
	return c
}

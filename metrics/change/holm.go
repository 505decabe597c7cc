package change

import (
	"cmp"
	"math"
	"slices"
)

// Holm takes back what looking at many measures at once finds by chance: of
// twenty unchanged ones, one differs at 95 % by luck alone. The answers' verdicts
// stay Changed only where Holm's step-down keeps them (Holm 1979, Scand J Stat
// 6(2):65-70): the smallest p is held against 0.05/m, the next against
// 0.05/(m-1), and so on up to the first that fails.
//
// answers itself is not changed.
func Holm(answers []Answer) []Answer {
	out := slices.Clone(answers)
	var order []int
	for i, a := range out {
		if !math.IsNaN(a.P) {
			order = append(order, i)
		}
	}
	slices.SortStableFunc(order, func(i, j int) int { return cmp.Compare(out[i].P, out[j].P) })
	keep := true
	for rank, i := range order {
		keep = keep && out[i].P <= (1-confidence)/float64(len(order)-rank)
		if !keep && out[i].Verdict == Changed {
			out[i].Verdict = NoDetectable
			out[i].Why = "alone it would count as a change, but among so many measures one such difference is expected by chance"
		}
	}
	return out
}

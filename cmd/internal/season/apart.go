package season

import (
	"math"
	"strings"

	"gonum.org/v1/gonum/stat/distuv"

	"nightcage/metrics"
	"nightcage/metrics/change"
)

// Apart answers for each measure whether two swings differ by more than their error
// bars. Their errors are taken to be independent: what two swings of one clip share
// only makes a difference surer than said. Several answers take back what looking at
// many finds by chance.
func Apart(a, b metrics.Swing, measures []string) []change.Answer {
	var answers []change.Answer
	for _, m := range measures {
		answers = append(answers, apart(a, b, m))
	}
	if len(measures) > 1 {
		answers = change.Holm(answers)
	}
	return answers
}

func apart(a, b metrics.Swing, id string) change.Answer {
	nan := math.NaN()
	ans := change.Answer{Verdict: change.NotEnoughSwings, Difference: nan, Sigma: nan, DF: nan, Detectable: nan, P: nan,
		Before: change.Spread{Mean: nan}, After: change.Spread{Mean: nan}}
	x, okX := a.Find(id)
	y, okY := b.Find(id)
	if !okX || !okY || x.Value == nil || y.Value == nil || x.Sigma == nil || y.Sigma == nil {
		ans.Why = "not measured in both"
		return ans
	}
	ans.Before.Mean, ans.After.Mean = *x.Value, *y.Value
	ans.Difference, ans.Sigma, ans.DF = *y.Value-*x.Value, math.Hypot(*x.Sigma, *y.Sigma), math.Inf(1)
	ans.Detectable = 1.96 * ans.Sigma
	ans.P = 2 * distuv.UnitNormal.Survival(math.Abs(ans.Difference)/ans.Sigma)
	ans.Verdict, ans.Why = change.NoDetectable, "within the error bars"
	if math.Abs(ans.Difference) > ans.Detectable {
		ans.Verdict, ans.Why = change.Changed, "beyond the error bars"
	}
	return ans
}

// Between answers for each measure whether two hitters differ over all their
// swings. How far swings and sessions scatter is learnt from all the hitters there
// are. Several answers take back what looking at many finds by chance.
func Between(all []Swing, a, b string, measures []string) []change.Answer {
	var others [][]Swing
	for _, h := range Hitters(all) {
		if !strings.EqualFold(h, a) && !strings.EqualFold(h, b) {
			others = append(others, Of(all, h))
		}
	}
	var answers []change.Answer
	for _, m := range measures {
		answers = append(answers, change.Compare(named(a, Readings(Of(all, a), m)), named(b, Readings(Of(all, b), m)), PeriodReadings(others, m)))
	}
	if len(measures) > 1 {
		answers = change.Holm(answers)
	}
	return answers
}

// named keeps the sessions of two hitters apart: what an evening does to one it
// need not do to the other.
func named(hitter string, readings []change.Reading) []change.Reading {
	for i := range readings {
		readings[i].Day = hitter + " " + readings[i].Day
	}
	return readings
}

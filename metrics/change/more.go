package change

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// More is how many more days, of as many swings as the days so far had, would
// show a true difference of size worth (measure's unit, > 0) in four cases of
// five, the period after being the one that is filmed on. ok is false when
// nothing is known of the scatter yet or more than two months of days would be
// needed. 0 days: the swings at hand would do.
//
// The criterion is |worth| >= (t(0.975) + t(0.80)) u, the usual approximation to
// the t test's power, with the degrees of freedom that the new days add.
func More(before, after []Reading, others [][]Reading, worth float64) (days, swingsADay int, ok bool) {
	b, c := byDay(before), byDay(after)
	q := squaresOf(b).plus(squaresOf(c))
	for _, o := range others {
		q = q.plus(squaresOf(byDay(o)))
	}
	n := len(b) + len(c)
	if n == 0 || !(worth > 0) {
		return 0, 0, false
	}
	swingsADay = max(1, int(math.Round(float64(len(before)+len(after))/float64(n))))
	if q.betweenDF < 1 || (q.between == 0 && q.within == 0) {
		return 0, swingsADay, false
	}
	// Days yet to come are taken to scatter as the known ones do.
	for days = 0; days <= mostDays; days++ {
		if days > 0 {
			c = append(c, make([]float64, swingsADay))
		}
		if len(b) == 0 || len(c) == 0 {
			continue
		}
		grown := q.grown(days, swingsADay)
		sigma, df, known := grown.ofDifference(b, c)
		if !known {
			continue
		}
		t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: df}
		if worth >= (t.Quantile((1+confidence)/2)+t.Quantile(power))*sigma {
			return days, swingsADay, true
		}
	}
	return 0, swingsADay, false
}

// grown is q as it would be with more days like those it has seen: the same mean
// squares on more degrees of freedom.
func (q squares) grown(days, swingsADay int) squares {
	g := q
	between := float64(q.betweenDF)
	g.betweenDF += days
	g.between *= float64(g.betweenDF) / between
	g.size *= float64(g.betweenDF) / between
	if q.withinDF > 0 {
		within := float64(q.withinDF)
		g.withinDF += days * (swingsADay - 1)
		g.within *= float64(g.withinDF) / within
	}
	return g
}

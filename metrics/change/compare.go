package change

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Verdict is the answer to "has it changed?".
type Verdict string

// The verdicts.
const (
	Changed         Verdict = "changed"
	NoDetectable    Verdict = "no detectable change"
	NotEnoughSwings Verdict = "not enough swings"
)

const (
	confidence = 0.95
	power      = 0.80 // of what More promises, the usual one (Cohen 1988, Statistical Power Analysis, from memory)
	mostDays   = 60   // more than two a week for half a year is no answer
	leastDF    = 2    // at one degree of freedom t is 12.7: no spread to speak of
)

// Answer is a comparison of two periods of one hitter.
type Answer struct {
	Verdict       Verdict
	Why           string // one sentence
	Before, After Spread
	Difference    float64 // mean after minus mean before
	Sigma         float64 // its standard uncertainty; NaN when it cannot be had
	DF            float64 // effective degrees of freedom of Sigma
	// Detectable is the least difference that these swings would tell from
	// chance: t(0.975, DF) Sigma.
	Detectable float64
	P          float64 // two-sided, of a difference at least as large by chance
	// SameDay: both periods lie on one day, which cancels.
	SameDay bool
	// Pooled is how many periods of other hitters the spread rests on too.
	Pooled int
}

// Compare answers whether after differs from before. others, which may be
// empty, are periods of other hitters in the same measure, whose spread within
// and between days is taken to be alike and is pooled in: two evenings of one
// hitter say little of what an evening changes, ten hitters' evenings much.
//
// A period on one day and one on another tell nothing unless others say what
// days change: the verdict then is NotEnoughSwings, never a guess.
func Compare(before, after []Reading, others [][]Reading) Answer {
	a := Answer{Before: Describe(before), After: Describe(after), Sigma: math.NaN(), DF: math.NaN(), Detectable: math.NaN(), P: math.NaN()}
	a.Difference = a.After.Mean - a.Before.Mean
	if len(before) == 0 || len(after) == 0 {
		a.Difference = math.NaN()
		return a.short("one of the periods has no swing in which it was measured")
	}
	b, c := byDay(before), byDay(after)
	q := squaresOf(b).plus(squaresOf(c))
	for _, o := range others {
		if s := squaresOf(byDay(o)); s.betweenDF+s.withinDF > 0 {
			q, a.Pooled = q.plus(s), a.Pooled+1
		}
	}
	var ok bool
	if a.SameDay = len(b) == 1 && len(c) == 1 && before[0].Day == after[0].Day; a.SameDay {
		a.Sigma, a.DF, ok = withinOneDay(q, len(before), len(after))
		if !ok {
			return a.short(fmt.Sprintf("%d and %d swings of one day do not show how far swings scatter", len(before), len(after)))
		}
	} else if a.Sigma, a.DF, ok = q.ofDifference(b, c); !ok {
		return a.short("what a day changes can only be told from several days")
	}
	t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: a.DF}
	a.Detectable = t.Quantile((1+confidence)/2) * a.Sigma
	a.P = 2 * t.Survival(math.Abs(a.Difference)/a.Sigma)
	if math.Abs(a.Difference) > a.Detectable {
		a.Verdict, a.Why = Changed, "the difference is larger than chance between swings and days leaves likely (95 %)"
	} else {
		a.Verdict, a.Why = NoDetectable, "the difference is within what swings and days scatter anyway"
	}
	return a
}

func (a Answer) short(why string) Answer {
	a.Verdict, a.Why = NotEnoughSwings, why
	return a
}

// withinOneDay is the standard uncertainty of the difference of two means of n
// and m swings of one day, sqrt(W (1/n + 1/m)).
func withinOneDay(q squares, n, m int) (sigma, df float64, ok bool) {
	if q.withinDF < leastDF || q.within == 0 {
		return math.NaN(), math.NaN(), false
	}
	return math.Sqrt(q.msWithin() * (1/float64(n) + 1/float64(m))), float64(q.withinDF), true
}

// ofDifference is the standard uncertainty of the difference of the two
// periods' means of day means, with its effective degrees of freedom.
//
// A period of k days of n_i swings has the variance B/k + W sum(1/n_i)/k^2.
// With B = (MSB - MSW)/n0 the sum over both periods is u MSB + v MSW. B is not
// cut off at 0: with as many swings each day v is 0, the result is that of the t
// test on day means, and its false alarms are the promised 5 %.
func (q squares) ofDifference(periods ...[][]float64) (sigma, df float64, ok bool) {
	if q.betweenDF < leastDF {
		return math.NaN(), math.NaN(), false
	}
	k, inverse := 0.0, 0.0
	for _, days := range periods {
		n := float64(len(days))
		k += 1 / n
		for _, d := range days {
			inverse += 1 / (float64(len(d)) * n * n)
		}
	}
	u := k / q.perDay()
	v := inverse - u
	msb := q.msBetween()
	variance, share := u*msb, u*msb*u*msb/float64(q.betweenDF)
	if math.Abs(v) > 1e-9*u { // else rounding
		msw := q.msWithin()
		// The two parts have opposite signs where days differ in size; what is
		// left is at least the swings' own scatter.
		variance = math.Max(variance+v*msw, inverse*msw)
		share += v * msw * v * msw / float64(q.withinDF)
	}
	if !(variance > 0) {
		return math.NaN(), math.NaN(), false
	}
	return math.Sqrt(variance), math.Min(variance*variance/share, float64(q.betweenDF+q.withinDF)), true
}

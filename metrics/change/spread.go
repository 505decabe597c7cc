package change

import (
	"math"
	"slices"
)

// Reading is one swing's value of a measure.
type Reading struct {
	Day   string  // names the day it was filmed; equal names are the same day
	Value float64 // in the measure's unit
	Sigma float64 // its standard uncertainty as measured, same unit; 0 when not known
}

// Spread describes a set of readings of one hitter. Values that too few
// readings leave unknown are NaN.
type Spread struct {
	Swings, Days int
	Mean         float64 // of the days' means
	SD           float64 // of the swings about their mean, days forgotten
	TypicalError float64 // standard deviation of swings of one day about that day's mean
	TypicalDF    int     // degrees of freedom of TypicalError
	DaySD        float64 // standard deviation of what days change, beyond what swings' scatter explains; 0 when it explains all
	MDC95        float64 // least difference of two single swings of one day that chance leaves out, 95 %
	Measurement  float64 // root mean square of the readings' own Sigma: that part of TypicalError is not the hitter's
}

// Describe describes one hitter's readings.
func Describe(readings []Reading) Spread {
	days := byDay(readings)
	q := squaresOf(days)
	s := Spread{Swings: len(readings), Days: len(days), Mean: math.NaN(), SD: math.NaN(), TypicalError: math.NaN(), TypicalDF: q.withinDF,
		DaySD: math.NaN(), MDC95: math.NaN(), Measurement: math.NaN()}
	if len(readings) == 0 {
		return s
	}
	s.Mean = meanOfDays(days)
	all, sum := 0.0, 0.0
	grand := 0.0
	for _, r := range readings {
		grand += r.Value / float64(len(readings))
	}
	for _, r := range readings {
		all += (r.Value - grand) * (r.Value - grand)
		sum += r.Sigma * r.Sigma
	}
	s.Measurement = math.Sqrt(sum / float64(len(readings)))
	if len(readings) > 1 {
		s.SD = math.Sqrt(all / float64(len(readings)-1))
	}
	if q.withinDF > 0 {
		s.TypicalError = math.Sqrt(q.msWithin())
		s.MDC95 = 1.96 * math.Sqrt2 * s.TypicalError
		if q.betweenDF > 0 {
			s.DaySD = math.Sqrt(math.Max(0, (q.msBetween()-q.msWithin())/q.perDay()))
		}
	}
	return s
}

// byDay groups the values by day, days in order of first appearance.
func byDay(readings []Reading) [][]float64 {
	var names []string
	var days [][]float64
	for _, r := range readings {
		i := slices.Index(names, r.Day)
		if i < 0 {
			i = len(names)
			names, days = append(names, r.Day), append(days, nil)
		}
		days[i] = append(days[i], r.Value)
	}
	return days
}

func meanOfDays(days [][]float64) float64 {
	sum := 0.0
	for _, d := range days {
		sum += mean(d)
	}
	return sum / float64(len(days))
}

func mean(x []float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += v
	}
	return sum / float64(len(x))
}

// squares are the sums of squares of a one-way analysis of variance, days the
// groups, added up over periods that each have their own mean.
type squares struct {
	between, within     float64
	betweenDF, withinDF int
	size                float64 // sum over periods of N - sum n_i^2 / N
}

// squaresOf is the analysis of one period.
func squaresOf(days [][]float64) squares {
	var q squares
	n, sum, n2 := 0, 0.0, 0.0
	for _, d := range days {
		n += len(d)
		n2 += float64(len(d) * len(d))
		sum += mean(d) * float64(len(d))
	}
	if n == 0 {
		return q
	}
	grand := sum / float64(n)
	for _, d := range days {
		m := mean(d)
		q.between += float64(len(d)) * (m - grand) * (m - grand)
		for _, v := range d {
			q.within += (v - m) * (v - m)
		}
	}
	q.betweenDF, q.withinDF = len(days)-1, n-len(days)
	q.size = float64(n) - n2/float64(n)
	return q
}

func (q squares) plus(o squares) squares {
	return squares{q.between + o.between, q.within + o.within, q.betweenDF + o.betweenDF, q.withinDF + o.withinDF, q.size + o.size}
}

func (q squares) msBetween() float64 { return q.between / float64(q.betweenDF) }
func (q squares) msWithin() float64  { return q.within / float64(q.withinDF) }

// perDay is the number of swings a day in the expectation of the mean square
// between days, W + perDay B; the plain number when all days have as many.
func (q squares) perDay() float64 { return q.size / float64(q.betweenDF) }

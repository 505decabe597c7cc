package season

import (
	"slices"
	"strings"
	"time"

	"nightcage/metrics/change"
)

// LastSession is the first instant of the last session of swings in order of
// time; zero when there are none.
func LastSession(swings []Swing) time.Time {
	if len(swings) == 0 {
		return time.Time{}
	}
	last := swings[len(swings)-1].Session
	return swings[slices.IndexFunc(swings, func(s Swing) bool { return s.Session == last })].At
}

// Others are the other hitters' periods, parted at the same instant: a season
// moves everybody.
func Others(team []Swing, hitter string, at time.Time) (periods [][]Swing) {
	for _, h := range Hitters(team) {
		if !strings.EqualFold(h, hitter) {
			before, after := Split(Of(team, h), at)
			periods = append(periods, before, after)
		}
	}
	return periods
}

// PeriodReadings are the values of a measure, period by period.
func PeriodReadings(periods [][]Swing, measure string) [][]change.Reading {
	out := make([][]change.Reading, len(periods))
	for i, p := range periods {
		out[i] = Readings(p, measure)
	}
	return out
}

// Compare answers for each measure whether a hitter's swings from an instant on
// differ from those before. How far swings and sessions scatter is learnt from
// the whole team. Several answers take back what looking at many finds by
// chance.
func Compare(team []Swing, hitter string, at time.Time, measures []string) []change.Answer {
	before, after := Split(Of(team, hitter), at)
	others := Others(team, hitter, at)
	var answers []change.Answer
	for _, m := range measures {
		answers = append(answers, change.Compare(Readings(before, m), Readings(after, m), PeriodReadings(others, m)))
	}
	if len(measures) > 1 {
		answers = change.Holm(answers)
	}
	return answers
}

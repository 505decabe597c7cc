package room

import (
	"fmt"
	"math"
	"strings"
	"time"

	"nightcage/cmd/internal/season"
	"nightcage/metrics"
	"nightcage/metrics/change"
	"nightcage/worker"
)

// trendPlot is a measure over time as a drawing. Places across are per cent of the
// width, so that letters keep their size on a phone; those down are px.
type trendPlot struct {
	Height   int
	Columns  []plotColumn
	Dots     []plotDot
	Ticks    []plotTick
	SplitAt  float64 // between the earlier and the later period
	Before   *plotLevel
	After    *plotLevel
	Band     bool // where a later mean would be no detectable change
	BandFrom float64
	BandTall float64
	Alt      string
}

// plotColumn is a session.
type plotColumn struct {
	At, Width, Middle float64
	Label             string // "" where there is no room
	Odd               bool
	Mean              float64
	HasMean           bool
}

type plotDot struct {
	At, Y, Low, High float64
	Estimated        bool
	Title            string
}

type plotTick struct {
	Y     float64
	Label string
}

// plotLevel is a period's mean.
type plotLevel struct{ From, To, Y float64 }

const (
	plotTall   = 300.0 // px, of the field of the plot
	plotBottom = 28.0  // px, for the days
	plotLabels = 5     // days named below it
)

// newTrendPlot lays out the swings in which a measure was had. Sessions are columns
// of one width: what counts is their order, not the weeks between.
func newTrendPlot(mine []season.Swing, d metrics.Definition, at time.Time, a change.Answer) (*trendPlot, []trendRow) {
	type column struct {
		name    string
		later   bool
		swings  []season.Swing
		results []metrics.Result
	}
	var cols []column
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, s := range mine {
		m, ok := s.Record.Find(d.ID)
		if !ok || m.Value == nil {
			continue
		}
		if len(cols) == 0 || cols[len(cols)-1].name != s.Session {
			cols = append(cols, column{name: s.Session, later: !s.At.Before(at)})
		}
		c := &cols[len(cols)-1]
		c.swings, c.results = append(c.swings, s), append(c.results, m)
		lo, hi = min(lo, *m.Low95), max(hi, *m.High95)
	}
	if len(cols) == 0 {
		return nil, nil
	}
	p := &trendPlot{Height: int(plotTall + plotBottom), SplitAt: 100}
	p.Band = known(a.Detectable) && known(a.Before.Mean)
	if p.Band {
		lo, hi = min(lo, a.Before.Mean-a.Detectable), max(hi, a.Before.Mean+a.Detectable)
	}
	if !(hi > lo) {
		lo, hi = lo-1, hi+1
	}
	lo, hi = lo-.05*(hi-lo), hi+.05*(hi-lo)
	y := func(v float64) float64 { return tenth(plotTall * (hi - v) / (hi - lo)) }
	const left, right = 9.0, 99.0 // per cent: the scale stands to the left
	wide := (right - left) / float64(len(cols))
	step := (len(cols) + plotLabels - 1) / plotLabels
	var rows []trendRow
	first := true
	for i, c := range cols {
		x := left + wide*float64(i)
		sum := 0.0
		var row trendRow
		for k, m := range c.results {
			s := c.swings[k]
			dot := plotDot{At: tenth(x + wide*(float64(k)+1)/(float64(len(c.results))+1)), Y: y(*m.Value), Low: y(*m.Low95), High: y(*m.High95),
				Estimated: m.Grade == metrics.GradeEstimated, Title: words("trend.dot", c.name, metrics.Text(m), word("grade."+string(m.Grade)))}
			p.Dots = append(p.Dots, dot)
			row.Swings = append(row.Swings, swingLink{swingHref(s.ID), metrics.Text(m)})
			sum += *m.Value
		}
		mean := sum / float64(len(c.results))
		col := plotColumn{At: tenth(x), Width: tenth(wide), Middle: tenth(x + wide/2), Odd: i%2 == 1, Mean: y(mean), HasMean: len(c.results) > 1}
		if i%step == 0 {
			col.Label = c.swings[0].At.Format("2 Jan")
		}
		p.Columns = append(p.Columns, col)
		if c.later && first {
			p.SplitAt, first = tenth(x), false
		}
		row.Session, row.Mean = c.name, amount(mean, *c.results[0].Sigma, d.Unit)
		rows = append(rows, row)
	}
	if known(a.Before.Mean) {
		p.Before = &plotLevel{left, p.SplitAt, y(a.Before.Mean)}
	}
	if known(a.After.Mean) {
		p.After = &plotLevel{p.SplitAt, right, y(a.After.Mean)}
	}
	if p.Band {
		p.BandFrom = y(a.Before.Mean + a.Detectable)
		p.BandTall = tenth(y(a.Before.Mean-a.Detectable) - p.BandFrom)
	}
	p.Ticks = ticks(lo, hi, y)
	p.Alt = words("trend.alt", d.Name, len(p.Dots), len(cols))
	return p, rows
}

// ticks are round values between lo and hi, four to eight of them.
func ticks(lo, hi float64, y func(float64) float64) (out []plotTick) {
	step := math.Pow(10, math.Floor(math.Log10((hi-lo)/2)))
	for _, by := range []float64{1, 2, 5, 10} {
		if (hi-lo)/(step*by) <= 8 {
			step *= by
			break
		}
	}
	digits := max(0, -int(math.Floor(math.Log10(step))))
	for v := math.Ceil(lo/step) * step; v <= hi; v += step {
		out = append(out, plotTick{y(v), minus(fmt.Sprintf("%.*f", digits, v))})
	}
	return out
}

// swingHref is the address of the page of the swing with a record's id.
func swingHref(id string) string {
	job, n, _ := worker.SwingOf(id)
	return stored{JobID: job, N: n}.Href()
}

func known(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// minus writes a number's sign as a minus, and no zero with one.
func minus(s string) string {
	if strings.Trim(s, "-0.") == "" {
		s = strings.TrimPrefix(s, "-")
	}
	return strings.ReplaceAll(s, "-", "\u2212")
}

// amount is a value to the digits that an uncertainty deserves.
func amount(v, u float64, unit string) string {
	return minus(fmt.Sprintf("%.*f", metrics.Digits(u), v)) + metrics.UnitText(unit)
}

// signed is a difference with its sign.
func signed(v, u float64, unit string) string {
	return minus(fmt.Sprintf("%+.*f", metrics.Digits(u), v)) + metrics.UnitText(unit)
}

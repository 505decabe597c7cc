package report

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strings"
	"time"

	"nightcage/metrics"
	"nightcage/metrics/change"
	"nightcage/vision"
)

// Change is the comparison of a hitter's two periods.
type Change struct {
	Hitter  string            `json:"hitter"`
	Since   time.Time         `json:"since"` // first instant of the later period
	Undated int               `json:"undated_swings"`
	Balls   []vision.BallFrom `json:"balls,omitempty"` // where the balls of the hitter's swings came from, as far as told
	Lines   []ChangeLine      `json:"measures"`
}

// ChangeLine is the answer for one measure.
type ChangeLine struct {
	Measure string         `json:"measure"`
	Name    string         `json:"name"`
	Unit    string         `json:"unit"`
	Verdict change.Verdict `json:"verdict"`
	Why     string         `json:"why"`
	Before  Period         `json:"before"`
	After   Period         `json:"after"`
	// Numbers that could not be had are null.
	Difference   number `json:"difference"`
	HalfWidth    number `json:"half_width"` // of the difference's 95 % interval: also the least change these swings would show
	TypicalError number `json:"typical_error"`
	SessionSD    number `json:"session_sd"`
	MDC95        number `json:"mdc95"`
	Measurement  number `json:"measurement"`
	Pooled       int    `json:"pooled"`
	More         *More  `json:"more,omitempty"`
}

// Period is one side of a comparison.
type Period struct {
	Swings   int    `json:"swings"`
	Sessions int    `json:"sessions"`
	Mean     number `json:"mean"`
}

// More is how much more filming would show a difference in four cases of five.
type More struct {
	Worth    float64 `json:"worth"`
	Reach    bool    `json:"reach"` // false: no practical number of sessions would, and the rest is 0
	Sessions int     `json:"sessions"`
	Swings   int     `json:"swings_a_session"`
}

// number is a float64 that is null in JSON when it is not finite.
type number float64

func (n number) MarshalJSON() ([]byte, error) {
	if !n.known() {
		return []byte("null"), nil
	}
	return json.Marshal(float64(n))
}

func (n number) known() bool { return !math.IsNaN(float64(n)) && !math.IsInf(float64(n), 0) }

// NewChangeLine makes a line of an answer.
func NewChangeLine(d metrics.Definition, a change.Answer) ChangeLine {
	// The spread of the period with more swings says more.
	s := a.Before
	if a.After.TypicalDF > s.TypicalDF {
		s = a.After
	}
	return ChangeLine{Measure: d.ID, Name: d.Name, Unit: d.Unit, Verdict: a.Verdict, Why: a.Why,
		Before: period(a.Before), After: period(a.After), Difference: number(a.Difference), HalfWidth: number(a.Detectable),
		TypicalError: number(s.TypicalError), SessionSD: number(s.DaySD), MDC95: number(s.MDC95), Measurement: number(s.Measurement), Pooled: a.Pooled}
}

func period(s change.Spread) Period {
	return Period{Swings: s.Swings, Sessions: s.Days, Mean: number(s.Mean)}
}

// Print prints the comparison: one measure in full, several as a table.
func (c Change) Print(w io.Writer) error {
	p := printer{w: w}
	p.f("%s: before %s against since then\n", c.Hitter, c.Since.Format(time.DateOnly))
	if c.Undated > 0 {
		p.f("%s without a filming date, counted by when it was measured; tell it with --filmed.\n", count(c.Undated, "swing"))
	}
	if len(c.Balls) > 1 {
		p.f("Mixed: %s. They differ by more than the hitter; --ball takes one kind.\n", ballsText(c.Balls))
	}
	if len(c.Lines) == 1 {
		p.f("\n")
		p.oneChange(c.Lines[0])
	} else {
		p.changes(c.Lines)
	}
	p.f("\nNumbers are estimates from one camera. A change is the hitter's, the bat's and the camera's alike: film from the same place.\n")
	return p.err
}

func (p *printer) oneChange(l ChangeLine) {
	p.f("%s: %s\n  %s\n", l.Name, l.Verdict, l.Why)
	for _, side := range []struct {
		name string
		of   Period
	}{{"before", l.Before}, {"after", l.After}} {
		p.f("  %-7s %s in %s, mean %s\n", side.name, count(side.of.Swings, "swing"), count(side.of.Sessions, "session"), amount(side.of.Mean, l.HalfWidth, l.Unit))
	}
	if l.Difference.known() {
		p.f("  difference %s\n", signed(l.Difference, l.HalfWidth, l.Unit))
	}
	if l.HalfWidth.known() {
		p.f("  these swings would show a change of %s or more\n", amount(l.HalfWidth, l.HalfWidth, l.Unit))
	}
	if l.TypicalError.known() {
		p.f("  one swing lies %s from its session's mean (typical error; the measuring's own part is %s)\n",
			amount(l.TypicalError, l.TypicalError, l.Unit), amount(l.Measurement, l.TypicalError, l.Unit))
		p.f("  two single swings of a session differ when they are %s apart (MDC95)\n", amount(l.MDC95, l.TypicalError, l.Unit))
	}
	if l.SessionSD.known() {
		p.f("  a session moves all its swings by %s\n", amount(l.SessionSD, l.TypicalError, l.Unit))
	}
	if l.Pooled > 0 {
		p.f("  how far swings and sessions scatter is learnt from %s of other hitters too\n", count(l.Pooled, "period"))
	}
	if m := l.More; m != nil {
		worth := amount(number(m.Worth), number(m.Worth), l.Unit)
		if !m.Reach {
			p.f("  a true change of %s is out of reach: further sessions cannot make up for what the period before leaves open\n", worth)
		} else if m.Sessions == 0 {
			p.f("  a true change of %s would show with the swings at hand in four cases of five\n", worth)
		} else {
			p.f("  a true change of %s would show after %s of %s in four cases of five\n", worth, count(m.Sessions, "more session"), count(m.Swings, "swing"))
		}
	}
}

func (p *printer) changes(lines []ChangeLine) {
	for _, v := range []change.Verdict{change.Changed, change.NoDetectable, change.NotEnoughSwings} {
		var rows []string
		for _, l := range lines {
			if l.Verdict != v {
				continue
			}
			difference := ""
			if l.Difference.known() {
				difference = signed(l.Difference, l.HalfWidth, l.Unit)
			}
			rows = append(rows, "  "+strings.Join([]string{l.Name, difference, fmt.Sprintf("%d/%d swings, %d/%d sessions", l.Before.Swings, l.After.Swings, l.Before.Sessions, l.After.Sessions)}, "\t"))
		}
		if len(rows) > 0 {
			p.f("\n%s\n", v)
			p.table(rows)
		}
	}
}

// ballsText names kinds of swings, "swings at pitches, swings off a tee".
func ballsText(balls []vision.BallFrom) string {
	var names []string
	for _, b := range balls {
		names = append(names, map[vision.BallFrom]string{vision.FromPitch: "swings at pitches", vision.FromTee: "swings off a tee", vision.FromNone: "dry swings"}[b])
	}
	return strings.Join(names, ", ")
}

func count(n int, of string) string {
	if n == 1 {
		return "1 " + of
	}
	return fmt.Sprintf("%d %ss", n, of)
}

// amount prints a value to the digits that an uncertainty deserves.
func amount(v, u number, unit string) string {
	if !v.known() {
		return "unknown"
	}
	return fmt.Sprintf("%.*f", metrics.Digits(float64(u)), float64(v)) + metrics.UnitText(unit)
}

func signed(v, half number, unit string) string {
	s := fmt.Sprintf("%+.*f", metrics.Digits(float64(half)), float64(v)) + metrics.UnitText(unit)
	if half.known() {
		s += " \u00b1 " + amount(half, half, unit)
	}
	return s
}

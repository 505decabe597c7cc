// Package report prints a swing record for a person at a terminal.
package report

import (
	"cmp"
	"fmt"
	"io"
	"maps"
	"math"
	"slices"
	"strings"
	"text/tabwriter"

	"nightcage/metrics"
	"nightcage/phases"
	"nightcage/vision"
)

// Swing prints a record: what the clip is, the events, the measures by group
// with error bars and grades, what could not be measured and why, and the
// cautions. A record that carries budgets shows under each measure which source
// gives what share of its variance.
func Swing(w io.Writer, s metrics.Swing) error {
	p := printer{w: w}
	p.head(s)
	if s.Status == metrics.StatusFailed {
		p.f("\nnot measured: %s (%s)\n", s.Failure.Text, s.Failure.Kind)
		return p.err
	}
	p.events(s)
	p.measures(s)
	p.unavailable(s)
	p.first(s.Findings)
	for _, n := range s.Notes {
		p.f("note: %s\n", n)
	}
	p.f("\n%s\n", strings.Join(s.Cautions, " "))
	return p.err
}

// printer keeps the first write error.
type printer struct {
	w   io.Writer
	err error
}

func (p *printer) f(format string, args ...any) {
	if p.err == nil {
		_, p.err = fmt.Fprintf(p.w, format, args...)
	}
}

// table prints rows whose cells are parted by tabs.
func (p *printer) table(rows []string) { p.tableWith(rows, nil) }

// tableWith prints lines of plain text under some of the rows, by their index.
func (p *printer) tableWith(rows []string, under map[int][]string) {
	var b strings.Builder
	p.aligned(&b, rows)
	for i, line := range strings.Split(strings.TrimSuffix(b.String(), "\n"), "\n") {
		p.f("%s\n", line)
		for _, text := range under[i] {
			p.f("%s\n", text)
		}
	}
}

func (p *printer) aligned(w io.Writer, rows []string) {
	t := tabwriter.NewWriter(w, 0, 0, 3, ' ', 0)
	for _, r := range rows {
		if p.err == nil {
			_, p.err = fmt.Fprintln(t, r)
		}
	}
	if p.err == nil {
		p.err = t.Flush()
	}
}

func (p *printer) head(s metrics.Swing) {
	clock := "true frame rate unknown"
	if s.Clock.Known {
		clock = fmt.Sprintf("%.4g fps (%s)", s.Clock.CaptureFPS, s.Clock.Source)
	}
	p.f("%s  %dx%d, %d frames, %s\n", s.Clip.Name, s.Clip.Width, s.Clip.Height, s.Clip.Frames, clock)
	if s.Status == metrics.StatusFailed {
		return
	}
	if s.Clip.Swings > 1 {
		p.f("swing %d of %d in the clip", s.Clip.Swing, s.Clip.Swings)
		if s.Clock.Known {
			p.f(", looked at from %.1f to %.1f s", s.Clip.FromMs/1000, s.Clip.ToMs/1000)
		}
		p.f("\n")
	}
	who := s.Subject.Hitter
	if who == "" {
		who = "hitter"
	}
	p.f("%s bats %s, seen from the %s%s", who, s.Hand.Bats, spaced(string(s.Sighting.View)), offSquare(s.Sighting))
	if s.Scale.PxPerIn > 0 {
		from := make([]string, len(s.Scale.Sources))
		for i, src := range s.Scale.Sources {
			from[i] = src.From
		}
		p.f("; %.2f px per inch \u00b1 %.1f %% (%s)", s.Scale.PxPerIn, 100*s.Scale.SigmaRel, strings.Join(from, ", "))
	}
	p.f("\n")
	switch {
	case s.Timeline.Kind != phases.KindSwing:
		p.f("%s: %s\n", s.Timeline.Kind, s.Timeline.Why)
	case s.Timeline.Result != "":
		p.f("swing: %s (%s)\n", spaced(string(s.Timeline.Result)), s.Timeline.ResultWhy)
	}
}

// offSquare says how far from a square side view the camera stands.
func offSquare(v vision.Sighting) string {
	if v.View != vision.ViewOpenSide || math.Abs(v.YawDeg) < 1 {
		return ""
	}
	toward := "pitcher"
	if v.YawDeg < 0 {
		toward = "catcher"
	}
	return fmt.Sprintf(", %.0f\u00b0 toward the %s", math.Abs(v.YawDeg), toward)
}

func (p *printer) events(s metrics.Swing) {
	rows := []string{"EVENT\tTIME\tFROM CONTACT\tRESTS ON"}
	var contact *phases.Event
	for i, e := range s.Timeline.Events {
		if e.ID == phases.Contact && e.Found {
			contact = &s.Timeline.Events[i]
		}
	}
	for _, e := range s.Timeline.Events {
		if !e.Found {
			rows = append(rows, fmt.Sprintf("%s\t-\t-\t%s", spaced(string(e.ID)), e.Reason))
			continue
		}
		at, from := fmt.Sprintf("frame %.1f", e.Frame), "-"
		if s.Clock.Known {
			at = fmt.Sprintf("%.0f \u00b1 %.0f ms", e.Ms, 1.96*e.SigmaMs)
			if contact != nil {
				from = strings.ReplaceAll(fmt.Sprintf("%+.0f ms", e.Ms-contact.Ms), "-", "\u2212")
			}
		}
		rows = append(rows, fmt.Sprintf("%s\t%s\t%s\t%s", spaced(string(e.ID)), at, from, strings.Join(e.Evidence, ", ")))
	}
	p.f("\n")
	p.table(rows)
}

func (p *printer) measures(s metrics.Swing) {
	under := map[int][]string{}
	rows := []string{"MEASURE\tVALUE \u00b1 95 %\tGRADE\tCOMPARE"}
	for _, g := range metrics.Groups() {
		first := true
		for _, m := range s.Measures {
			d, ok := metrics.Lookup(m.ID)
			if !ok || d.Group != g || m.Value == nil {
				continue
			}
			if first {
				rows = append(rows, strings.ToUpper(string(g))+"\t\t\t")
				first = false
			}
			grade := string(m.Grade)
			if m.Reason != "" {
				grade += ": " + m.ReasonText
			}
			compare := band(m)
			if m.Place != "" {
				compare = m.Place
			}
			rows = append(rows, fmt.Sprintf("  %s\t%s\t%s\t%s", d.Name, metrics.Text(m), grade, compare))
			under[len(rows)-1] = budget(m)
		}
	}
	p.f("\n")
	p.tableWith(rows, under)
}

// budget says what an error bar comes from, largest share first, and what it was
// multiplied by after that. Nothing when it was not asked for.
func budget(m metrics.Result) (lines []string) {
	if len(m.Budget) == 0 {
		return nil
	}
	sources := slices.SortedFunc(maps.Keys(m.Budget), func(a, b metrics.SourceOfError) int {
		return cmp.Or(cmp.Compare(m.Budget[b], m.Budget[a]), cmp.Compare(a, b))
	})
	var parts []string
	for _, src := range sources {
		if share := m.Budget[src]; share >= 0.005 {
			parts = append(parts, fmt.Sprintf("%s %.0f %%", src.Words(), 100*share))
		}
	}
	lines = []string{"      its error is from " + strings.Join(parts, ", ")}
	if m.Calibration != 0 {
		lines = append(lines, fmt.Sprintf("      calibration: bar \u00d7 %.2f", m.Calibration))
	}
	return lines
}

// band is the published value beside a measure, when there is one.
func band(m metrics.Result) string {
	b := m.Band
	if b == nil {
		return ""
	}
	t := fmt.Sprintf("%.3g", b.Mean)
	if b.SD != nil {
		t += fmt.Sprintf(" \u00b1 %.2g (SD)", *b.SD)
	}
	return fmt.Sprintf("%s, %s, n = %d", t, b.Population, b.N)
}

func (p *printer) unavailable(s metrics.Swing) {
	var rows []string
	for _, m := range s.Measures {
		if d, ok := metrics.Lookup(m.ID); ok && m.Value == nil {
			rows = append(rows, fmt.Sprintf("  %s\t%s", d.Name, m.ReasonText))
		}
	}
	if len(rows) > 0 {
		p.f("\nNOT MEASURED\n")
		p.table(rows)
	}
}

// first is the one thing to work on, where something shows.
func (p *printer) first(findings []metrics.Finding) {
	for _, f := range findings {
		if !f.First {
			continue
		}
		p.f("\nWORK ON THIS FIRST\n  %s\n  %s\n  Try: %s\n", f.Name, f.Why, f.Cue)
		if f.Caution != "" {
			p.f("  Take care: %s\n", f.Caution)
		}
	}
}

// spaced makes an id readable.
func spaced(id string) string { return strings.ReplaceAll(id, "_", " ") }

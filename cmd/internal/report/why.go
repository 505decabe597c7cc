package report

import (
	"fmt"
	"io"
	"strings"

	"nightcage/metrics"
)

// Why prints what goes with what in a swing, as its record has it: the one thing
// to work on first, the chains that show, and why the others were not raised.
func Why(w io.Writer, s metrics.Swing) error {
	p := printer{w: w}
	who := s.Subject.Hitter
	if who == "" {
		who = s.Clip.Name
	}
	switch n := len(s.Findings); n {
	case 0:
		p.f("%s: nothing that the rules look for shows clearly in this swing.\n", who)
	case 1:
		p.f("%s: one thing shows.\n", who)
	default:
		p.f("%s: %d things show.\n", who, n)
	}
	for _, f := range s.Findings {
		if f.First {
			p.f("\nWork on this first: %s\n  %s\n  Try: %s\n", f.Name, f.Why, f.Cue)
		}
	}
	for _, f := range s.Findings {
		p.chain(f)
	}
	for _, part := range []struct {
		head string
		of   metrics.Because
	}{
		{"Too uncertain to say", metrics.BecauseUnsure},
		{"Could not be looked at", metrics.BecauseUnmeasured},
		{"Does not show", metrics.BecauseWithin},
	} {
		p.notRaised(part.head, part.of, s.NotRaised)
	}
	if s.Rules != nil {
		p.f("\nHeld against the rules %q, SHA-256 %.12s...\n", s.Rules.Name, s.Rules.SHA256)
	} else if s.Status == metrics.StatusMeasured {
		p.f("\nThe record was made before records kept their rules and the chains that did not show.\n")
	}
	p.f("What goes with what is experience, no proof: one swing cannot show a cause.\n%s\n", strings.Join(s.Cautions, " "))
	return p.err
}

func (p *printer) chain(f metrics.Finding) {
	sure := fmt.Sprintf("at least %.0f %% sure", 100*f.Surety)
	if f.Surety > .99 {
		sure = "more than 99 % sure"
	}
	p.f("\n%s (%s)\n", f.Name, sure)
	for i, l := range f.Links {
		goes := "  "
		if i > 0 {
			goes = "  goes with: "
		}
		low, high, value := l.Low95, l.High95, l.Value
		name := l.Measure
		if d, ok := metrics.Lookup(l.Measure); ok {
			name = d.Name
		}
		p.f("%s%s\n", goes, l.Says)
		p.f("    %s %s; counts when %s %s\n    limit: %s\n", name,
			metrics.Text(metrics.Result{Value: &value, Low95: &low, High95: &high, Unit: l.Unit}), l.Side, metrics.Number(l.Limit, l.Unit), l.Source)
	}
	p.f("  Can lead to: %s\n  Try: %s\n", f.LeadsTo, f.Cue)
	if f.Caution != "" {
		p.f("  Take care: %s\n", f.Caution)
	}
}

func (p *printer) notRaised(head string, of metrics.Because, all []metrics.NotRaised) {
	var rows []string
	for _, n := range all {
		if n.Because == of {
			rows = append(rows, fmt.Sprintf("  %s\t%s", n.Name, n.Why))
		}
	}
	if len(rows) > 0 {
		p.f("\n%s:\n", head)
		p.table(rows)
	}
}

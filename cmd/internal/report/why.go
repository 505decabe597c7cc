package report

import (
	"fmt"
	"io"
	"strings"

	"nightcage/metrics"
	"nightcage/metrics/cause"
)

// Why prints what led to what in a swing: the one thing to work on first, the
// chains that show, and for the others the link that stopped them.
func Why(w io.Writer, s metrics.Swing, looks []cause.Look) error {
	p := printer{w: w}
	who := s.Subject.Hitter
	if who == "" {
		who = s.Clip.Name
	}
	raised := 0
	for _, l := range looks {
		if l.Raised != nil {
			raised++
		}
	}
	switch raised {
	case 0:
		p.f("%s: no chain of causes shows clearly in this swing.\n", who)
	case 1:
		p.f("%s: one chain of causes shows.\n", who)
	default:
		p.f("%s: %d chains of causes show.\n", who, raised)
	}
	for _, l := range looks {
		if l.Raised != nil && l.Raised.First {
			p.f("\nWork on this first: %s\n  %s\n  Try: %s\n", l.Raised.Name, l.Raised.Why, l.Raised.Cue)
		}
	}
	for _, l := range looks {
		if l.Raised != nil {
			p.chain(*l.Raised)
		}
	}
	p.stopped(looks)
	p.f("\nA chain says what usually goes with what; one swing proves no cause.\n%s\n", strings.Join(s.Cautions, " "))
	return p.err
}

func (p *printer) chain(f metrics.Finding) {
	p.f("\n%s (all links at least %.0f %% sure)\n", f.Name, 100*f.Surety)
	for i, l := range f.Links {
		arrow := "  "
		if i > 0 {
			arrow = "  -> "
		}
		low, high, value := l.Low95, l.High95, l.Value
		p.f("%s%s: %s, limit %s %s\n", arrow, l.Says,
			metrics.Text(metrics.Result{Value: &value, Low95: &low, High95: &high, Unit: l.Unit}), l.Side, metrics.Number(l.Limit, l.Unit))
		p.f("     %s; %s\n", l.Measure, l.Source)
	}
	p.f("  Usually leads to: %s\n  Try: %s\n", f.LeadsTo, f.Cue)
	if f.Caution != "" {
		p.f("  %s\n", f.Caution)
	}
}

func (p *printer) stopped(looks []cause.Look) {
	var rows []string
	for _, l := range looks {
		if l.Raised == nil {
			rows = append(rows, fmt.Sprintf("  %s\t%s: %s", l.Chain.Name, l.Chain.Links[l.Stopped].Measure, l.Why))
		}
	}
	if len(rows) > 0 {
		p.f("\nNot raised, and what stopped each:\n")
		p.table(rows)
	}
}

package report

import (
	"fmt"
	"io"

	"nightcage/metrics/change"
)

// Compare is two swings or two hitters side by side.
type Compare struct {
	A       string       `json:"a"`
	B       string       `json:"b"`
	Hitters bool         `json:"hitters"`
	Lines   []ChangeLine `json:"measures"`
}

// Print lists the measures in which the two differ, those in which they may not,
// and how many could not be compared.
func (c Compare) Print(w io.Writer) error {
	p := printer{w: w}
	var differ, alike []string
	none := 0
	for _, l := range c.Lines {
		if !l.Difference.known() || l.Verdict == change.NotEnoughSwings {
			none++
			continue
		}
		row := fmt.Sprintf("  %s\t%s\t%s\t%s", l.Name, amount(l.Before.Mean, l.HalfWidth, l.Unit), amount(l.After.Mean, l.HalfWidth, l.Unit), signed(l.Difference, l.HalfWidth, l.Unit))
		if l.Verdict == change.Changed {
			differ = append(differ, row)
		} else {
			alike = append(alike, row)
		}
	}
	head := fmt.Sprintf("  \t%s\t%s\tsecond minus first, 95 %%", c.A, c.B)
	if len(differ) > 0 {
		p.f("They differ in:\n")
		p.table(append([]string{head}, differ...))
	} else {
		p.f("They differ in nothing by more than the error bars.\n")
	}
	if len(alike) > 0 {
		p.f("\nNo difference beyond the error bars in:\n")
		p.table(append([]string{head}, alike...))
	}
	if none > 0 {
		p.f("\n%s could not be compared: too little was measured.\n", count(none, "measure"))
	}
	return p.err
}

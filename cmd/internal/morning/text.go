package morning

import (
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
)

// Text prints the sheet for a terminal.
func (s Sheet) Text(out io.Writer) error {
	var b strings.Builder
	fmt.Fprintf(&b, "%s: since %s\n", clean(s.Team), s.Since.Format("Mon 2 Jan 15:04"))
	fmt.Fprintf(&b, "%s\n", s.Summary())
	if len(s.First) > 0 {
		b.WriteString("\nLook at first\n")
		for i, l := range s.First {
			fmt.Fprintf(&b, "  %d. %s: %s\n", i+1, clean(l.Hitter), clean(strings.Join(l.Why, "; ")))
			if l.Try != "" {
				fmt.Fprintf(&b, "     try: %s\n", l.Try)
			}
		}
	}
	if len(s.Hitters) > 0 {
		b.WriteString("\nWhat came in\n")
		w := tabwriter.NewWriter(&b, 0, 0, 2, ' ', 0)
		fmt.Fprintln(w, "  HITTER\tCLIPS\tSWINGS\tBAT SPEED\tCHANGED\t")
		for _, h := range s.Hitters {
			fmt.Fprintf(w, "  %s\t%d\t%s\t%s\t%s\t%s\n", clean(h.Name), h.Clips, h.SwingWords(), or(h.Speed, "-"), h.ChangeWords(), consentMark(h))
		}
		w.Flush()
		for _, h := range s.Hitters {
			for _, g := range h.Gaps {
				fmt.Fprintf(&b, "  not measured, %s: %s\n", clean(h.Name), g.Words())
			}
		}
	}
	if len(s.Failed) > 0 {
		b.WriteString("\nCould not be measured\n")
		for _, f := range s.Failed {
			fmt.Fprintf(&b, "  %s, %s: %s\n     %s\n", clean(f.Hitter), clean(f.Clip), f.Why, f.Do)
		}
	}
	b.WriteString("\n" + strings.Join(s.Cautions, "\n") + "\n")
	_, err := io.WriteString(out, b.String())
	return err
}

// Summary counts what came in.
func (s Sheet) Summary() string {
	if s.Empty() {
		return "Nothing came in."
	}
	words := fmt.Sprintf("%s came in with %s", plural(s.Clips, "clip"), plural(s.Swings, "swing"))
	if len(s.Failed) > 0 {
		words += fmt.Sprintf("; %d could not be measured", len(s.Failed))
	}
	if s.Waiting > 0 {
		words += fmt.Sprintf("; %d still to be measured", s.Waiting)
	}
	return words + "."
}

// SwingWords counts a hitter's swings and what else was in the clips.
func (h Hitter) SwingWords() string {
	if h.Other == 0 {
		return fmt.Sprint(h.Swings)
	}
	return fmt.Sprintf("%d, and %d that were no full swing", h.Swings, h.Other)
}

// ChangeWords says what changed, in one line.
func (h Hitter) ChangeWords() string {
	if h.Only != "" {
		return h.changeWords() + " (" + h.Only + ")"
	}
	return h.changeWords()
}

func (h Hitter) changeWords() string {
	if len(h.Changed) == 0 {
		return or(h.Same, "-")
	}
	var words []string
	for _, c := range h.Changed[:min(len(h.Changed), 3)] {
		words = append(words, c.Measure+" "+c.By)
	}
	if more := len(h.Changed) - 3; more > 0 {
		words = append(words, fmt.Sprintf("%d more", more))
	}
	return strings.Join(words, "; ")
}

// Words says a gap.
func (g Gap) Words() string {
	return fmt.Sprintf("%s in %s: %s", plural(g.Measures, "measure"), plural(g.Swings, "swing"), g.Why)
}

func consentMark(h Hitter) string {
	if h.NoConsent {
		return "no consent: show to nobody"
	}
	return ""
}

// clean keeps names from moving a terminal's cursor.
func clean(s string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f || r >= 0x80 && r < 0xa0 {
			return '\ufffd'
		}
		return r
	}, s)
}

func or(s, otherwise string) string {
	if s == "" {
		return otherwise
	}
	return s
}

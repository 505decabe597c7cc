package report

import (
	"bytes"
	"strings"
	"testing"

	"nightcage/metrics"
	"nightcage/metrics/rules"
)

// TestWhyReadsTheRecord: what is printed is what the record says, whatever the
// rules of this program would find now.
func TestWhyReadsTheRecord(t *testing.T) {
	s := swing(t, metrics.Options{Draws: 60})
	rules.Shipped().Apply(&s)
	s.Findings = []metrics.Finding{{ID: "own", Name: "Sleeves too long", LeadsTo: "Itching.", Cue: "Roll them up.", Caution: "Mind the buttons.",
		Surety: .97, First: true, Why: "It is the only thing that shows clearly.", Sources: []string{"own"},
		Links: []metrics.Link{
			{Measure: "bat_speed_contact", Says: "The sleeves hung", Side: metrics.Above, Limit: 3, Source: "own", Value: 6, Sigma: .5, Low95: 5, High95: 7, Unit: "in"},
			{Measure: "attack_angle_contact", Says: "the hands hid in them", Side: metrics.Below, Limit: 4, Source: "own", Value: -3, Sigma: .5, Low95: -4, High95: -2, Unit: "deg"},
		}}}
	s.NotRaised = []metrics.NotRaised{
		{ID: "a", Name: "Cap too large", Because: metrics.BecauseWithin, Measure: "x", Why: "cap is 7 in, not above 8 in"},
		{ID: "b", Name: "Laces open", Because: metrics.BecauseUnmeasured, Measure: "x", Why: "laces: not seen"},
		{ID: "c", Name: "Belt loose", Because: metrics.BecauseUnsure, Measure: "x", Why: "belt is 3 in: too uncertain to say whether it is above 3 in"},
	}
	var out bytes.Buffer
	if err := Why(&out, s); err != nil {
		t.Fatal(err)
	}
	text := out.String()
	at := 0
	for _, want := range []string{
		"one thing shows", "Work on this first: Sleeves too long", "Try: Roll them up.",
		"The sleeves hung", "6.0 in \u00b1 1.0 in; counts when above 3 in", "goes with: the hands hid in them",
		"Can lead to: Itching.", "Take care: Mind the buttons.",
		"Too uncertain to say:\n", "Belt loose", "Could not be looked at:\n", "Laces open", "Does not show:\n", "Cap too large",
		`the rules "shipped"`, "no proof", "Stop on pain",
	} {
		i := strings.Index(text[at:], want)
		if i < 0 {
			t.Fatalf("%q is missing, or not in its place, in\n%s", want, text)
		}
		at += i
	}
	out.Reset()
	if err := Swing(&out, s); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(out.String(), "WORK ON THIS FIRST\n  Sleeves too long\n  It is") || !strings.Contains(out.String(), "Take care: Mind the buttons.") {
		t.Errorf("the printed record does not say what to work on first:\n%s", out.String())
	}
	for _, c := range rules.Shipped().Chains {
		if strings.Contains(text, c.Name) {
			t.Errorf("a chain of the rules, not of the record: %s", c.Name)
		}
	}
}

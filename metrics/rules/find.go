package rules

import (
	"fmt"
	"math"
	"strings"

	"gonum.org/v1/gonum/stat/distuv"

	"nightcage/metrics"
)

// beyond is how many standard uncertainties a link must lie beyond its limit:
// one-sided 95 % of a normal distribution.
const beyond = 1.645

// find holds every chain against a swing: those that show, in the order of the
// set, with at most one marked as the thing to work on first, and the others.
// Neither is nil.
func (s *Set) find(swing *metrics.Swing) ([]metrics.Finding, []metrics.NotRaised) {
	raised, not := []metrics.Finding{}, []metrics.NotRaised{}
	for _, c := range s.Chains {
		if f, stop := look(swing, c); stop != nil {
			not = append(not, *stop)
		} else {
			raised = append(raised, f)
		}
	}
	chooseFirst(raised)
	return raised, not
}

// look is the finding, or what stopped it: of several links that do, the one that
// decides most.
func look(swing *metrics.Swing, c Chain) (f metrics.Finding, stop *metrics.NotRaised) {
	f = metrics.Finding{ID: c.ID, Name: c.Name, LeadsTo: c.LeadsTo, Cue: c.Cue, Caution: c.Caution, Sources: c.Sources, Surety: 1}
	for _, l := range c.Links {
		link, because, why := hold(swing, l)
		f.Links = append(f.Links, link)
		f.Surety -= 1 - link.Surety
		if because != "" && (stop == nil || decides(because) > decides(stop.Because)) {
			stop = &metrics.NotRaised{ID: c.ID, Name: c.Name, Because: because, Measure: l.Measure, Why: why}
		}
	}
	f.Surety = math.Max(f.Surety, 0)
	return f, stop
}

// decides ranks what stops a chain: a link that is within its limit says no, one
// that could not be measured leaves it open for want of a reading, an uncertain
// one for want of a sharper one.
func decides(b metrics.Because) int {
	switch b {
	case metrics.BecauseWithin:
		return 2
	case metrics.BecauseUnmeasured:
		return 1
	}
	return 0
}

// hold sets one measure against its limit; because is empty when it is beyond.
func hold(swing *metrics.Swing, l Limit) (link metrics.Link, because metrics.Because, why string) {
	r, ok := swing.Find(l.Measure)
	if !ok {
		return link, metrics.BecauseUnmeasured, "the record does not have it"
	}
	name := l.Measure
	if d, ok := metrics.Lookup(l.Measure); ok {
		name = d.Name
	}
	if r.Value == nil || r.Sigma == nil || r.Low95 == nil || r.High95 == nil {
		return link, metrics.BecauseUnmeasured, name + ": " + r.ReasonText
	}
	side, limit := l.side(swing.Subject.Level)
	link = metrics.Link{Measure: l.Measure, Says: l.Says, Side: side, Limit: limit, Source: l.Source,
		Value: *r.Value, Sigma: *r.Sigma, Low95: *r.Low95, High95: *r.High95, Unit: r.Unit}
	past := link.Value - limit
	if side == metrics.Below {
		past = -past
	}
	link.Surety = surety(past, link.Sigma)
	text := fmt.Sprintf("%s is %s", name, metrics.Text(r))
	switch limitText := metrics.Number(limit, r.Unit); {
	case past < -beyond*link.Sigma || past <= 0 && link.Sigma == 0:
		return link, metrics.BecauseWithin, fmt.Sprintf("%s, not %s %s", text, side, limitText)
	case past <= beyond*link.Sigma:
		return link, metrics.BecauseUnsure, fmt.Sprintf("%s: too uncertain to say (%s %s with a chance of %.0f %%)", text, side, limitText, 100*link.Surety)
	}
	return link, "", ""
}

// surety is the chance that a normal value past beyond its limit is truly beyond.
func surety(past, sigma float64) float64 {
	if sigma <= 0 {
		return 1
	}
	return distuv.UnitNormal.CDF(past / sigma)
}

// chooseFirst marks the chain whose first link shows earliest in the swing.
func chooseFirst(raised []metrics.Finding) {
	begins := func(f metrics.Finding) int {
		d, _ := metrics.Lookup(f.Links[0].Measure)
		return lastEvent(d)
	}
	first := -1
	for i, f := range raised {
		if first < 0 || begins(f) < begins(raised[first]) || begins(f) == begins(raised[first]) && f.Surety > raised[first].Surety {
			first = i
		}
	}
	if first < 0 {
		return
	}
	f := &raised[first]
	f.First = true
	var others []string
	together := false
	for i, o := range raised {
		if i != first {
			others = append(others, strings.ToLower(o.Name[:1])+o.Name[1:])
			together = together || begins(o) == begins(*f)
		}
	}
	switch {
	case len(others) == 0:
		f.Why = "It is the only thing that shows clearly."
	case together:
		f.Why = "Nothing else that shows begins earlier in the swing, and of those that begin with it this one is the surest. Leave for later: " + strings.Join(others, "; ") + "."
	default:
		f.Why = "It begins earliest in the swing, and what comes later may mend with it. Leave for later: " + strings.Join(others, "; ") + "."
	}
}

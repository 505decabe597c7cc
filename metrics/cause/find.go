package cause

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"nightcage/metrics"
)

// beyond is how many standard uncertainties a link must lie beyond its limit:
// one-sided 95 % of a normal distribution.
const beyond = 1.645

// Look is what became of one chain in one swing.
type Look struct {
	Chain  Chain
	Raised *metrics.Finding // nil when it was not
	// Stopped is the index of the link that stopped it, and Why the reason; both
	// are meaningless when it was raised.
	Stopped int
	Why     string
}

// Find returns the chains that show in a swing, in the order of the file, with
// at most one marked as the thing to work on first. It is never nil.
func Find(s metrics.Swing, chains Chains) []metrics.Finding {
	out := []metrics.Finding{}
	for _, l := range Through(s, chains) {
		if l.Raised != nil {
			out = append(out, *l.Raised)
		}
	}
	return out
}

// Through holds every chain against a swing.
func Through(s metrics.Swing, chains Chains) []Look {
	var out []Look
	for _, c := range chains.Chains {
		out = append(out, look(s, c))
	}
	chooseFirst(out)
	return out
}

func look(s metrics.Swing, c Chain) Look {
	f := metrics.Finding{ID: c.ID, Name: c.Name, LeadsTo: c.LeadsTo, Cue: c.Cue, Caution: c.Caution, Sources: c.Sources, Surety: 1}
	for i, l := range c.Links {
		link, why := hold(s, l)
		if why != "" {
			return Look{Chain: c, Stopped: i, Why: why}
		}
		f.Links = append(f.Links, link)
		f.Surety -= 1 - link.Surety
	}
	f.Surety = math.Max(f.Surety, 0)
	return Look{Chain: c, Raised: &f}
}

// hold sets one measure against its limit; why says what stops it, "" when it is
// beyond.
func hold(s metrics.Swing, l Limit) (link metrics.Link, why string) {
	r, ok := s.Find(l.Measure)
	if !ok {
		return link, "the record does not have this measure; it was made by another version"
	}
	if r.Value == nil || r.Sigma == nil || r.Low95 == nil || r.High95 == nil {
		return link, "not measured: " + r.ReasonText
	}
	side, limit := l.side(s.Subject.Level)
	link = metrics.Link{Measure: l.Measure, Says: l.Says, Side: side, Limit: limit, Source: l.Source,
		Value: *r.Value, Sigma: *r.Sigma, Low95: *r.Low95, High95: *r.High95, Unit: r.Unit}
	past := link.Value - limit
	if side == metrics.Below {
		past = -past
	}
	link.Surety = surety(past, link.Sigma)
	switch {
	case past <= 0:
		return link, fmt.Sprintf("%s is not %s %s", metrics.Text(r), side, metrics.Number(limit, r.Unit))
	case past <= beyond*link.Sigma:
		return link, fmt.Sprintf("%s may be %s %s, but its error bar reaches across", metrics.Text(r), side, metrics.Number(limit, r.Unit))
	}
	return link, ""
}

// surety is the chance that a normal value past beyond its limit is truly beyond.
func surety(past, sigma float64) float64 {
	if sigma <= 0 {
		return 1
	}
	return distuv.UnitNormal.CDF(past / sigma)
}

// chooseFirst marks the raised chain whose first link shows earliest in the
// swing.
func chooseFirst(looks []Look) {
	var first *metrics.Finding
	// A move shows once the last event it is read at has come.
	begins := func(f *metrics.Finding) int {
		d, _ := metrics.Lookup(f.Links[0].Measure)
		return lastEvent(d)
	}
	raised := 0
	for _, l := range looks {
		if l.Raised == nil {
			continue
		}
		raised++
		if first == nil || begins(l.Raised) < begins(first) || (begins(l.Raised) == begins(first) && l.Raised.Surety > first.Surety) {
			first = l.Raised
		}
	}
	if first == nil {
		return
	}
	first.First = true
	first.Why = "It is the only chain that shows clearly."
	if raised > 1 {
		first.Why = fmt.Sprintf("Of the %d chains that show, it begins earliest in the swing: what comes later may follow from it.", raised)
	}
}

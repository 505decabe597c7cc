package room

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"hash/fnv"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/cloudevents/sdk-go/v2/event"

	"nightcage/cmd/internal/season"
	"nightcage/metrics"
	"nightcage/metrics/change"
	"nightcage/worker"
)

// outing is what the pages over time read of a team: its full swings, oldest first.
// They are shared: change none.
type outing struct {
	swings  []season.Swing
	damaged int // clips whose record is damaged and left out
}

// outings keeps what was read of each team. A thousand records take seconds to read.
var outings sync.Map // home and team -> kept

type kept struct {
	key string
	outing
}

// team reads the full swings of a team.
func (rm *Room) team(ctx context.Context, name string) (outing, error) {
	entries, err := rm.Ledger.Entries(ctx, worker.StateMeasured)
	if err == nil {
		entries, err = rm.shareable(ctx, entries)
	}
	if err != nil {
		return outing{}, err
	}
	entries = slices.DeleteFunc(entries, func(e worker.Entry) bool { return !strings.EqualFold(e.Job.Subject.Team, name) })
	var last time.Time
	corrected := 0
	ids := fnv.New64a()
	for _, e := range entries {
		io.WriteString(ids, e.Job.ID)
		n, err := rm.kept.Count(e.Job.ID)
		if err != nil {
			return outing{}, err
		}
		corrected += n
		if e.Changed.After(last) {
			last = e.Changed
		}
	}
	at := rm.Home.Dir() + "\x00" + strings.ToLower(name)
	key := fmt.Sprint(ids.Sum64(), last.UnixNano(), corrected)
	if k, ok := outings.Load(at); ok && k.(kept).key == key {
		return k.(kept).outing, nil
	}
	var o outing
	var events []event.Event
	for _, e := range entries {
		rec, err := rm.Records.Get(e.Job.ID)
		switch {
		case errors.Is(err, worker.ErrDamaged), errors.Is(err, worker.ErrNoRecord):
			o.damaged++
		case err != nil:
			return outing{}, err
		default:
			for _, e := range rec.Events {
				if e, err = rm.kept.Latest(e); err != nil {
					return outing{}, err
				}
				events = append(events, e)
			}
		}
		if ctx.Err() != nil {
			return outing{}, ctx.Err()
		}
	}
	if o.swings, err = season.Load(events); err != nil {
		return outing{}, err
	}
	for i := range o.swings { // keep what is shown
		r := &o.swings[i].Record
		r.Findings, r.Timeline.Events = nil, nil
		for k := range r.Measures {
			m := &r.Measures[k]
			m.Budget, m.Events, m.Landmarks = nil, nil, nil
		}
	}
	outings.Store(at, kept{key, o})
	return o, nil
}

// hitterLine is a hitter in the list of those who can be followed over time.
type hitterLine struct {
	Hitter, Team string
	Key          string // names the two in an address
	Clips        int
	Href         string
}

// hitterLines are the hitters of measured clips, by team and name.
func (rm *Room) hitterLines(ctx context.Context) ([]hitterLine, error) {
	entries, err := rm.Ledger.Newest(ctx)
	if err == nil {
		entries, err = rm.shareable(ctx, entries)
	}
	if err != nil {
		return nil, err
	}
	at := map[[2]string]int{}
	var out []hitterLine
	for _, e := range entries {
		s := e.Job.Subject
		k := [2]string{strings.ToLower(s.Team), strings.ToLower(s.Hitter)}
		i, ok := at[k]
		if !ok {
			i = len(out)
			at[k] = i
			out = append(out, hitterLine{Hitter: cmp.Or(s.Hitter, word("hitter.unnamed")), Team: s.Team, Key: url.Values{"team": {s.Team}, "hitter": {s.Hitter}}.Encode(), Href: trendHref(s.Team, s.Hitter, "", "")})
		}
		out[i].Clips++
	}
	slices.SortFunc(out, func(a, b hitterLine) int {
		return cmp.Or(cmp.Compare(strings.ToLower(a.Team), strings.ToLower(b.Team)), cmp.Compare(strings.ToLower(a.Hitter), strings.ToLower(b.Hitter)))
	})
	return out, nil
}

func trendHref(team, hitter, measure, since string) string {
	q := url.Values{"team": {team}, "hitter": {hitter}}
	if measure != "" {
		q.Set("measure", measure)
	}
	if since != "" {
		q.Set("since", since)
	}
	return "/trend/hitter?" + q.Encode()
}

// trends lists who can be followed over time.
func (rm *Room) trends(w http.ResponseWriter, r *http.Request) error {
	lines, err := rm.hitterLines(r.Context())
	if err != nil {
		return err
	}
	return rm.page(w, http.StatusOK, page{Title: word("trend.title"), Template: "trends", At: "trend", Data: lines})
}

// trendPage follows one hitter over time.
type trendPage struct {
	Hitter, Team string
	Swings       int
	Damaged      int
	Undated      int // swings counted by when they were measured
	Sessions     []option
	Measures     []optionGroup
	Def          metrics.Definition
	Unit         string // "" for a bare number
	Verdict      verdict
	Why          string
	Facts        []string
	Plot         *trendPlot // nil when the measure was had in no swing
	Table        []trendRow // the numbers of the plot
	All          []verdictGroup
}

// option is an entry of a list to choose from.
type option struct {
	Value, Name string
	Chosen      bool
}

type optionGroup struct {
	Name    string
	Options []option
}

// verdict is an answer with a sign beside its words.
type verdict struct{ Sign, Words string }

func verdictOf(v change.Verdict) verdict {
	switch v {
	case change.Changed:
		return verdict{"\u25cf", word("verdict.changed")}
	case change.NoDetectable:
		return verdict{"\u25cb", word("verdict.none")}
	}
	return verdict{"\u2026", word("verdict.few")}
}

// verdictGroup are the measures with one answer.
type verdictGroup struct {
	Verdict verdict
	Lines   []verdictLine
}

type verdictLine struct {
	Name, Difference, Href string
}

// trendRow is a session in the table under the plot.
type trendRow struct {
	Session, Mean string
	Swings        []swingLink
}

// swingLink is a swing by its value.
type swingLink struct{ Href, Text string }

// trend shows one hitter.
func (rm *Room) trend(w http.ResponseWriter, r *http.Request) error {
	q := r.URL.Query()
	o, err := rm.team(r.Context(), q.Get("team"))
	if err != nil {
		return err
	}
	mine := season.Of(o.swings, q.Get("hitter"))
	if len(mine) == 0 {
		return fmt.Errorf("%w: no full swing of %q", worker.ErrNoRecord, q.Get("hitter"))
	}
	id := cmp.Or(q.Get("measure"), "bat_speed_contact")
	d, ok := metrics.Lookup(id)
	if !ok {
		return fmt.Errorf("%w: measure %q", errNotFound, id)
	}
	p := trendPage{Hitter: cmp.Or(mine[0].Hitter, word("hitter.unnamed")), Team: q.Get("team"), Swings: len(mine), Damaged: o.damaged, Def: d, Unit: strings.TrimSpace(metrics.UnitText(d.Unit))}
	at := season.LastSession(mine)
	sessions := slices.CompactFunc(slices.Clone(mine), func(a, b season.Swing) bool { return a.Session == b.Session })
	for _, s := range sessions {
		if s.Session == q.Get("since") {
			at = s.At
		}
	}
	for _, s := range sessions {
		p.Sessions = append(p.Sessions, option{s.Session, s.Session, s.At.Equal(at)})
	}
	for _, s := range mine {
		if s.From == season.FromRecorded {
			p.Undated++
		}
	}
	for _, g := range metrics.Groups() {
		c := optionGroup{Name: word("group." + string(g))}
		for _, m := range metrics.Catalogue() {
			if m.Group == g {
				c.Options = append(c.Options, option{m.ID, m.Name, m.ID == id})
			}
		}
		p.Measures = append(p.Measures, c)
	}
	one := season.Compare(o.swings, q.Get("hitter"), at, []string{id})[0]
	p.Verdict, p.Why = verdictOf(one.Verdict), one.Why
	p.Facts = changeFacts(d, one)
	p.Plot, p.Table = newTrendPlot(mine, d, at, one)
	p.All = allVerdicts(o.swings, q, at)
	return rm.page(w, http.StatusOK, page{Title: words("trend.of", p.Hitter), Template: "trend", At: "trend", Data: p})
}

// changeFacts are the numbers behind an answer, in words.
func changeFacts(d metrics.Definition, a change.Answer) (out []string) {
	if !known(a.Difference) {
		return nil
	}
	out = append(out, words("trend.means", amount(a.Before.Mean, a.Detectable, d.Unit), a.Before.Swings, a.Before.Days, amount(a.After.Mean, a.Detectable, d.Unit), a.After.Swings, a.After.Days))
	if known(a.Detectable) {
		out = append(out, words("trend.detectable", signed(a.Difference, a.Detectable, d.Unit), amount(a.Detectable, a.Detectable, d.Unit)))
	}
	spread := a.Before
	if a.After.TypicalDF > spread.TypicalDF {
		spread = a.After
	}
	if known(spread.MDC95) {
		out = append(out, words("trend.mdc", amount(spread.TypicalError, spread.TypicalError, d.Unit), amount(spread.MDC95, spread.TypicalError, d.Unit)))
	}
	return out
}

// allVerdicts answers for every measure at once.
func allVerdicts(team []season.Swing, q url.Values, at time.Time) []verdictGroup {
	var ids []string
	for _, d := range metrics.Catalogue() {
		ids = append(ids, d.ID)
	}
	answers := season.Compare(team, q.Get("hitter"), at, ids)
	var out []verdictGroup
	for _, v := range []change.Verdict{change.Changed, change.NoDetectable, change.NotEnoughSwings} {
		g := verdictGroup{Verdict: verdictOf(v)}
		for i, d := range metrics.Catalogue() {
			if answers[i].Verdict != v {
				continue
			}
			l := verdictLine{Name: d.Name, Href: trendHref(q.Get("team"), q.Get("hitter"), d.ID, q.Get("since"))}
			if known(answers[i].Difference) && known(answers[i].Detectable) {
				l.Difference = signed(answers[i].Difference, answers[i].Detectable, d.Unit) + " \u00b1 " + amount(answers[i].Detectable, answers[i].Detectable, d.Unit)
			}
			g.Lines = append(g.Lines, l)
		}
		if len(g.Lines) > 0 {
			out = append(out, g)
		}
	}
	return out
}

// TrendHref is the address of the page that follows the swing's hitter.
func (p swingPage) TrendHref() string {
	return trendHref(p.Swing.Subject.Team, p.Swing.Subject.Hitter, "", "")
}

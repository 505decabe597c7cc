package api

import (
	"context"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"path"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/cloudevents/sdk-go/v2/event"

	"nightcage/metrics"
	"nightcage/worker"
)

const (
	defaultLimit = 50
	maxLimit     = 200
)

// swingPage is a page of the list of swings.
type swingPage struct {
	Swings   []summary `json:"swings"`
	Withheld int       `json:"withheld"`       // of this page's, for want of consent
	Next     string    `json:"next,omitempty"` // address of the next page
}

// summary is what a list says of a swing.
type summary struct {
	ID       string                `json:"id"`
	Href     string                `json:"href"`
	Hitter   string                `json:"hitter"`
	Team     string                `json:"team"`
	Recorded time.Time             `json:"recorded"`
	Filmed   string                `json:"filmed,omitempty"`
	Clip     string                `json:"clip"`
	Kind     string                `json:"kind"`
	Result   string                `json:"result,omitempty"`
	Pipeline string                `json:"pipeline_version"`
	Grades   map[metrics.Grade]int `json:"grades"` // number of measures
	First    string                `json:"first,omitempty"`
}

// cursor is the place of a swing in the list, newest first: by when its clip was
// submitted, then by job, then by its number in the clip.
type cursor struct {
	ms  int64
	job string
	n   int
}

func (c cursor) String() string {
	return base64.RawURLEncoding.EncodeToString(fmt.Appendf(nil, "%d %s %d", c.ms, c.job, c.n))
}

func parseCursor(s string) (cursor, error) {
	var c cursor
	b, err := base64.RawURLEncoding.DecodeString(s)
	if err == nil {
		_, err = fmt.Sscanf(string(b), "%d %s %d", &c.ms, &c.job, &c.n)
	}
	if err != nil {
		return c, &badRequest{http.StatusBadRequest, "after is not what a page gave as next"}
	}
	return c, nil
}

// before reports whether c stands in the list before d.
func (c cursor) before(d cursor) bool {
	switch {
	case c.ms != d.ms:
		return c.ms > d.ms
	case c.job != d.job:
		return c.job > d.job
	}
	return c.n < d.n
}

func (a *API) swings(r *http.Request) (reply, error) {
	q := r.URL.Query()
	limit := defaultLimit
	if s := q.Get("limit"); s != "" {
		n, err := strconv.Atoi(s)
		if err != nil || n < 1 || n > maxLimit {
			return reply{}, &badRequest{http.StatusBadRequest, fmt.Sprintf("limit is a number from 1 to %d", maxLimit)}
		}
		limit = n
	}
	var after cursor
	if s := q.Get("after"); s != "" {
		var err error
		if after, err = parseCursor(s); err != nil {
			return reply{}, err
		}
	}
	entries, err := a.measured(r.Context(), q.Get("team"), q.Get("hitter"))
	if err != nil {
		return reply{}, err
	}
	p := swingPage{Swings: []summary{}}
	var last cursor
	for _, e := range entries {
		for n := 1; n <= e.Records; n++ {
			at := cursor{e.Job.SubmittedAt.UnixMilli(), e.Job.ID, n}
			if after.job != "" && !after.before(at) {
				continue
			}
			if len(p.Swings)+p.Withheld == limit {
				q.Set("after", last.String())
				p.Next = Prefix + "swings?" + q.Encode()
				return jsonReply(p)
			}
			last = at
			ev, err := a.event(r.Context(), worker.RecordID(e.Job.ID, n))
			switch {
			case errors.Is(err, worker.ErrNoConsent):
				p.Withheld++
				continue
			case err != nil:
				return reply{}, err
			}
			s, err := summarise(ev)
			if err != nil {
				return reply{}, err
			}
			p.Swings = append(p.Swings, s)
		}
	}
	return jsonReply(p)
}

// measured are the clips of a team and a hitter as last measured, newest first; an empty
// name stands for all.
func (a *API) measured(ctx context.Context, team, hitter string) ([]worker.Entry, error) {
	entries, err := a.Ledger.Newest(ctx)
	if err != nil {
		return nil, err
	}
	entries = slices.DeleteFunc(entries, func(e worker.Entry) bool {
		return team != "" && !strings.EqualFold(team, e.Job.Subject.Team) || hitter != "" && !strings.EqualFold(hitter, e.Job.Subject.Hitter)
	})
	slices.Reverse(entries)
	return entries, nil
}

// split takes a swing's id apart.
func split(id string) (job string, n int, err error) {
	job, n, ok := worker.SwingOf(id)
	if !ok {
		err = fmt.Errorf("%w: %s", worker.ErrNoRecord, id)
	}
	return job, n, err
}

// event reads a swing's record, checked, as it was last corrected, if it may be shown.
func (a *API) event(ctx context.Context, id string) (event.Event, error) {
	e := event.New()
	job, n, err := split(id)
	if err != nil {
		return e, err
	}
	b, err := a.Records.ReadFile(job, fmt.Sprintf("%d/record.json", n))
	if err != nil {
		return e, err
	}
	if err := json.Unmarshal(b, &e); err != nil {
		return e, fmt.Errorf("%w: record %s: %w", worker.ErrDamaged, id, err)
	}
	if err := a.Ledger.MayShare(ctx, e); err != nil {
		return e, err
	}
	return a.Corrections.Latest(e)
}

func summarise(e event.Event) (summary, error) {
	var w metrics.Swing
	if err := e.DataAs(&w); err != nil {
		return summary{}, fmt.Errorf("%w: record %s: %w", worker.ErrDamaged, e.ID(), err)
	}
	s := summary{ID: e.ID(), Href: Prefix + "swings/" + e.ID(), Hitter: e.Subject(), Team: w.Subject.Team, Recorded: e.Time().UTC(),
		Filmed: w.Subject.Filmed, Clip: w.Clip.Name, Kind: string(w.Timeline.Kind), Result: string(w.Timeline.Result), Pipeline: w.Pipeline,
		Grades: map[metrics.Grade]int{}}
	if s.Filmed == "" {
		s.Filmed = w.Clip.Filmed
	}
	for _, g := range metrics.Grades() {
		s.Grades[g] = 0
	}
	for _, m := range w.Measures {
		s.Grades[m.Grade]++
	}
	for _, f := range w.Findings {
		if f.First {
			s.First = f.Name
		}
	}
	return s, nil
}

func (a *API) swing(r *http.Request) (reply, error) {
	e, err := a.event(r.Context(), r.PathValue("id"))
	if err != nil {
		return reply{}, err
	}
	b, err := json.Marshal(e)
	return reply{event.ApplicationCloudEventsJSON, b}, err
}

// stillList names the pictures of a swing.
type stillList struct {
	Stills []stillLink `json:"stills"`
}

type stillLink struct {
	Event string `json:"event"` // that it was taken at
	Href  string `json:"href"`
}

const stillSuffix = ".jpg"

func (a *API) stills(r *http.Request) (reply, error) {
	e, err := a.event(r.Context(), r.PathValue("id"))
	if err != nil {
		return reply{}, err
	}
	job, n, err := split(e.ID())
	if err != nil {
		return reply{}, err
	}
	names, err := a.Records.Files(job)
	if err != nil {
		return reply{}, err
	}
	l := stillList{Stills: []stillLink{}}
	for _, name := range names {
		dir, file := path.Split(name)
		if dir == fmt.Sprintf("%d/", n) && path.Ext(file) == stillSuffix {
			l.Stills = append(l.Stills, stillLink{strings.TrimSuffix(file, stillSuffix), Prefix + "swings/" + e.ID() + "/stills/" + url.PathEscape(file)})
		}
	}
	return jsonReply(l)
}

func (a *API) still(r *http.Request) (reply, error) {
	e, err := a.event(r.Context(), r.PathValue("id"))
	if err != nil {
		return reply{}, err
	}
	job, n, err := split(e.ID())
	if err != nil {
		return reply{}, err
	}
	name := r.PathValue("name")
	if path.Ext(name) != stillSuffix {
		return reply{}, fmt.Errorf("%w: still %q", worker.ErrNoRecord, name)
	}
	b, err := a.Records.ReadFile(job, fmt.Sprintf("%d/%s", n, name))
	return reply{"image/jpeg", b}, err
}

// hitterList lists who has swings.
type hitterList struct {
	Hitters  []hitter `json:"hitters"`
	Withheld int      `json:"withheld"`
}

type hitter struct {
	Hitter string    `json:"hitter"`
	Team   string    `json:"team"`
	Swings int       `json:"swings"`
	Last   time.Time `json:"last_submitted"`
	Href   string    `json:"href"` // of the hitter's swings
}

func (a *API) hitters(r *http.Request) (reply, error) {
	entries, err := a.measured(r.Context(), r.URL.Query().Get("team"), "")
	if err != nil {
		return reply{}, err
	}
	type name struct{ team, hitter string }
	at := map[name]int{}
	withheld := map[name]bool{}
	l := hitterList{Hitters: []hitter{}}
	for _, e := range entries {
		s := e.Job.Subject
		k := name{strings.ToLower(s.Team), strings.ToLower(s.Hitter)}
		if i, ok := at[k]; ok {
			l.Hitters[i].Swings += e.Records
			continue
		}
		if withheld[k] {
			continue
		}
		_, err := a.event(r.Context(), worker.RecordID(e.Job.ID, 1))
		if errors.Is(err, worker.ErrNoConsent) {
			withheld[k] = true
			continue
		}
		if err != nil {
			return reply{}, err
		}
		at[k] = len(l.Hitters)
		l.Hitters = append(l.Hitters, hitter{s.Hitter, s.Team, e.Records, e.Job.SubmittedAt.UTC(),
			Prefix + "swings?" + url.Values{"hitter": {s.Hitter}, "team": {s.Team}}.Encode()})
	}
	l.Withheld = len(withheld)
	return jsonReply(l)
}

// measureList is the catalogue.
type measureList struct {
	Measures []metrics.Definition `json:"measures"`
}

func (a *API) measures(*http.Request) (reply, error) {
	return jsonReply(measureList{metrics.Catalogue()})
}

package room

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"nightcage/cmd/internal/season"
	"nightcage/metrics"
	"nightcage/metrics/change"
	"nightcage/phases"
	"nightcage/vision"
	"nightcage/worker"
)

// comparePage holds two swings, or two hitters, side by side.
type comparePage struct {
	Hitters bool // else swings
	Listed  [2][]option
	Events  []option
	Sides   []side // two, or none while they are not chosen
	Ghost   bool   // both were solved in three dimensions
	Machine bool   // one was corrected by hand, which the ghost does not show
	Heads   [2]string
	Differ  []diffLine
	Alike   []diffLine
	None    int
}

// side is one of two swings.
type side struct {
	ID, Letter, Title, Href string
	First, Last, Start      int
	Width, Height           int
	EventMs                 string // JSON: capture time of each found event
	Missing                 string // why the event it was to be held at is not there; "" when it is
	Timed                   bool
	Film                    bool // what the record was made from is there
}

// diffLine is a measure of both.
type diffLine struct{ Name, A, B, Difference string }

// diffTable is a table of lines.
type diffTable struct {
	Heads [2]string
	Lines []diffLine
}

// Table puts lines under the heads of the two.
func (p comparePage) Table(lines []diffLine) diffTable { return diffTable{p.Heads, lines} }

// listed is how many swings there are to choose from: the last ones. Any other is
// reached by its address.
const listed = 200

// compare shows two swings.
func (rm *Room) compare(w http.ResponseWriter, r *http.Request) error {
	q := r.URL.Query()
	p := comparePage{}
	ids := [2]string{q.Get("a"), q.Get("b")}
	entries, err := rm.Ledger.Newest(r.Context())
	if err == nil {
		entries, err = rm.shareable(r.Context(), entries)
	}
	if err != nil {
		return err
	}
	slices.Reverse(entries)
	for i := range p.Listed {
		p.Listed[i] = swingOptions(entries, ids[i])
	}
	at := phases.EventID(cmp.Or(q.Get("at"), string(phases.Contact)))
	for _, e := range phases.Events() {
		p.Events = append(p.Events, option{string(e), word("event." + string(e)), e == at})
	}
	if ids[0] != "" && ids[1] != "" {
		if err := rm.pair(&p, ids, at); err != nil {
			return err
		}
	}
	return rm.page(w, http.StatusOK, page{Title: word("compare.title"), Template: "compare", Script: "page-compare", At: "compare", Data: p})
}

// swingOptions are the last swings, and the chosen one.
func swingOptions(entries []worker.Entry, chosen string) (out []option) {
	found := false
	for _, e := range entries {
		for n := 1; n <= e.Records; n++ {
			id := worker.RecordID(e.Job.ID, n)
			if id != chosen && len(out) >= listed {
				continue
			}
			found = found || id == chosen
			name := fmt.Sprintf("%s, %s, %s", cmp.Or(e.Job.Subject.Hitter, word("hitter.unnamed")), e.Job.SubmittedAt.Local().Format("2 Jan 15:04"), baseName(e.Job.Clip))
			if e.Records > 1 {
				name += ", " + words("row.which", n, e.Records)
			}
			out = append(out, option{id, name, id == chosen})
		}
	}
	if !found && chosen != "" {
		out = append(out, option{chosen, chosen, true})
	}
	return out
}

// pair reads the two swings and what they differ in.
func (rm *Room) pair(p *comparePage, ids [2]string, at phases.EventID) error {
	p.Ghost = true
	var records [2]metrics.Swing
	for i, id := range ids {
		job, n, _ := worker.SwingOf(id)
		s, err := rm.record(job, strconv.Itoa(n))
		if err != nil {
			return err
		}
		all, err := rm.kept.List(s.JobID, s.N)
		if err != nil {
			return err
		}
		s = s.as(all, len(all))
		p.Machine = p.Machine || s.As != nil
		records[i] = s.Swing
		d, solved, err := rm.side(s, at)
		if err != nil {
			return err
		}
		d.ID, d.Letter = strings.ToLower(string(rune('A'+i))), string(rune('A'+i))
		p.Heads[i] = d.Letter + ": " + d.Title
		p.Sides = append(p.Sides, d)
		p.Ghost = p.Ghost && solved
	}
	var measures []string
	for _, d := range metrics.Catalogue() {
		measures = append(measures, d.ID)
	}
	p.differ(season.Apart(records[0], records[1], measures))
	return nil
}

// side is a swing as the page shows it, stopped at an event.
func (rm *Room) side(s stored, at phases.EventID) (d side, solved bool, err error) {
	d = side{Title: cmp.Or(s.Swing.Subject.Hitter, word("hitter.unnamed")) + ", " + day(s), Href: s.Href(),
		Missing: word("event.missing"), Timed: s.Swing.Timeline.Timed}
	ms := map[phases.EventID]float64{}
	frame := -1
	for _, e := range s.Swing.Timeline.Events {
		if e.Found {
			ms[e.ID] = tenth(e.Ms)
		}
		if e.ID == at && e.Found {
			frame, d.Missing = int(math.Round(e.Frame)), ""
		} else if e.ID == at {
			d.Missing = cmp.Or(e.Reason, d.Missing)
		}
	}
	b, err := json.Marshal(ms)
	if err != nil {
		return d, false, err
	}
	d.EventMs = string(b)
	st, err := rm.stages(s.JobID, s.N)
	if errors.Is(err, worker.ErrNoRecord) || errors.Is(err, worker.ErrNoMaker) {
		return d, false, nil // an early version kept no track that can be read
	}
	if err != nil {
		return d, false, err
	}
	fs := st.Track.Frames
	d.Film, d.First, d.Last, d.Width, d.Height = true, fs[0].Index, fs[len(fs)-1].Index, st.Track.Clip.Width, st.Track.Clip.Height
	d.Start = min(max(frame, d.First), d.Last)
	return d, st.Track.Solution != nil, nil
}

// day is when a swing was filmed, where that is known, else when it was measured.
func day(s stored) string {
	at := s.At
	for _, told := range []string{s.Swing.Clip.Filmed, s.Swing.Subject.Filmed} {
		if t, _, err := worker.Filmed(told); err == nil {
			at = t
		}
	}
	return at.Format("2 January 2006")
}

// differ sorts the answers: measures that differ by more than their errors, the
// others, and how many were not had in both.
func (p *comparePage) differ(answers []change.Answer) {
	for i, d := range metrics.Catalogue() {
		a := answers[i]
		if a.Verdict == change.NotEnoughSwings || !known(a.Difference) || !known(a.Detectable) {
			p.None++
			continue
		}
		l := diffLine{d.Name, amount(a.Before.Mean, a.Detectable, d.Unit), amount(a.After.Mean, a.Detectable, d.Unit),
			signed(a.Difference, a.Detectable, d.Unit) + " \u00b1 " + amount(a.Detectable, a.Detectable, d.Unit)}
		if a.Verdict == change.Changed {
			p.Differ = append(p.Differ, l)
		} else {
			p.Alike = append(p.Alike, l)
		}
	}
}

// compareHitters shows what two hitters differ in, over all their swings.
func (rm *Room) compareHitters(w http.ResponseWriter, r *http.Request) error {
	lines, err := rm.hitterLines(r.Context())
	if err != nil {
		return err
	}
	p := comparePage{Hitters: true}
	ids := [2]string{r.URL.Query().Get("a"), r.URL.Query().Get("b")}
	for i := range p.Listed {
		for _, l := range lines {
			p.Listed[i] = append(p.Listed[i], option{l.Key, l.Hitter + ", " + l.Team, l.Key == ids[i]})
		}
	}
	if ids[0] != "" && ids[1] != "" {
		if err := rm.people(r.Context(), &p, ids); err != nil {
			return err
		}
	}
	return rm.page(w, http.StatusOK, page{Title: word("compare.title"), Template: "compare", At: "compare", Data: p})
}

// people compares two hitters, each named by team and name. Of two with one name in
// two teams each keeps to the own team.
func (rm *Room) people(ctx context.Context, p *comparePage, ids [2]string) error {
	var all []season.Swing
	var names [2]string
	teams := map[string]bool{}
	for i, id := range ids {
		who, err := url.ParseQuery(id)
		if err != nil {
			return fmt.Errorf("%w: hitter %q", errNotFound, id)
		}
		o, err := rm.team(ctx, who.Get("team"))
		if err != nil {
			return err
		}
		names[i] = who.Get("hitter") + " of " + who.Get("team")
		if len(season.Of(o.swings, who.Get("hitter"))) == 0 {
			return fmt.Errorf("%w: no full swing of %q", worker.ErrNoRecord, who.Get("hitter"))
		}
		p.Heads[i] = cmp.Or(who.Get("hitter"), word("hitter.unnamed"))
		if team := strings.ToLower(who.Get("team")); !teams[team] {
			teams[team] = true
			for _, s := range o.swings {
				s.Hitter += " of " + who.Get("team")
				all = append(all, s)
			}
		}
	}
	var measures []string
	for _, d := range metrics.Catalogue() {
		measures = append(measures, d.ID)
	}
	p.differ(season.Between(all, names[0], names[1], measures))
	return nil
}

// ghost is a solved swing about the middle of the hips: the hitter's body stays in
// place, so that two swings can be laid over each other. Inches, to a tenth.
type ghost struct {
	Names []string `json:"names"`
	First int      `json:"first"`
	// Frames, of every picture, have x toward the pitcher, y up, z to the side that the
	// chest faces, of each name; null where a point was not had. Left-handed hitters are mirrored.
	Frames [][]*[3]float64 `json:"frames"`
}

// body sends it.
func (rm *Room) body(w http.ResponseWriter, r *http.Request) error {
	s, err := rm.record(r.PathValue("job"), r.PathValue("n"))
	if err != nil {
		return err
	}
	st, err := rm.stages(s.JobID, s.N)
	if err != nil {
		return err
	}
	g, ok := newGhost(st.Track)
	if !ok {
		return fmt.Errorf("%w: the swing was not solved in three dimensions", errNotFound)
	}
	return sendJSON(w, g)
}

func newGhost(t vision.Track) (g ghost, ok bool) {
	if t.Solution == nil {
		return g, false
	}
	g.First = t.Frames[0].Index
	for l := range vision.NumLandmarks {
		g.Names = append(g.Names, roleName(t.Hand, vision.Landmark(l)))
	}
	g.Names = append(g.Names, "head", "knob", "tip")
	for index := g.First; index <= t.Frames[len(t.Frames)-1].Index; index++ {
		p, _ := t.PoseAt(index)
		frame := make([]*[3]float64, len(g.Names))
		if len(p.Body) == vision.NumLandmarks && p.Body[vision.LeftHip].Valid && p.Body[vision.RightHip].Valid {
			l, r := p.Body[vision.LeftHip], p.Body[vision.RightHip]
			at := vision.Vec3{X: (l.X + r.X) / 2, Y: (l.Y + r.Y) / 2, Z: (l.Z + r.Z) / 2}
			for i, q := range append(p.Body[:vision.NumLandmarks:vision.NumLandmarks], p.Head, p.Knob, p.Tip) {
				if q.Valid {
					frame[i] = &[3]float64{tenth(q.X - at.X), tenth(q.Y - at.Y), tenth(q.Z - at.Z)}
				}
			}
		}
		g.Frames = append(g.Frames, frame)
	}
	return g, true
}

// roleName names a point by the side that is toward the pitcher, lead, or the
// catcher, back, so that the points of left- and right-handed hitters meet.
func roleName(h vision.Hand, l vision.Landmark) string {
	side, part, ok := strings.Cut(l.String(), "_")
	switch {
	case !ok:
		return l.String()
	case (side == "left") == (h.Bats != vision.SideLeft):
		return "lead_" + part
	}
	return "back_" + part
}

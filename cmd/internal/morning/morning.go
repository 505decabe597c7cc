// Package morning makes the sheet that a coach reads over coffee: what came in
// overnight, what could not be measured and why, what has changed, and whom to
// look at first. It is the coach's own and holds hitters of whom nobody has
// consent; those are marked.
package morning

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/cloudevents/sdk-go/v2/event"

	"nightcage/cmd/internal/report"
	"nightcage/cmd/internal/season"
	"nightcage/metrics"
	"nightcage/metrics/change"
	"nightcage/phases"
	"nightcage/vision"
	"nightcage/worker"
)

// Sources are what a sheet is made from, of one team.
type Sources struct {
	Team    string
	Since   time.Time // records made before it are yesterday's news
	Now     time.Time
	Events  []event.Event  // of all time: what has changed needs the past
	Entries []worker.Entry // of the ledger
	// MayShare answers as worker.Ledger.MayShare does.
	MayShare func(event.Event) bool
	// Advice is what a person can do about a clip that failed.
	Advice func(worker.Kind) string
}

// Sheet is the page, for people. Its times are local.
type Sheet struct {
	Team       string
	Since, Now time.Time
	Clips      int // that were measured or failed since
	Swings     int
	Waiting    int // clips that are still to be measured
	First      []Look
	Hitters    []Hitter
	Failed     []Failed
	Cautions   []string
}

// Look says why to look at a hitter.
type Look struct {
	Hitter string
	Why    []string
	Try    string // one cue; "" for none
}

// Hitter is what came in of one hitter.
type Hitter struct {
	Name      string
	Clips     int
	Swings    int
	Other     int // takes, checks and bunts
	NoConsent bool
	Speed     string // middle bat speed of the swings, "" when none was measured
	Gaps      []Gap
	Changed   []Change
	Same      string // what is said where nothing changed
	Only      string // which swings were compared, where there are others that they cannot be compared with
}

// Gap is something that could not be measured in swings that were.
type Gap struct {
	Why      string
	Measures int // in the swing that lacks most for this reason
	Swings   int
}

// Change is a measure that changed.
type Change struct{ Measure, By string }

// Failed is a clip that could not be measured.
type Failed struct{ Hitter, Clip, Why, Do string }

// Empty reports that there is nothing to tell.
func (s Sheet) Empty() bool { return s.Clips == 0 && s.Waiting == 0 }

// New makes the sheet of a team. The error is that of an event that is no record.
func New(src Sources) (Sheet, error) {
	s := Sheet{Team: src.Team, Since: src.Since.Local(), Now: src.Now.Local(), Cautions: metrics.Cautions()}
	for _, e := range src.Entries {
		s.Waiting += b2i(!e.State.Final())
	}
	all, err := season.Load(src.Events)
	if err != nil {
		return s, err
	}
	var hitters []*night
	of := func(name string) *night {
		for _, n := range hitters {
			if strings.EqualFold(n.Name, name) {
				return n
			}
		}
		n := &night{Hitter: Hitter{Name: name}, clips: map[string]bool{}}
		hitters = append(hitters, n)
		return n
	}
	for _, e := range src.Events {
		if e.Time().Before(src.Since) || e.Extensions()["remadefrom"] != nil {
			continue
		}
		var rec metrics.Swing
		if err := e.DataAs(&rec); err != nil {
			return s, fmt.Errorf("record %s: %w", e.ID(), err)
		}
		n := of(e.Subject())
		n.NoConsent = !src.MayShare(e)
		if !n.clips[rec.Clip.SHA256] {
			n.clips[rec.Clip.SHA256] = true
			n.Clips++
			s.Clips++
		}
		switch {
		case e.Type() == worker.TypeUnmeasured:
			n.failed++
			f := Failed{Hitter: n.Name, Clip: rec.Clip.Name, Why: "It could not be measured."}
			if rec.Failure != nil {
				f.Why, f.Do = sentence(rec.Failure.Text), src.Advice(worker.Kind(rec.Failure.Kind))
			}
			s.Failed = append(s.Failed, f)
		case rec.Timeline.Kind == phases.KindSwing:
			n.swings = append(n.swings, rec)
		default:
			n.Other++
		}
	}
	for _, n := range hitters {
		n.Swings = len(n.swings)
		s.Swings += n.Swings
		n.Speed = middle(n.swings, "bat_speed_contact")
		n.Gaps = gaps(n.swings)
		if n.Swings > 0 {
			var alike []season.Swing
			alike, n.Only = sameBall(all, n.Name)
			n.Changed, n.Same = changes(alike, n.Name)
		}
	}
	slices.SortFunc(hitters, func(a, b *night) int { return cmp.Compare(strings.ToLower(a.Name), strings.ToLower(b.Name)) })
	for _, n := range hitters {
		s.Hitters = append(s.Hitters, n.Hitter)
	}
	s.First = first(hitters)
	return s, nil
}

// night is a hitter's new records.
type night struct {
	Hitter
	swings []metrics.Swing
	clips  map[string]bool // by hash
	failed int
}

// middle is the median of a measure with its own error bar's half-width: no
// average, so that one bad reading does not move it.
func middle(swings []metrics.Swing, id string) string {
	var rs []metrics.Result
	for _, s := range swings {
		if r, ok := s.Find(id); ok && r.Value != nil {
			rs = append(rs, r)
		}
	}
	if len(rs) == 0 {
		return ""
	}
	slices.SortFunc(rs, func(a, b metrics.Result) int { return cmp.Compare(*a.Value, *b.Value) })
	return metrics.Text(rs[(len(rs)-1)/2])
}

// mostGaps is how many reasons a hitter's line holds; the records have them all.
const mostGaps = 3

// gaps counts the measures that were unavailable by reason, the widest first.
// Ones that a swing cannot have (no ball was thrown) are no gaps.
func gaps(swings []metrics.Swing) []Gap {
	var out []Gap
	for _, s := range swings {
		lacks := map[string]int{}
		for _, r := range s.Measures {
			switch r.Reason {
			case metrics.ReasonNoPitch, metrics.ReasonNoBall, metrics.ReasonNotHit:
				continue
			}
			if r.Grade == metrics.GradeUnavailable {
				lacks[r.ReasonText]++
			}
		}
		for why, n := range lacks {
			i := slices.IndexFunc(out, func(g Gap) bool { return g.Why == why })
			if i < 0 {
				i, out = len(out), append(out, Gap{Why: why})
			}
			out[i].Swings++
			out[i].Measures = max(out[i].Measures, n)
		}
	}
	slices.SortFunc(out, func(a, b Gap) int {
		return cmp.Or(b.Measures*b.Swings-a.Measures*a.Swings, cmp.Compare(a.Why, b.Why))
	})
	return out[:min(len(out), mostGaps)]
}

// sameBall keeps the swings at balls from where those of the hitter's last session
// mostly came: a swing off a tee is not one at a pitch. only says which where the
// hitter has others.
func sameBall(all []season.Swing, hitter string) (alike []season.Swing, only string) {
	mine := season.Of(all, hitter)
	last := season.LastSession(mine)
	count := map[vision.BallFrom]int{}
	kinds := map[vision.BallFrom]bool{}
	var most vision.BallFrom
	for _, s := range mine {
		from := s.Record.Subject.Ball
		kinds[from] = true
		if !s.At.Before(last) {
			if count[from]++; count[from] > count[most] {
				most = from
			}
		}
	}
	for _, s := range all {
		if s.Record.Subject.Ball == most {
			alike = append(alike, s)
		}
	}
	if len(kinds) > 1 {
		only = map[vision.BallFrom]string{vision.FromPitch: "at pitches only", vision.FromTee: "off a tee only",
			vision.FromNone: "dry swings only", "": "only where the ball was not told"}[most]
	}
	return alike, only
}

// changes holds a hitter's last session against all before it, in every measure.
func changes(all []season.Swing, hitter string) (changed []Change, same string) {
	mine := season.Of(all, hitter)
	defs := metrics.Catalogue()
	ids := make([]string, len(defs))
	for i, d := range defs {
		ids[i] = d.ID
	}
	looked := 0
	type found struct {
		Change
		size float64 // in widths of its own error bar
	}
	var fs []found
	for i, a := range season.Compare(all, hitter, season.LastSession(mine), ids) {
		if a.Verdict != change.NotEnoughSwings {
			looked++
		}
		if a.Verdict == change.Changed {
			l := report.NewChangeLine(defs[i], a)
			fs = append(fs, found{Change{l.Name, l.By()}, max(a.Difference, -a.Difference) / a.Detectable})
		}
	}
	slices.SortStableFunc(fs, func(a, b found) int { return cmp.Compare(b.size, a.size) })
	for _, f := range fs {
		changed = append(changed, f.Change)
	}
	switch {
	case looked == 0:
		return nil, "not enough sessions yet to tell a change"
	case len(changed) == 0:
		return nil, fmt.Sprintf("no detectable change in %s", plural(looked, "measure"))
	}
	return changed, ""
}

// first orders the hitters by how much there is to look at: a fault that shows
// in most of the night's swings, then what changed, then clips to be filmed
// again. It orders a coach's morning, not the hitters.
func first(hitters []*night) []Look {
	type reason struct {
		Look
		share, sure float64
		changed     int
		failed      int
	}
	var rs []reason
	for _, n := range hitters {
		r := reason{Look: Look{Hitter: n.Name}, changed: len(n.Changed), failed: n.failed}
		if f, times, sure := mainFinding(n.swings); times > 0 {
			r.share, r.sure = float64(times)/float64(n.Swings), sure
			r.Why = append(r.Why, fmt.Sprintf("%s, in %d of %s", f.Name, times, plural(n.Swings, "swing")))
			r.Try = f.Cue
		}
		if len(n.Changed) > 0 {
			c := n.Changed[0]
			words := fmt.Sprintf("changed since before: %s by %s", c.Measure, c.By)
			if more := len(n.Changed) - 1; more > 0 {
				words += fmt.Sprintf(", and %d more", more)
			}
			r.Why = append(r.Why, words)
		}
		if n.failed > 0 {
			r.Why = append(r.Why, fmt.Sprintf("%s could not be measured", plural(n.failed, "clip")))
		}
		if len(r.Why) > 0 {
			rs = append(rs, r)
		}
	}
	slices.SortStableFunc(rs, func(a, b reason) int {
		return cmp.Or(b2i(b.share > 0.5)-b2i(a.share > 0.5), cmp.Compare(b.share, a.share), cmp.Compare(b.sure, a.sure),
			cmp.Compare(b.changed, a.changed), cmp.Compare(b.failed, a.failed))
	})
	out := make([]Look, len(rs))
	for i, r := range rs {
		out[i] = r.Look
	}
	return out
}

// mainFinding is the thing to work on first that most of the swings name, in how
// many of them, and how sure it is at best.
func mainFinding(swings []metrics.Swing) (f metrics.Finding, times int, sure float64) {
	count := map[string]int{}
	for _, s := range swings {
		for _, g := range s.Findings {
			if !g.First {
				continue
			}
			count[g.ID]++
			if count[g.ID] > times || g.ID == f.ID {
				if g.ID != f.ID {
					sure = 0
				}
				f, times, sure = g, count[g.ID], max(sure, g.Surety)
			}
		}
	}
	return f, times, sure
}

// sentence ends a text as one.
func sentence(s string) string {
	if s == "" || strings.HasSuffix(s, ".") {
		return s
	}
	return s + "."
}

func plural(n int, of string) string {
	if n == 1 {
		return "1 " + of
	}
	return fmt.Sprintf("%d %ss", n, of)
}

func b2i(b bool) int {
	if b {
		return 1
	}
	return 0
}

// Package season sorts swing records by hitter and by when they were filmed.
package season

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/cloudevents/sdk-go/v2/event"

	"nightcage/metrics"
	"nightcage/metrics/change"
	"nightcage/phases"
	"nightcage/worker"
)

// Swing is one measured swing of a season.
type Swing struct {
	ID      string // of its record
	Hitter  string
	Team    string
	At      time.Time // when it was filmed
	From    From      // what At rests on
	Session string    // names the session; equal names are the same one
	Record  metrics.Swing
}

// From says what the time of a swing rests on.
type From string

// What a swing's time can rest on, best first.
const (
	FromTold     From = "told"     // given with the job
	FromFile     From = "file"     // the clip's own creation time
	FromRecorded From = "recorded" // when the clip was first measured: the night after, if all went well
)

// sameSession is the longest pause within one session: people warm up, hit in
// groups and come back; they do not come twice within four hours.
const sameSession = 4 * time.Hour

// Load reads the measured swings out of events, oldest first, and names their
// sessions. Takes, checks and bunts are no swings to compare and are left out. Of
// a clip that was measured more than once, by a newer pipeline or with a size
// corrected, the latest records count.
func Load(events []event.Event) ([]Swing, error) {
	var out []Swing
	first := firstRecorded(events)
	for _, e := range Latest(events) {
		if e.Type() != worker.TypeMeasured {
			continue
		}
		s := Swing{ID: e.ID(), Hitter: e.Subject()}
		if err := e.DataAs(&s.Record); err != nil {
			return nil, fmt.Errorf("record %s: %w", e.ID(), err)
		}
		if s.Record.Timeline.Kind != phases.KindSwing {
			continue
		}
		s.Team = s.Record.Subject.Team
		dayOnly := false
		s.At, s.From = first[clipOf(e)], FromRecorded
		for _, told := range []struct {
			when string
			from From
		}{{s.Record.Subject.Filmed, FromTold}, {s.Record.Clip.Filmed, FromFile}} {
			if at, day, err := worker.Filmed(told.when); err == nil {
				s.At, s.From, dayOnly = at, told.from, day
				break
			}
		}
		if dayOnly {
			s.Session = s.At.Format(time.DateOnly)
		}
		out = append(out, s)
	}
	slices.SortStableFunc(out, func(a, b Swing) int { return a.At.Compare(b.At) })
	nameSessions(out)
	return out, nil
}

// clip names one hitter's clip.
type clip struct{ team, hitter, sha256 string }

func clipOf(e event.Event) clip {
	ext := e.Extensions()
	return clip{fmt.Sprint(ext["team"]), e.Subject(), fmt.Sprint(ext["clipsha256"])}
}

// firstRecorded is when each clip was first recorded. A record that is made anew, years
// later, is still of that swing.
func firstRecorded(events []event.Event) map[clip]time.Time {
	first := map[clip]time.Time{}
	for _, e := range events {
		if at, ok := first[clipOf(e)]; !ok || e.Time().Before(at) {
			first[clipOf(e)] = e.Time()
		}
	}
	return first
}

// Latest keeps, of the records of one hitter's clip, those made last. A failure to
// measure it again, or an earlier one, gives way to what was measured.
func Latest(events []event.Event) []event.Event {
	last := map[clip]event.Event{}
	later := func(a, b event.Event) bool { // a counts rather than b
		if (a.Type() == worker.TypeMeasured) != (b.Type() == worker.TypeMeasured) {
			return a.Type() == worker.TypeMeasured
		}
		return a.Time().After(b.Time())
	}
	for _, e := range events {
		if was, ok := last[clipOf(e)]; !ok || later(e, was) {
			last[clipOf(e)] = e
		}
	}
	return slices.DeleteFunc(slices.Clone(events), func(e event.Event) bool { return later(last[clipOf(e)], e) })
}

// nameSessions names those of swings with a time of day, in order of time: one
// that follows another of the same team closely is of the same session.
func nameSessions(swings []Swing) {
	type last struct {
		at      time.Time
		session string
	}
	teams := map[string]last{}
	for i := range swings {
		s := &swings[i]
		if s.Session != "" {
			continue
		}
		l, ok := teams[s.Team]
		if !ok || s.At.Sub(l.at) > sameSession {
			l.session = s.At.Format("2006-01-02 15:04")
		}
		l.at = s.At
		teams[s.Team] = l
		s.Session = l.session
	}
}

// Readings are the values of one measure, with those of the swings in which it
// could not be measured left out.
func Readings(swings []Swing, measure string) []change.Reading {
	var out []change.Reading
	for _, s := range swings {
		if r, ok := s.Record.Find(measure); ok && r.Value != nil && r.Sigma != nil {
			out = append(out, change.Reading{Day: s.Session, Value: *r.Value, Sigma: *r.Sigma})
		}
	}
	return out
}

// Of are one hitter's swings.
func Of(swings []Swing, hitter string) []Swing {
	var out []Swing
	for _, s := range swings {
		if strings.EqualFold(s.Hitter, hitter) {
			out = append(out, s)
		}
	}
	return out
}

// Hitters lists the hitters by name.
func Hitters(swings []Swing) []string {
	var out []string
	for _, s := range swings {
		if !slices.ContainsFunc(out, func(h string) bool { return strings.EqualFold(h, s.Hitter) }) {
			out = append(out, s.Hitter)
		}
	}
	slices.SortFunc(out, func(a, b string) int { return cmp.Compare(strings.ToLower(a), strings.ToLower(b)) })
	return out
}

// Split parts swings at an instant: those filmed before it, and the others.
func Split(swings []Swing, at time.Time) (before, after []Swing) {
	for _, s := range swings {
		if s.At.Before(at) {
			before = append(before, s)
		} else {
			after = append(after, s)
		}
	}
	return before, after
}

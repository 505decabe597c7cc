package sheet

import (
	_ "embed"
	"encoding/base64"
	"fmt"
	"html/template"
	"io"
	"time"

	"nightcage/metrics"
	"nightcage/phases"
)

//go:embed page.html
var pageHTML string

var pageTemplate = template.Must(template.New("sheet").Parse(pageHTML))

// Sheet is what the page says.
type Sheet struct {
	Hitter string
	Date   string // of filming
	Seen   string // what the finding to work on first is called; "" when there is none
	Cue    string // the one thing to try; "" when there is none
	// Cautions stand below: the finding's own first, then those every record carries.
	Cautions []string
	At       string // the instant that the picture shows
	Picture  template.URL
}

// New says of a swing what a player is to hear: the cue of the finding to work on
// first, or cue where the coach gives one. The picture is a JPEG taken at the instant.
func New(s metrics.Swing, recorded time.Time, cue string, at phases.EventID, jpeg []byte) Sheet {
	sh := Sheet{Hitter: s.Subject.Hitter, Date: date(s, recorded), Cue: cue, At: Words(at),
		Picture: template.URL("data:image/jpeg;base64," + base64.StdEncoding.EncodeToString(jpeg))}
	if f, ok := first(s); ok && cue == "" {
		sh.Seen, sh.Cue = f.Name, f.Cue
		if f.Caution != "" {
			sh.Cautions = append(sh.Cautions, f.Caution)
		}
	}
	sh.Cautions = append(sh.Cautions, s.Cautions...)
	return sh
}

func first(s metrics.Swing) (metrics.Finding, bool) {
	for _, f := range s.Findings {
		if f.First {
			return f, true
		}
	}
	return metrics.Finding{}, false
}

// date is the day of filming where it is known, else that of measuring.
func date(s metrics.Swing, recorded time.Time) string {
	const layout = "2 January 2006"
	for _, told := range []string{s.Subject.Filmed, s.Clip.Filmed} {
		for _, form := range []string{time.DateOnly, time.RFC3339} {
			if t, err := time.Parse(form, told); err == nil {
				return t.Format(layout)
			}
		}
	}
	return "measured " + recorded.Local().Format(layout)
}

// Instant is the found event that the sheet's picture shows: that of the first
// link of the finding to work on first, else contact, else any.
func Instant(s metrics.Swing) (phases.Event, bool) {
	found := map[phases.EventID]phases.Event{}
	for _, e := range s.Timeline.Events {
		if e.Found {
			found[e.ID] = e
		}
	}
	var want []phases.EventID
	if f, ok := first(s); ok {
		if m, ok := s.Find(f.Links[0].Measure); ok {
			for _, e := range m.Events {
				want = append(want, e.ID)
			}
		}
	}
	want = append(append(want, phases.Contact), phases.Events()...)
	for _, id := range want {
		if e, ok := found[id]; ok {
			return e, true
		}
	}
	return phases.Event{}, false
}

// Page writes the page: one file, with its picture inside.
func (s Sheet) Page(w io.Writer) error {
	if err := pageTemplate.Execute(w, s); err != nil {
		return fmt.Errorf("write the sheet of %s: %w", s.Hitter, err)
	}
	return nil
}

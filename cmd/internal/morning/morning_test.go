package morning

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/cloudevents/sdk-go/v2/event"

	"nightcage/metrics"
	"nightcage/phases"
	"nightcage/vision"
	"nightcage/worker"
)

var night0 = time.Date(2026, 11, 20, 18, 0, 0, 0, time.UTC)

// clip is one invented clip of one swing.
type clip struct {
	hitter string
	day    int     // after night0; negative: before
	mph    float64 // 0: not measured
	first  string  // name of the thing to work on first
	kind   phases.Kind
	failed string
	remade string // hash of the clip whose record it was made from
	ball   vision.BallFrom
}

var serial int

func (c clip) event(t *testing.T) event.Event {
	t.Helper()
	serial++
	at := night0.AddDate(0, 0, c.day).Add(time.Duration(serial) * time.Second)
	var s metrics.Swing
	s.Status, s.Timeline.Kind = metrics.StatusMeasured, phases.KindSwing
	if c.kind != "" {
		s.Timeline.Kind = c.kind
	}
	s.Subject.Hitter, s.Subject.Team, s.Subject.Filmed = c.hitter, "Cinder Creek Comets", at.Format(time.RFC3339)
	s.Subject.Ball = c.ball
	s.Clip.Name, s.Clip.SHA256 = fmt.Sprintf("clip-%d.mp4", serial), fmt.Sprint(serial)
	if c.remade != "" {
		s.Clip.SHA256 = c.remade
	}
	u, lo, hi := 1.0, c.mph-2, c.mph+2
	if c.mph > 0 {
		s.Measures = append(s.Measures, metrics.Result{ID: "bat_speed_contact", Unit: "mph", Value: &c.mph, Sigma: &u, Low95: &lo, High95: &hi, Grade: metrics.GradeMeasured})
	} else {
		s.Measures = append(s.Measures, metrics.Result{ID: "bat_speed_contact", Grade: metrics.GradeUnavailable, Reason: metrics.ReasonView, ReasonText: "cannot be read from this camera position"},
			metrics.Result{ID: "launch_speed_contact", Grade: metrics.GradeUnavailable, Reason: metrics.ReasonNoBall, ReasonText: "a dry swing, as told"})
	}
	if c.first != "" {
		s.Findings = []metrics.Finding{{ID: c.first, Name: c.first, Cue: "one cue for " + c.first, First: true, Surety: 0.9}}
	}
	e := event.New()
	e.SetID(fmt.Sprintf("%032x-1", serial))
	e.SetType(worker.TypeMeasured)
	e.SetSource("/nightcage/teams/cinder-creek-comets")
	e.SetSubject(c.hitter)
	e.SetTime(at.Add(6 * time.Hour))
	e.SetExtension("clipsha256", s.Clip.SHA256)
	e.SetExtension("team", "Cinder Creek Comets")
	if c.remade != "" {
		e.SetExtension("remadefrom", fmt.Sprintf("%032x", 1))
	}
	if c.failed != "" {
		e.SetType(worker.TypeUnmeasured)
		s.Status, s.Failure = metrics.StatusFailed, &metrics.Failure{Kind: "no_bat", Text: c.failed}
	}
	if err := e.SetData(event.ApplicationJSON, s); err != nil {
		t.Fatal(err)
	}
	return e
}

// fourSessions are sessions of three hitters, one of whom swings faster in the last
// one, and a fourth who is new.
func fourSessions(t *testing.T) Sources {
	old := fmt.Sprint(serial + 2) // Juniper's first, remade tonight
	var events []event.Event
	add := func(c clip) { events = append(events, c.event(t)) }
	for _, day := range []int{-21, -14, -7, 0} {
		for i := range 6 {
			w := float64(i%3) - 1 + float64(day)/14
			rook := 50 + w
			if day == 0 {
				rook += 9
			}
			add(clip{hitter: "Rook Calder", day: day, mph: rook})
			add(clip{hitter: "Juniper Sable", day: day, mph: 40 + w, first: map[bool]string{true: "back heel stays down"}[day == 0 && i < 5]})
			add(clip{hitter: "Ozzie Marlow", day: day, mph: map[bool]float64{true: 0, false: 47 + w}[day == 0]})
		}
	}
	add(clip{hitter: "Tamsin Vale", failed: "no bat is seen"})
	add(clip{hitter: "Tamsin Vale", kind: phases.KindTake, mph: 20})
	add(clip{hitter: "Juniper Sable", mph: 40, remade: old})
	return Sources{Team: "Cinder Creek Comets", Since: night0, Now: night0.Add(14 * time.Hour), Events: events,
		Entries:  []worker.Entry{{State: worker.StateQueued}, {State: worker.StateMeasured}},
		MayShare: func(e event.Event) bool { return e.Subject() != "Ozzie Marlow" },
		Advice:   func(k worker.Kind) string { return "what to do about " + string(k) }}
}

func TestSheet(t *testing.T) {
	s, err := New(fourSessions(t))
	if err != nil {
		t.Fatal(err)
	}
	if s.Clips != 20 || s.Swings != 18 || s.Waiting != 1 || len(s.Hitters) != 4 {
		t.Errorf("%d clips, %d swings, %d waiting, %d hitters", s.Clips, s.Swings, s.Waiting, len(s.Hitters))
	}
	juniper, ozzie, rook, tamsin := s.Hitters[0], s.Hitters[1], s.Hitters[2], s.Hitters[3]
	if len(rook.Changed) != 1 || rook.Changed[0].Measure != "bat speed at contact" && !strings.Contains(rook.Changed[0].Measure, "bat speed") || !strings.HasPrefix(rook.Changed[0].By, "+") {
		t.Errorf("Rook: %+v", rook.Changed)
	}
	if len(juniper.Changed) != 0 || juniper.Same != "no detectable change in 1 measure" || juniper.Swings != 6 {
		t.Errorf("Juniper: %+v", juniper)
	}
	if !ozzie.NoConsent || rook.NoConsent || ozzie.Speed != "" || len(ozzie.Gaps) != 1 || ozzie.Gaps[0].Swings != 6 || ozzie.Gaps[0].Measures != 1 {
		t.Errorf("Ozzie: %+v", ozzie)
	}
	if tamsin.Swings != 0 || tamsin.Other != 1 || len(s.Failed) != 1 || s.Failed[0].Do != "what to do about no_bat" || s.Failed[0].Why != "no bat is seen." {
		t.Errorf("Tamsin: %+v %+v", tamsin, s.Failed)
	}
	// The fault in five of six swings, then the change, then the clip to be filmed
	// again; nobody without a reason.
	var order []string
	for _, l := range s.First {
		order = append(order, l.Hitter)
	}
	if fmt.Sprint(order) != "[Juniper Sable Rook Calder Tamsin Vale]" || s.First[0].Why[0] != "back heel stays down, in 5 of 6 swings" || s.First[0].Try == "" {
		t.Errorf("%+v", s.First)
	}
}

// TestBallsAreNotMixed: a hitter who was at the tee last night is held against
// earlier nights at the tee, not against pitches.
func TestBallsAreNotMixed(t *testing.T) {
	var events []event.Event
	for _, day := range []int{-21, -14, -7, 0} {
		for i := range 6 {
			w := float64(i%3) - 1 + float64(day%2)/2
			events = append(events, clip{hitter: "Rook Calder", day: day, mph: 50 + w, ball: vision.FromTee}.event(t))
			if day < 0 {
				events = append(events, clip{hitter: "Rook Calder", day: day, mph: 60 + w, ball: vision.FromPitch}.event(t))
			}
		}
	}
	src := fourSessions(t)
	src.Events = events
	s, err := New(src)
	if err != nil {
		t.Fatal(err)
	}
	if h := s.Hitters[0]; len(h.Changed) != 0 || h.Only != "off a tee only" || !strings.HasSuffix(h.ChangeWords(), "no detectable change in 1 measure (off a tee only)") {
		t.Errorf("%+v", h)
	}
}

// TestQuietNight: nothing came in, and that is said.
func TestQuietNight(t *testing.T) {
	src := fourSessions(t)
	src.Since, src.Entries = night0.AddDate(0, 0, 5), nil
	s, err := New(src)
	if err != nil || !s.Empty() || s.Summary() != "Nothing came in." || len(s.First) != 0 {
		t.Errorf("%v %+v", err, s)
	}
}

// TestPage: both forms name every hitter, reason and caution; the page asks
// nothing of a network, and a name cannot put markup into it.
func TestPage(t *testing.T) {
	src := fourSessions(t)
	evil := `</title><script>alert("x")</script>`
	src.Events = append(src.Events, clip{hitter: evil, mph: 30, failed: "<img src=x>\x1b[2J"}.event(t))
	src.Team = evil
	s, err := New(src)
	if err != nil {
		t.Fatal(err)
	}
	var page, text bytes.Buffer
	if err := s.HTML(&page); err != nil {
		t.Fatal(err)
	}
	if err := s.Text(&text); err != nil {
		t.Fatal(err)
	}
	if m := regexp.MustCompile(`<script|<img|src=|href=|url\(|https?:|@import`).FindString(strings.ReplaceAll(page.String(), "&lt;", "")); m != "" && m != "src=" {
		t.Errorf("page has %q", m)
	}
	if strings.Contains(page.String(), "<script") || strings.Contains(text.String(), "\x1b[2J</") {
		t.Error("a name became markup")
	}
	want := append([]string{"Rook Calder", "back heel stays down, in 5 of 6 swings", "no consent: show to nobody",
		"cannot be read from this camera position", "what to do about no_bat", "still to be measured"}, metrics.Cautions()...)
	for _, w := range want {
		if !strings.Contains(text.String(), w) {
			t.Errorf("text lacks %q", w)
		}
		if !strings.Contains(strings.ReplaceAll(page.String(), "&#39;", "'"), w) {
			t.Errorf("page lacks %q", w)
		}
	}
	if dir := os.Getenv("NIGHTCAGE_TEST_PAGES"); dir != "" { // to look at
		s, err = New(fourSessions(t))
		if err != nil {
			t.Fatal(err)
		}
		f, err := os.Create(filepath.Join(dir, s.FileName()))
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		if err := s.HTML(f); err != nil {
			t.Fatal(err)
		}
	}
}

func TestFileName(t *testing.T) {
	for team, want := range map[string]string{
		"Cinder Creek Comets": "morning-cinder-creek-comets.html",
		"../../x":             "morning-x.html",
		"":                    "morning-no-team.html",
		"/etc/passwd\n":       "morning-etc-passwd.html",
		"\u00c9toile":         "morning-\u00e9toile.html",
	} {
		if got := (Sheet{Team: team}).FileName(); got != want || filepath.Base(got) != got {
			t.Errorf("%q: %q, want %q", team, got, want)
		}
	}
	if n := len((Sheet{Team: strings.Repeat("a", 500)}).FileName()); n > 120 {
		t.Errorf("%d letters", n)
	}
}

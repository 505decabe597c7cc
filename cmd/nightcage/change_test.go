package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/cloudevents/sdk-go/v2/event"

	"nightcage/cmd/internal/report"
	"nightcage/metrics"
	"nightcage/metrics/change"
	"nightcage/phases"
	"nightcage/vision"
	"nightcage/worker"
)

// outing is what one session adds to a hitter's swings.
type outing struct {
	hitter string
	on     string // day
	speed  float64
	swings int
}

// recorded makes the records of outings of the Cinder Creek Comets, the measures
// of every swing scattered about the session's mean.
func recorded(t *testing.T, rng *rand.Rand, outings []outing, sessionSD, swingSD float64) []event.Event {
	t.Helper()
	var out []event.Event
	for k, o := range outings {
		shift := sessionSD * rng.NormFloat64()
		for n := range o.swings {
			v, u := o.speed+shift+swingSD*rng.NormFloat64(), 1.2
			low, high := v-1.96*u, v+1.96*u
			var s metrics.Swing
			s.Status = metrics.StatusMeasured
			s.Subject.Hitter, s.Subject.Team, s.Subject.Filmed = o.hitter, "Cinder Creek Comets", o.on
			s.Timeline.Kind = phases.KindSwing
			s.Measures = []metrics.Result{{ID: "bat_speed_contact", Unit: "mph", UCUM: "[mi_i]/h", Value: &v, Sigma: &u, Low95: &low, High95: &high, Grade: metrics.GradeMeasured}}
			e := event.New()
			e.SetID(fmt.Sprintf("%032d-%d", k, n+1))
			e.SetType(worker.TypeMeasured)
			e.SetSource("/nightcage/teams/cinder-creek-comets")
			e.SetSubject(o.hitter)
			e.SetTime(time.Date(2026, 12, 1, 3, 0, 0, 0, time.UTC))
			if err := e.SetData(event.ApplicationJSON, s); err != nil {
				t.Fatal(err)
			}
			out = append(out, e)
		}
	}
	return out
}

// comets is a season of four hitters, a session a week: Rook Calder gains gain
// mph from October on, the others nothing.
func comets(gain float64) []outing {
	var out []outing
	for week := range 12 {
		day := time.Date(2026, 9, 1+7*week, 0, 0, 0, 0, time.UTC)
		for i, hitter := range []string{"Rook Calder", "Juniper Sable", "Ozzie Marlow", "Tamsin Vale"} {
			o := outing{hitter: hitter, on: day.Format(time.DateOnly), speed: 55 + 2*float64(i), swings: 6 + week%3}
			if hitter == "Rook Calder" && day.Month() >= time.October {
				o.speed += gain
			}
			out = append(out, o)
		}
	}
	return out
}

func asked(t *testing.T, events []event.Event, hitter string, o changeOptions) report.Change {
	t.Helper()
	o.asJSON = true
	var out bytes.Buffer
	if err := o.run(events, hitter, &out); err != nil {
		t.Fatal(err)
	}
	var c report.Change
	if err := json.Unmarshal(out.Bytes(), &c); err != nil {
		t.Fatalf("%v in %s", err, out.String())
	}
	return c
}

// TestSeason simulates seasons. The change that one hitter made is found and the
// shams of the three who made none are not, at the rates that change promises.
func TestSeason(t *testing.T) {
	const seasons = 150
	o := changeOptions{measures: []string{"bat_speed_contact"}, since: "2026-10-01"}
	rng := rand.New(rand.NewPCG(20, 26))
	real, sham := 0, 0
	for range seasons {
		events := recorded(t, rng, comets(3), 1, 2.5)
		if asked(t, events, "rook calder", o).Lines[0].Verdict == change.Changed {
			real++
		}
		if asked(t, events, "Tamsin Vale", o).Lines[0].Verdict == change.Changed {
			sham++
		}
	}
	t.Logf("of %d seasons: a change of 3 mph found in %d, a sham one in %d", seasons, real, sham)
	// 3 mph is 4.4 standard errors of this season: found nearly always. Shams: 5 %,
	// plus four standard errors of 150 draws.
	if real < seasons*95/100 || sham > seasons*12/100 {
		t.Errorf("of %d seasons: a change of 3 mph found in %d, a sham one in %d", seasons, real, sham)
	}
}

func TestChangeSays(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	events := recorded(t, rng, comets(3), 1, 2.5)
	for _, c := range []struct {
		name   string
		events []event.Event
		hitter string
		o      changeOptions
		want   []string
	}{
		{"a change", events, "Rook Calder", changeOptions{measures: []string{"bat_speed_contact"}, since: "2026-10-01"},
			[]string{"bat speed at contact: changed", "mph \u00b1", "MDC95", "sessions"}},
		{"no change, and what would tell", events, "Tamsin Vale", changeOptions{measures: []string{"bat_speed_contact"}, since: "2026-10-01", worth: 2.2},
			[]string{"no detectable change", "would show", "four cases of five"}},
		{"too little to see", events, "Tamsin Vale", changeOptions{measures: []string{"bat_speed_contact"}, since: "2026-10-01", worth: .3},
			[]string{"0.30 mph is out of reach"}},
		{"all measures", events, "Rook Calder", changeOptions{since: "2026-10-01"},
			[]string{"\nchanged\n", "\nnot enough swings\n"}},
		{"one hitter's two evenings", recorded(t, rng, []outing{{"Rook Calder", "2026-09-01", 55, 9}, {"Rook Calder", "2026-09-08", 65, 9}}, 0, 1), "Rook Calder",
			changeOptions{measures: []string{"bat_speed_contact"}}, []string{"not enough swings", "several days"}},
	} {
		var out bytes.Buffer
		if err := c.o.run(c.events, c.hitter, &out); err != nil {
			t.Errorf("%s: %v", c.name, err)
		}
		for _, w := range c.want {
			if !strings.Contains(out.String(), w) {
				t.Errorf("%s: lacks %q:\n%s", c.name, w, out.String())
			}
		}
	}
}

// TestChangeByBall: a hitter who goes to the tee, where every bat is slower, has not
// changed; the answer says what is mixed, and --ball parts it.
func TestChangeByBall(t *testing.T) {
	var outings []outing
	for week := range 12 {
		day := time.Date(2026, 9, 1+7*week, 0, 0, 0, 0, time.UTC).Format(time.DateOnly)
		outings = append(outings, outing{"Rook Calder", day, 60, 8})
		if week >= 6 {
			outings = append(outings, outing{"Rook Calder", day, 50, 8})
		}
	}
	events := recorded(t, rand.New(rand.NewPCG(8, 8)), outings, .5, 1)
	for i := range events {
		var s metrics.Swing
		if err := events[i].DataAs(&s); err != nil {
			t.Fatal(err)
		}
		s.Subject.Ball = vision.FromPitch
		if *s.Measures[0].Value < 55 {
			s.Subject.Ball = vision.FromTee
		}
		if err := events[i].SetData(event.ApplicationJSON, s); err != nil {
			t.Fatal(err)
		}
	}
	o := changeOptions{measures: []string{"bat_speed_contact"}, since: "2026-10-13"}
	if c := asked(t, events, "Rook Calder", o); c.Lines[0].Verdict != change.Changed || len(c.Balls) != 2 {
		t.Errorf("mixed: %s, balls %v", c.Lines[0].Verdict, c.Balls)
	}
	var out bytes.Buffer
	if err := o.run(events, "Rook Calder", &out); err != nil || !strings.Contains(out.String(), "Mixed: swings at pitches, swings off a tee.") {
		t.Errorf("%v:\n%s", err, out.String())
	}
	o.ball.from = string(vision.FromPitch)
	if c := asked(t, events, "Rook Calder", o); c.Lines[0].Verdict != change.NoDetectable || len(c.Balls) != 1 {
		t.Errorf("at pitches alone: %s, balls %v", c.Lines[0].Verdict, c.Balls)
	}
	o.ball.from = "balloon"
	if err := o.run(events, "Rook Calder", &out); exitCode(err) != exitUsage {
		t.Errorf("a ball from a balloon: %v", err)
	}
}

func TestChangeRefuses(t *testing.T) {
	events := recorded(t, rand.New(rand.NewPCG(1, 1)), comets(0), 1, 1)
	for _, c := range []struct {
		hitter string
		o      changeOptions
		code   int
	}{
		{"Nobody Known", changeOptions{}, exitUsage},
		{"Rook Calder", changeOptions{measures: []string{"bat_sped"}}, exitUsage},
		{"Rook Calder", changeOptions{since: "yesterday"}, exitUsage},
		{"Rook Calder", changeOptions{worth: 2}, exitUsage},
	} {
		var out bytes.Buffer
		if err := c.o.run(events, c.hitter, &out); exitCode(err) != c.code || out.Len() > 0 {
			t.Errorf("%s, %+v: %v, printed %q", c.hitter, c.o, err, out.String())
		}
	}
}

func TestCompareHitters(t *testing.T) {
	outings := comets(0)
	for i := range outings {
		if outings[i].hitter == "Tamsin Vale" {
			outings[i].speed += 8
		}
	}
	events := recorded(t, rand.New(rand.NewPCG(4, 4)), outings, 1, 2)
	for _, c := range []struct{ a, b, want string }{
		{"Rook Calder", "Tamsin Vale", "They differ in:"},
		{"Rook Calder", "Rook Calder", "They differ in nothing"},
	} {
		var out bytes.Buffer
		o := compareOptions{measures: []string{"bat_speed_contact"}}
		if err := o.people(events, c.a, c.b, &out); err != nil || !strings.HasPrefix(out.String(), c.want) {
			t.Errorf("%s against %s: %v\n%s", c.a, c.b, err, out.String())
		}
	}
}

// TestOtherTeamsStayOut: what sessions change is learnt from the hitter's own
// team.
func TestOtherTeamsStayOut(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 8))
	o := changeOptions{measures: []string{"bat_speed_contact"}, since: "2026-10-01"}
	events := recorded(t, rng, comets(0), 1, 2)
	alone := asked(t, events, "Rook Calder", o).Lines[0].Pooled
	for _, e := range recorded(t, rng, comets(0), 1, 2) {
		if e.Subject() == "Rook Calder" {
			continue
		}
		var s metrics.Swing
		if err := e.DataAs(&s); err != nil {
			t.Fatal(err)
		}
		s.Subject.Team = "Alder Flat Otters"
		e.SetSubject(e.Subject() + " of the Otters")
		if err := e.SetData(event.ApplicationJSON, s); err != nil {
			t.Fatal(err)
		}
		events = append(events, e)
	}
	if pooled := asked(t, events, "Rook Calder", o).Lines[0].Pooled; pooled != alone || alone == 0 {
		t.Errorf("%d periods of others with a second team in the store, %d without", pooled, alone)
	}
}

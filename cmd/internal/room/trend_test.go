package room

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/cloudevents/sdk-go/v2/event"

	"nightcage/metrics"
	"nightcage/metrics/change"
	"nightcage/phases"
	"nightcage/vision"
	"nightcage/worker"
)

// seasonHome is a home with a season of the Cinder Creek Comets: sessions a week
// apart, in which Rook Calder gains gain mph for the last of them, Juniper Sable
// nothing.
func seasonHome(t testing.TB, sessions, swings int, gain float64) string {
	t.Helper()
	dir := t.TempDir()
	_, records, ledger := openHome(t, dir)
	rng := rand.New(rand.NewPCG(83010, 1))
	n := 0
	for week := range sessions {
		day := time.Date(2026, 9, 1+7*week, 0, 0, 0, 0, time.UTC)
		for _, hitter := range []string{"Rook Calder", "Juniper Sable"} {
			shift := rng.NormFloat64() / 2
			for range swings {
				n++
				v, sigma := 58+shift+rng.NormFloat64(), 1.2
				if hitter == "Rook Calder" && week == sessions-1 {
					v += gain
				}
				low, high := v-1.96*sigma, v+1.96*sigma
				grade := metrics.GradeMeasured
				if n%3 == 0 {
					grade = metrics.GradeEstimated
				}
				s := metrics.Swing{Status: metrics.StatusMeasured, Timeline: phases.Timeline{Kind: phases.KindSwing},
					Subject:  vision.Subject{Hitter: hitter, Team: "Cinder Creek Comets", Filmed: day.Format(time.DateOnly)},
					Measures: []metrics.Result{{ID: "bat_speed_contact", Unit: "mph", UCUM: "[mi_i]/h", Value: &v, Sigma: &sigma, Low95: &low, High95: &high, Grade: grade}}}
				j := worker.Job{ID: fmt.Sprintf("%032x", n), Clip: "/clips/a.mp4", ClipSHA256: fmt.Sprintf("%064x", n), Subject: s.Subject, SubmittedAt: day.Add(time.Duration(n) * time.Minute)}
				e := event.New()
				e.SetID(worker.RecordID(j.ID, 1))
				e.SetType(worker.TypeMeasured)
				e.SetSource("/nightcage/teams/cinder-creek-comets")
				e.SetSubject(hitter)
				e.SetTime(day.Add(20 * time.Hour))
				e.SetExtension("clipsha256", j.ClipSHA256)
				e.SetExtension("team", s.Subject.Team)
				if err := e.SetData(event.ApplicationJSON, s); err != nil {
					t.Fatal(err)
				}
				b, err := json.Marshal(e)
				if err == nil {
					err = records.Put(j.ID, []worker.File{{Name: "1/record.json", Bytes: b}})
				}
				if err == nil {
					_, _, err = ledger.Add(t.Context(), j)
				}
				if err == nil {
					err = ledger.Measured(t.Context(), j.ID, 1)
				}
				if err != nil {
					t.Fatal(err)
				}
			}
		}
	}
	return dir
}

// ask returns the page at a path.
func ask(t testing.TB, rm *Room, path string, want int) string {
	t.Helper()
	w := httptest.NewRecorder()
	rm.ServeHTTP(w, httptest.NewRequestWithContext(t.Context(), http.MethodGet, "http://localhost"+path, nil))
	if w.Code != want {
		t.Fatalf("%s: %d, want %d: %.300s", path, w.Code, want, w.Body)
	}
	return w.Body.String()
}

func trendOf(hitter string, more ...string) string {
	q := url.Values{"team": {"Cinder Creek Comets"}, "hitter": {hitter}}
	for i := 0; i+1 < len(more); i += 2 {
		q.Set(more[i], more[i+1])
	}
	return "/trend/hitter?" + q.Encode()
}

// A gain of ten standard deviations of a session shows, none does not, and two
// sessions of one swing say nothing: the page has the words, not an arrow.
func TestTrendAnswers(t *testing.T) {
	for _, c := range []struct {
		sessions, swings int
		gain             float64
		want             string
	}{{6, 4, 6, "changed"}, {6, 4, 0, "no detectable change"}, {2, 1, 6, "not enough swings"}} {
		rm := openRoom(t, seasonHome(t, c.sessions, c.swings, c.gain))
		body := ask(t, rm, trendOf("Rook Calder"), http.StatusOK)
		_, verdict, _ := strings.Cut(body, `class="verdict"`)
		verdict, _, _ = strings.Cut(verdict, "</p>")
		if !strings.HasSuffix(verdict, "</span> "+c.want) {
			t.Errorf("%+v: the page answers %q", c, verdict)
		}
		if n := strings.Count(body, "<circle"); n != c.sessions*c.swings {
			t.Errorf("%+v: %d dots", c, n)
		}
		if n := strings.Count(body, `class="err"`); n != c.sessions*c.swings {
			t.Errorf("%+v: %d error bars", c, n)
		}
		if hatched := strings.Contains(body, `class="hatched"`); hatched != (c.want != "not enough swings") {
			t.Errorf("%+v: hatched %v", c, hatched)
		}
	}
}

// What the plot draws is where the numbers say.
func TestTrendPlotIsToScale(t *testing.T) {
	rm := openRoom(t, seasonHome(t, 4, 3, 0))
	o, err := rm.team(t.Context(), "cinder creek comets")
	if err != nil {
		t.Fatal(err)
	}
	d, _ := metrics.Lookup("bat_speed_contact")
	mine := o.swings[:0:0]
	for _, s := range o.swings {
		if s.Hitter == "Rook Calder" {
			mine = append(mine, s)
		}
	}
	p, rows := newTrendPlot(mine, d, mine[9].At, change.Answer{Before: change.Spread{Mean: 54}, After: change.Spread{Mean: 56}, Difference: 2, Detectable: 3})
	if len(p.Dots) != 12 || len(p.Columns) != 4 || len(rows) != 4 {
		t.Fatalf("%d dots in %d columns, %d rows", len(p.Dots), len(p.Columns), len(rows))
	}
	// px of one mph, by the band, which is 6 mph tall
	scale := p.BandTall / 6
	for i, s := range mine {
		v := *s.Record.Measures[0].Value
		if got, want := p.Dots[i].Y-p.Before.Y, (54-v)*scale; got-want > .3 || want-got > .3 {
			t.Errorf("swing %d lies %.1f px from the mean, want %.1f", i, got, want)
		}
		if i > 0 && p.Dots[i].At <= p.Dots[i-1].At {
			t.Errorf("swing %d is not to the right of the one before", i)
		}
		if later := p.Dots[i].At > p.SplitAt; later != (i >= 9) {
			t.Errorf("swing %d: later %v", i, later)
		}
	}
	for _, c := range p.Columns {
		if c.At < 0 || c.At+c.Width > 100 {
			t.Errorf("column at %v, %v wide", c.At, c.Width)
		}
	}
	if len(p.Ticks) < 3 || len(p.Ticks) > 9 {
		t.Errorf("%d ticks", len(p.Ticks))
	}
}

// A list that was read is read again when a clip is added, and not before.
func TestSeasonIsReadOnce(t *testing.T) {
	dir := seasonHome(t, 2, 2, 0)
	rm := openRoom(t, dir)
	a, err := rm.team(t.Context(), "Cinder Creek Comets")
	if err != nil {
		t.Fatal(err)
	}
	b, err := rm.team(t.Context(), "Cinder Creek Comets")
	if err != nil || len(a.swings) != 8 || &a.swings[0] != &b.swings[0] {
		t.Fatalf("%d swings, read again or not: %v", len(a.swings), err)
	}
	j := worker.Job{ID: fmt.Sprintf("%032x", 900), Clip: "/clips/b.mp4", ClipSHA256: fmt.Sprintf("%064x", 900),
		Subject: vision.Subject{Hitter: "Rook Calder", Team: "Cinder Creek Comets"}, SubmittedAt: time.Now()}
	if _, _, err := rm.Ledger.Add(t.Context(), j); err != nil {
		t.Fatal(err)
	}
	if err := rm.Ledger.Measured(t.Context(), j.ID, 1); err != nil {
		t.Fatal(err)
	}
	c, err := rm.team(t.Context(), "Cinder Creek Comets")
	if err != nil || c.damaged != 1 { // there is no record of it
		t.Fatalf("%d damaged: %v", c.damaged, err)
	}
}

func TestTrendRefuses(t *testing.T) {
	rm := openRoom(t, seasonHome(t, 1, 1, 0))
	ask(t, rm, trendOf("Nobody"), http.StatusNotFound)
	ask(t, rm, trendOf("Rook Calder", "measure", "grit"), http.StatusNotFound)
	ask(t, rm, trendOf("rook calder", "measure", "stride_length_toe_touch", "since", "x"), http.StatusOK)
	if body := ask(t, rm, "/trend", http.StatusOK); !strings.Contains(body, "Juniper Sable") {
		t.Error("the list leaves a hitter out")
	}
	if body := ask(t, emptyRoom(t), "/trend", http.StatusOK); !strings.Contains(body, word("trend.nobody")) {
		t.Error("an empty home does not say so")
	}
}

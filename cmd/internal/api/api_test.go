package api

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/cloudevents/sdk-go/v2/event"
	"github.com/rs/zerolog"

	"nightcage/cmd/internal/room/correct"
	"nightcage/metrics"
	"nightcage/phases"
	"nightcage/vision"
	"nightcage/vision/truth"
	"nightcage/worker"
)

const team = "Cinder Creek Comets"

// shelf is a home with measured clips behind an API.
type shelf struct {
	api     *API
	handler http.Handler
	ids     []string // of swings, newest first
	clips   int
}

func newShelf(t *testing.T) *shelf {
	t.Helper()
	home, err := worker.OpenHome(filepath.Join(t.TempDir(), "home"))
	if err != nil {
		t.Fatal(err)
	}
	records, err := worker.OpenRecords(home.RecordsDir())
	if err != nil {
		t.Fatal(err)
	}
	ledger, err := worker.OpenLedger(t.Context(), home.LedgerPath())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { ledger.Close() })
	s := &shelf{api: &API{Ledger: ledger, Records: records, Corrections: correct.Of(home), Log: zerolog.New(zerolog.NewTestWriter(t))}}
	if s.handler, err = s.api.Handler(); err != nil {
		t.Fatal(err)
	}
	return s
}

// measured is what the pipeline makes of a swing whose every place is known.
func measured(t *testing.T) metrics.Swing {
	t.Helper()
	f, err := truth.Read(filepath.Join("..", "..", "..", "testdata", "clips", "s77001_04.json.gz"))
	if err != nil {
		t.Fatal(err)
	}
	track, err := truth.Track(f, truth.Options{})
	if err != nil {
		t.Fatal(err)
	}
	tl, err := phases.Find(*track)
	if err != nil {
		t.Fatal(err)
	}
	s, err := metrics.Measure(t.Context(), *track, tl, metrics.Options{Pipeline: "9.9"})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// add stores a clip of n swings, submitted a minute after the one before.
func (s *shelf) add(t *testing.T, hitter string, n int, swing metrics.Swing) {
	t.Helper()
	s.clips++
	at := time.Date(2026, 11, 20, 18, s.clips, 0, 0, time.UTC)
	sum := fmt.Sprintf("%064x", s.clips)
	j := worker.Job{ID: fmt.Sprintf("%032x", 0xabc000+s.clips), Clip: "/clips/a.mp4", ClipSHA256: sum, Pipeline: "9.9", SubmittedAt: at,
		Subject: vision.Subject{Hitter: hitter, Team: team, Bats: vision.SideRight}}
	swing.Subject, swing.Clip.SHA256 = j.Subject, sum
	var files []worker.File
	var ids []string
	for i := range n {
		e := event.New()
		e.SetID(worker.RecordID(j.ID, i+1))
		e.SetType(worker.TypeMeasured)
		e.SetSource("/nightcage/teams/cinder-creek-comets")
		e.SetSubject(hitter)
		e.SetTime(at.Add(time.Hour))
		e.SetDataSchema("urn:nightcage:swing:1")
		e.SetExtension("team", team)
		e.SetExtension("clipsha256", sum)
		if err := e.SetData(event.ApplicationJSON, swing); err != nil {
			t.Fatal(err)
		}
		b, err := json.Marshal(e)
		if err != nil {
			t.Fatal(err)
		}
		files = append(files, worker.File{Name: fmt.Sprintf("%d/record.json", i+1), Bytes: b}, worker.File{Name: fmt.Sprintf("%d/contact.jpg", i+1), Bytes: []byte("\xff\xd8 a picture")})
		ids = append(ids, e.ID())
	}
	if err := s.api.Records.Put(j.ID, files); err != nil {
		t.Fatal(err)
	}
	if _, _, err := s.api.Ledger.Add(t.Context(), j); err != nil {
		t.Fatal(err)
	}
	if err := s.api.Ledger.Measured(t.Context(), j.ID, n); err != nil {
		t.Fatal(err)
	}
	s.ids = append(ids, s.ids...)
}

func (s *shelf) agree(t *testing.T, hitter string) {
	t.Helper()
	if err := s.api.Ledger.TellConsent(t.Context(), team, hitter, worker.Consent{By: worker.ConsentGuardian, Told: time.Now()}); err != nil {
		t.Fatal(err)
	}
}

// get asks and returns the answer with its body.
func (s *shelf) get(t *testing.T, address string, header ...string) (*http.Response, []byte) {
	t.Helper()
	r := httptest.NewRequestWithContext(t.Context(), http.MethodGet, address, nil)
	for i := 0; i+1 < len(header); i += 2 {
		r.Header.Set(header[i], header[i+1])
	}
	w := httptest.NewRecorder()
	s.handler.ServeHTTP(w, r)
	return w.Result(), w.Body.Bytes()
}

func into[T any](t *testing.T, body []byte) T {
	t.Helper()
	var v T
	if err := json.Unmarshal(body, &v); err != nil {
		t.Fatalf("%v\n%s", err, body)
	}
	return v
}

func TestPagesHoldEverySwingOnce(t *testing.T) {
	s := newShelf(t)
	s.agree(t, "Rook Calder")
	for i := range 7 {
		s.add(t, "Rook Calder", 1+i%3, metrics.Swing{})
	}
	for limit := 1; limit <= len(s.ids)+1; limit++ {
		var got []string
		pages := 0
		for next := fmt.Sprintf("%sswings?limit=%d", Prefix, limit); next != ""; pages++ {
			r, body := s.get(t, next)
			if r.StatusCode != http.StatusOK || pages > len(s.ids) {
				t.Fatalf("%s: %s, page %d", next, r.Status, pages)
			}
			p := into[swingPage](t, body)
			for _, w := range p.Swings {
				got = append(got, w.ID)
			}
			next = p.Next
		}
		if !slices.Equal(got, s.ids) {
			t.Errorf("limit %d: swings %v, want %v", limit, got, s.ids)
		}
		if want := (len(s.ids) + limit - 1) / limit; pages != want {
			t.Errorf("limit %d: %d pages, want %d", limit, pages, want)
		}
	}
	// A clip that comes in between two pages shifts nothing.
	_, body := s.get(t, Prefix+"swings?limit=3")
	first := into[swingPage](t, body)
	before := slices.Clone(s.ids)
	s.add(t, "Rook Calder", 1, metrics.Swing{})
	_, body = s.get(t, first.Next)
	if second := into[swingPage](t, body); second.Swings[0].ID != before[3] {
		t.Errorf("the second page begins with %s, want %s", second.Swings[0].ID, before[3])
	}
	for _, bad := range []string{"limit=0", "limit=201", "limit=x", "after=x", "after=MSAy"} {
		if r, _ := s.get(t, Prefix+"swings?"+bad); r.StatusCode != http.StatusBadRequest {
			t.Errorf("%s: %s", bad, r.Status)
		}
	}
}

func TestWithoutConsentNothingIsShown(t *testing.T) {
	s := newShelf(t)
	s.agree(t, "Rook Calder")
	s.add(t, "Juniper Sable", 1, metrics.Swing{})
	hidden := s.ids[0]
	s.add(t, "Rook Calder", 2, metrics.Swing{})
	for _, path := range []string{"swings", "hitters", "swings?hitter=juniper%20sable"} {
		r, body := s.get(t, Prefix+path)
		if r.StatusCode != http.StatusOK || strings.Contains(string(body), "Juniper") || !strings.Contains(string(body), `"withheld":1`) {
			t.Errorf("%s: %s\n%s", path, r.Status, body)
		}
	}
	for _, path := range []string{"", "/stills", "/stills/contact.jpg"} {
		r, body := s.get(t, Prefix+"swings/"+hidden+path)
		if r.StatusCode != http.StatusForbidden || strings.Contains(string(body), "Juniper") {
			t.Errorf("%s: %s\n%s", path, r.Status, body)
		}
	}
	s.agree(t, "Juniper Sable")
	if r, _ := s.get(t, Prefix+"swings/"+hidden); r.StatusCode != http.StatusOK {
		t.Error("after consent:", r.Status)
	}
}

func TestAnswersAreTagged(t *testing.T) {
	s := newShelf(t)
	s.agree(t, "Rook Calder")
	s.add(t, "Rook Calder", 1, metrics.Swing{})
	for _, path := range []string{"swings", "swings/" + s.ids[0], "swings/" + s.ids[0] + "/stills/contact.jpg", "measures", "openapi.json"} {
		r, body := s.get(t, Prefix+path)
		tag := r.Header.Get("ETag")
		if r.StatusCode != http.StatusOK || tag == "" || len(body) == 0 {
			t.Errorf("%s: %s, tag %q, %d bytes", path, r.Status, tag, len(body))
		}
		if r, body := s.get(t, Prefix+path, "If-None-Match", tag); r.StatusCode != http.StatusNotModified || len(body) != 0 {
			t.Errorf("%s with its tag: %s, %d bytes", path, r.Status, len(body))
		}
		if r, _ := s.get(t, Prefix+path, "If-None-Match", `W/"other"`); r.StatusCode != http.StatusOK {
			t.Errorf("%s with another tag: %s", path, r.Status)
		}
	}
	r, _ := s.get(t, Prefix+"swings")
	s.add(t, "Rook Calder", 1, metrics.Swing{})
	if later, _ := s.get(t, Prefix+"swings", "If-None-Match", r.Header.Get("ETag")); later.StatusCode != http.StatusOK {
		t.Error("a list with a new swing:", later.Status)
	}
}

func TestAddressesReachNothingElse(t *testing.T) {
	s := newShelf(t)
	s.agree(t, "Rook Calder")
	s.add(t, "Rook Calder", 1, metrics.Swing{})
	id := s.ids[0]
	for _, path := range []string{
		"swings/" + id + "/stills/record.json", "swings/" + id + "/stills/..%2f1%2fcontact.jpg", "swings/" + id + "/stills/%2e%2e%2f%2e%2e%2fledger.db",
		"swings/..%2f..%2fledger.db-1", "swings/" + id[:8], "swings/" + id + "0", "swings/" + strings.Replace(id, "-1", "-01", 1), "swings/" + strings.Replace(id, "-1", "-2", 1),
		"swings/" + strings.ToUpper(id), "nothing", "",
	} {
		if r, body := s.get(t, Prefix+path); r.StatusCode != http.StatusNotFound || r.Header.Get("Content-Type") != "application/problem+json" {
			t.Errorf("%s: %s %s\n%s", path, r.Status, r.Header.Get("Content-Type"), body)
		}
	}
	for _, m := range []string{http.MethodPost, http.MethodPut, http.MethodDelete} {
		w := httptest.NewRecorder()
		s.handler.ServeHTTP(w, httptest.NewRequestWithContext(t.Context(), m, Prefix+"swings/"+id, nil))
		if w.Code != http.StatusMethodNotAllowed {
			t.Errorf("%s: %d", m, w.Code)
		}
	}
}

func TestFaultsAreToldApart(t *testing.T) {
	s := newShelf(t)
	s.agree(t, "Rook Calder")
	s.add(t, "Rook Calder", 1, metrics.Swing{})
	job, _, err := split(s.ids[0])
	if err != nil {
		t.Fatal(err)
	}
	rec, err := s.api.Records.Get(job)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(rec.Dir, "1", "record.json"), []byte("{}"), 0o600); err != nil {
		t.Fatal(err)
	}
	if r, body := s.get(t, Prefix+"swings/"+s.ids[0]); r.StatusCode != http.StatusInternalServerError || !strings.Contains(string(body), "damaged") {
		t.Errorf("damaged: %s\n%s", r.Status, body)
	}
	s.api.Ledger.Close()
	if r, body := s.get(t, Prefix+"swings"); r.StatusCode != http.StatusServiceUnavailable || strings.Contains(string(body), "sql") {
		t.Errorf("no ledger: %s\n%s", r.Status, body)
	}
	if _, err := s.api.measured(t.Context(), "", ""); !errors.Is(err, worker.ErrStorage) || errors.Is(err, context.Canceled) {
		t.Error(err)
	}
}

func TestCorrectionsAreShown(t *testing.T) {
	s := newShelf(t)
	s.agree(t, "Rook Calder")
	s.add(t, "Rook Calder", 2, measured(t))
	job, _, err := split(s.ids[0])
	if err != nil {
		t.Fatal(err)
	}
	right := measured(t)
	right.Notes = []string{"the knob was put right"}
	right.Clip.SHA256 = strings.Repeat("0", 63) + "1"
	if _, err := s.api.Corrections.Add(job, 2, correct.Kept{Correction: correct.Correction{By: "Coach Wren"}, Record: right}); err != nil {
		t.Fatal(err)
	}
	for i, id := range []string{job + "-1", job + "-2"} {
		_, body := s.get(t, Prefix+"swings/"+id)
		if got := strings.Contains(string(body), "the knob was put right") && strings.Contains(string(body), `"corrected":1`); got != (i == 1) {
			t.Errorf("%s: corrected %v", id, got)
		}
		check(t, id, ours(t, "openapi.json", openAPI, "/components/schemas/SwingEvent"), body)
	}
}

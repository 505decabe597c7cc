package room

import (
	"bytes"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"nightcage/cmd/internal/room/correct"
	"nightcage/worker/access"
)

func post(rm *Room, path, token, origin, body string) *httptest.ResponseRecorder {
	w := httptest.NewRecorder()
	r := httptest.NewRequest("POST", "http://localhost"+path, strings.NewReader(body))
	if token != "" {
		r.Header.Set("Authorization", "Bearer "+token)
	}
	if origin != "" {
		r.Header.Set("Origin", origin)
	}
	rm.ServeHTTP(w, r)
	return w
}

func tokenFor(t *testing.T, rm *Room, name string, scope access.Scope) string {
	t.Helper()
	secret, _, err := access.Open(rm.Home.TokensPath()).Create(name, []access.Scope{scope}, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	return secret
}

// Only a token of scope admin corrects, only from our own pages, only what can be.
func TestWhoMayCorrect(t *testing.T) {
	dir, job := playedHome(t)
	rm := openRoom(t, dir)
	admin, reader := tokenFor(t, rm, "Tamsin Vale", access.Admin), tokenFor(t, rm, "dugout tablet", access.Read)
	at := "/swing/" + job + "/1/corrections"
	good := `{"upon":0,"note":"","places":[],"instants":[{"event":"toe_touch","frame":110}]}`
	for name, c := range map[string]struct {
		path, token, origin, body string
		want                      int
	}{
		"no token":        {at, "", "", good, http.StatusUnauthorized},
		"a wrong token":   {at, "nightcage_00000000_x", "", good, http.StatusUnauthorized},
		"to look alone":   {at, reader, "", good, http.StatusForbidden},
		"another site":    {at, admin, "https://cinder-creek.example", good, http.StatusForbidden},
		"no such swing":   {"/swing/" + job + "/7/corrections", admin, "", good, http.StatusNotFound},
		"no JSON":         {at, admin, "", "{", http.StatusUnprocessableEntity},
		"another field":   {at, admin, "", `{"by":"somebody else"}`, http.StatusUnprocessableEntity},
		"nothing changed": {at, admin, "", `{"places":[],"instants":[]}`, http.StatusUnprocessableEntity},
		"no such event":   {at, admin, "", `{"instants":[{"event":"apex","frame":3}]}`, http.StatusUnprocessableEntity},
		"no such version": {at, admin, "", `{"upon":4,"instants":[{"event":"toe_touch","frame":110}]}`, http.StatusNotFound},
		"too long":        {at, admin, "", `{"note":"` + strings.Repeat("x", 3<<20) + `"}`, http.StatusUnprocessableEntity},
	} {
		if w := post(rm, c.path, c.token, c.origin, c.body); w.Code != c.want {
			t.Errorf("%s: %d, want %d: %.200s", name, w.Code, c.want, w.Body)
		}
	}
	if all, err := rm.kept.List(job, 1); err != nil || len(all) != 0 {
		t.Errorf("%d corrections were kept, %v", len(all), err)
	}
}

// A swing whose hitter is forgotten while it is measured again leaves no correction.
func TestForgottenMeanwhile(t *testing.T) {
	dir, job := playedHome(t)
	rm := openRoom(t, dir)
	admin := tokenFor(t, rm, "Tamsin Vale", access.Admin)
	srv := httptest.NewServer(rm) // a connection takes deadlines, a recorder does not
	defer srv.Close()
	rm.again.Lock() // the measuring waits here
	done := make(chan int)
	go func() {
		r, err := http.NewRequest("POST", srv.URL+"/swing/"+job+"/1/corrections", strings.NewReader(`{"instants":[{"event":"toe_touch","frame":110}]}`))
		if err == nil {
			r.Header.Set("Authorization", "Bearer "+admin)
			var w *http.Response
			if w, err = http.DefaultClient.Do(r); err == nil {
				w.Body.Close()
				done <- w.StatusCode
				return
			}
		}
		t.Error(err)
		done <- 0
	}()
	for !rm.measuring() {
		time.Sleep(10 * time.Millisecond)
	}
	if err := os.RemoveAll(filepath.Join(rm.Home.RecordsDir(), job)); err != nil {
		t.Error(err)
	}
	rm.again.Unlock()
	if code := <-done; code != http.StatusNotFound {
		t.Errorf("answered %d", code)
	}
	if _, err := os.Stat(filepath.Join(dir, "corrections", job)); err == nil {
		t.Error("a correction is left")
	}
}

// measuring reports whether the swing's stages have been read, after which nothing
// but measuring is to come.
func (rm *Room) measuring() bool {
	rm.shelf.mu.Lock()
	defer rm.shelf.mu.Unlock()
	return len(rm.shelf.keys) > 0
}

// What people set right can be had as training truth: which clip by its bytes, where,
// by whom, and none of the numbers that came of it.
func TestCorrectionsAreExported(t *testing.T) {
	dir, job := playedHome(t)
	rm := openRoom(t, dir)
	m, _ := rookCalder()
	p := correct.Place{Frame: 140, Point: correct.Tip, X: 500.5, Y: 300}
	k := correct.Kept{Correction: correct.Correction{By: "Tamsin Vale", At: time.Now(), Places: []correct.Place{p}},
		Clip: correct.ClipRef{SHA256: m.track.Clip.SHA256, Width: 1280, Height: 720}, Record: m.swing}
	if _, err := rm.kept.Add(job, 1, k); err != nil {
		t.Fatal(err)
	}
	var one []handTruth
	var all map[string][]handTruth
	if err := json.Unmarshal([]byte(unzip(t, get(t, rm, "/swing/"+job+"/1/corrections", http.StatusOK))), &one); err != nil {
		t.Fatal(err)
	}
	body := unzip(t, get(t, rm, "/corrections", http.StatusOK))
	if err := json.Unmarshal([]byte(body), &all); err != nil {
		t.Fatal(err)
	}
	for _, got := range [][]handTruth{one, all[job]} {
		if len(got) != 1 || got[0].Places[0] != p || got[0].Clip.SHA256 != m.track.Clip.SHA256 || got[0].By != "Tamsin Vale" || got[0].Number != 1 {
			t.Errorf("exported %+v", got)
		}
	}
	if bytes.Contains([]byte(body), []byte("measures")) {
		t.Error("the export holds the record")
	}
}

// From other machines every page asks for a token, and the page of a swing may be
// seen with one that is for looking.
func TestAfarAsksForAToken(t *testing.T) {
	rm := emptyRoom(t)
	rm.Afar = true
	reader := tokenFor(t, rm, "dugout tablet", access.Read)
	for _, path := range []string{"/", "/swings", "/static/style.css", "/corrections", "/tonight/live", "/nowhere"} {
		w := httptest.NewRecorder()
		rm.ServeHTTP(w, httptest.NewRequest("GET", "http://10.0.0.5:8080"+path, nil))
		if w.Code != http.StatusUnauthorized || !strings.Contains(strings.Join(w.Header().Values("WWW-Authenticate"), " "), "Basic") {
			t.Errorf("%s without a token: %d", path, w.Code)
		}
	}
	w := httptest.NewRecorder()
	r := httptest.NewRequest("GET", "http://10.0.0.5:8080/", nil)
	r.SetBasicAuth("coach", reader)
	rm.ServeHTTP(w, r)
	if w.Code != http.StatusOK {
		t.Errorf("with a token: %d", w.Code)
	}
}

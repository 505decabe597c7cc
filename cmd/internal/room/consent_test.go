package room

import (
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"nightcage/worker"
	"nightcage/worker/access"
)

// TestAfarNeedsConsent: a room that other machines reach shows a hitter only once
// somebody has consented, whatever the address; on this machine the coach sees
// all. What is told counts at once.
func TestAfarNeedsConsent(t *testing.T) {
	dir, jobID := playedHome(t)
	rm := openRoom(t, dir)
	secret, _, err := access.Open(rm.Home.TokensPath()).Create("tablet", []access.Scope{access.Read}, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	get := func(path string) (int, string) {
		r := httptest.NewRequest("GET", "http://localhost"+path, nil)
		r.SetBasicAuth("", secret)
		w := httptest.NewRecorder()
		rm.ServeHTTP(w, r)
		return w.Code, w.Body.String()
	}
	escaped := strings.NewReplacer("a", "%61", "0", "%30", "1", "%31").Replace(jobID)
	named := []string{"/swing/" + jobID + "/1", "/swing/" + jobID + "/1/corrections", "/swing/" + jobID + "/1/marks", "/swing/" + escaped + "/1",
		"/compare?a=" + jobID + "-1&b=" + jobID + "-1", "/compare?a=" + escaped + "-1&b=" + escaped + "-1"}
	lists := []string{"/", "/swings", "/trend", "/compare", "/compare/hitters"}
	shows := func(when string, want bool) {
		t.Helper()
		for _, path := range named {
			if code, _ := get(path); (code == http.StatusOK) != want || !want && code != http.StatusForbidden {
				t.Errorf("%s, %s: %d", when, path, code)
			}
		}
		for _, path := range lists {
			if code, body := get(path); code != http.StatusOK || strings.Contains(body, "Rook Calder") != want {
				t.Errorf("%s, %s: %d, or wrong hitters", when, path, code)
			}
		}
		if code, _ := get("/trend/hitter?team=Cinder+Creek+Comets&hitter=Rook+Calder"); (code == http.StatusOK) != want {
			t.Errorf("%s, trend: %d", when, code)
		}
	}
	shows("at the machine", true)
	rm.Afar = true
	shows("from afar, never asked", false)
	tell := func(by worker.ConsentBy) {
		t.Helper()
		if err := rm.Ledger.TellConsent(t.Context(), "Cinder Creek Comets", "Rook Calder", worker.Consent{By: by, Told: time.Now()}); err != nil {
			t.Fatal(err)
		}
	}
	tell(worker.ConsentGuardian)
	shows("agreed", true)
	tell(worker.ConsentNone)
	shows("withdrawn", false)
}

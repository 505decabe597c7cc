package room

import (
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
)

// A name of somebody else's that leads here (DNS rebinding) reads nothing.
func TestForeignHostIsRefused(t *testing.T) {
	rm := emptyRoom(t)
	for host, want := range map[string]int{
		"localhost:8080": http.StatusOK, "127.0.0.1:8080": http.StatusOK, "[::1]:8080": http.StatusOK, "127.9.9.9": http.StatusOK,
		"cinder-creek.example:8080": http.StatusForbidden, "10.0.0.5:8080": http.StatusForbidden, "": http.StatusForbidden,
		"localhost.cinder-creek.example": http.StatusForbidden,
	} {
		r := httptest.NewRequest("GET", "/", nil)
		r.Host = host
		w := httptest.NewRecorder()
		rm.ServeHTTP(w, r)
		if w.Code != want {
			t.Errorf("Host %q: %d, want %d", host, w.Code, want)
		}
	}
}

// No address leads out of the record store or the pages.
func TestNoWayOut(t *testing.T) {
	rm := emptyRoom(t)
	for _, path := range []string{
		"/static/../room.go", "/static/words.json", "/static/%2e%2e%2froom.go", "/swing/../../ledger.db/1",
		"/swing/%2e%2e%2f%2e%2e%2fledger.db/1", "/swing/00000000000000000000000000000000/1", "/etc/passwd",
	} {
		w := httptest.NewRecorder()
		rm.ServeHTTP(w, httptest.NewRequest("GET", "http://localhost"+path, nil))
		if w.Code == http.StatusOK {
			t.Errorf("%s: %d %.60q", path, w.Code, w.Body)
		}
	}
}

func TestPolicyAllowsNothingForeign(t *testing.T) {
	w := httptest.NewRecorder()
	emptyRoom(t).ServeHTTP(w, httptest.NewRequest("GET", "http://localhost/", nil))
	csp := w.Header().Get("Content-Security-Policy")
	if !strings.HasPrefix(csp, "default-src 'none'") || strings.Contains(csp, "unsafe") || strings.Contains(csp, "http") {
		t.Errorf("policy %q", csp)
	}
	if strings.Contains(w.Body.String(), "style=") || strings.Contains(w.Body.String(), "onclick=") {
		t.Error("the page has inline style or script, which its policy forbids")
	}
}

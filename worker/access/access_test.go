package access

import (
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"
)

func newTokens(t *testing.T) *Tokens {
	t.Helper()
	return Open(filepath.Join(t.TempDir(), "tokens.json"))
}

func create(t *testing.T, ts *Tokens, scopes ...Scope) (string, Token) {
	t.Helper()
	secret, made, err := ts.Create("film room", scopes, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	return secret, made
}

func TestScopesOfATokenAreWhatItAllows(t *testing.T) {
	t.Parallel()
	ts := newTokens(t)
	for _, has := range Scopes() {
		secret, made := create(t, ts, has)
		for _, need := range Scopes() {
			got, err := ts.Check(secret, need)
			want := has == need || has == Admin
			if want && (err != nil || got.ID != made.ID) || !want && !errors.Is(err, ErrScope) {
				t.Errorf("%s token asked for %s: %v", has, need, err)
			}
		}
	}
}

func TestTheFileHoldsNoSecret(t *testing.T) {
	t.Parallel()
	ts := newTokens(t)
	secret, made := create(t, ts, Read)
	b, err := os.ReadFile(ts.path)
	if err != nil {
		t.Fatal(err)
	}
	if strings.Contains(string(b), secret) || strings.Contains(string(b), secret[len(secretPrefix)+idLen+1:]) {
		t.Error("the secret is in the file")
	}
	info, err := os.Stat(ts.path)
	if err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("mode %v, %v", info.Mode(), err)
	}
	if !strings.HasPrefix(secret, secretPrefix+made.ID+"_") {
		t.Errorf("secret %q of %q", secret, made.ID)
	}
	// The hash in the file is no token.
	if _, err := ts.Check(made.SHA256, Read); !errors.Is(err, ErrNoToken) {
		t.Errorf("hash as token: %v", err)
	}
}

func TestARevokedTokenIsVoidAtOnceForEveryProcess(t *testing.T) {
	t.Parallel()
	ts := newTokens(t)
	secret, made := create(t, ts, Read)
	kept, _ := create(t, ts, Read)
	other := Open(ts.path)
	if _, err := other.Check(secret, Read); err != nil {
		t.Fatal(err)
	}
	if err := ts.Revoke(made.ID); err != nil {
		t.Fatal(err)
	}
	if _, err := other.Check(secret, Read); !errors.Is(err, ErrNoToken) {
		t.Errorf("revoked: %v", err)
	}
	if _, err := other.Check(kept, Read); err != nil {
		t.Errorf("the other token: %v", err)
	}
	if err := ts.Revoke(made.ID); !errors.Is(err, ErrUnknownToken) {
		t.Errorf("revoked twice: %v", err)
	}
}

func TestTokensMadeAtOnceAreAllKept(t *testing.T) {
	t.Parallel()
	ts := newTokens(t)
	var made sync.WaitGroup
	for i := range 20 {
		made.Go(func() {
			if _, _, err := Open(ts.path).Create(fmt.Sprint(i), []Scope{Read}, time.Now()); err != nil {
				t.Error(err)
			}
		})
	}
	made.Wait()
	all, err := ts.List()
	if err != nil || len(all) != 20 {
		t.Errorf("%d tokens, %v", len(all), err)
	}
}

func TestBadTokensAreRefused(t *testing.T) {
	t.Parallel()
	ts := newTokens(t)
	for name, scopes := range map[string][]Scope{
		" ": {Read}, "two\nlines": {Read}, strings.Repeat("x", maxName+1): {Read}, "none": nil, "odd": {"write"},
	} {
		if _, _, err := ts.Create(name, scopes, time.Now()); !errors.Is(err, ErrBadToken) {
			t.Errorf("%q, %v: %v", name, scopes, err)
		}
	}
	if err := os.WriteFile(ts.path, []byte("not JSON"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := ts.Check("x", Read); !errors.Is(err, ErrFile) {
		t.Errorf("damaged file: %v", err)
	}
	// A file that cannot be read is not overwritten by the next token.
	if _, _, err := ts.Create("x", []Scope{Read}, time.Now()); !errors.Is(err, ErrFile) {
		t.Errorf("create beside a damaged file: %v", err)
	}
}

// ask sends one request to a handler behind a read guard.
func ask(g *Guard, from string, set func(*http.Request)) *httptest.ResponseRecorder {
	r := httptest.NewRequest(http.MethodGet, "/", nil)
	r.RemoteAddr = from + ":1234"
	set(r)
	w := httptest.NewRecorder()
	g.Require(Read, http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		t, ok := Holder(r.Context())
		fmt.Fprint(w, t.Name, ok)
	})).ServeHTTP(w, r)
	return w
}

func bearer(secret string) func(*http.Request) {
	return func(r *http.Request) { r.Header.Set("Authorization", "Bearer "+secret) }
}

func TestGuardAnswersAsTheStandardsSay(t *testing.T) {
	t.Parallel()
	ts := newTokens(t)
	read, _ := create(t, ts, Read)
	submit, _ := create(t, ts, Submit)
	g := &Guard{Tokens: ts}
	for _, c := range []struct {
		why  string
		set  func(*http.Request)
		code int
		says string // in WWW-Authenticate
	}{
		// RFC 6750, section 3: a request without credentials gets 401 and a challenge without an error code.
		{"no token", func(*http.Request) {}, 401, `Bearer realm="nightcage"`},
		{"a wrong token", bearer("nightcage_abc"), 401, `Bearer realm="nightcage"`},
		// RFC 6750, section 3.1: insufficient_scope with 403.
		{"a token for other things", bearer(submit), 403, `error="insufficient_scope"`},
		{"the right token", bearer(read), 200, ""},
		// RFC 9110, section 11.1: the scheme's case does not matter.
		{"a scheme in capitals", func(r *http.Request) { r.Header.Set("Authorization", "BEARER "+read) }, 200, ""},
		{"a browser's password", func(r *http.Request) { r.SetBasicAuth("coach", read) }, 200, ""},
		{"a token in the URL", func(r *http.Request) { r.URL.RawQuery = "access_token=" + read }, 401, ""},
		{"a token as the name", func(r *http.Request) { r.SetBasicAuth(read, "") }, 401, ""},
		// Fetch Metadata (W3C): a page of another site had the browser send this.
		{"another site's form", func(r *http.Request) {
			r.SetBasicAuth("coach", read)
			r.Method = http.MethodPost
			r.Header.Set("Sec-Fetch-Site", "cross-site")
		}, 403, ""},
		{"our own form", func(r *http.Request) {
			r.SetBasicAuth("coach", read)
			r.Method = http.MethodPost
			r.Header.Set("Sec-Fetch-Site", "same-origin")
		}, 200, ""},
	} {
		w := ask(g, "192.0.2.1", c.set)
		if w.Code != c.code || !strings.Contains(strings.Join(w.Header().Values("WWW-Authenticate"), "\n"), c.says) {
			t.Errorf("%s: %d %v", c.why, w.Code, w.Header())
		}
		if w.Code == 200 && w.Body.String() != "film roomtrue" {
			t.Errorf("%s: holder %q", c.why, w.Body)
		}
	}
	if err := os.WriteFile(ts.path, []byte("not JSON"), 0o600); err != nil {
		t.Fatal(err)
	}
	if w := ask(g, "192.0.2.1", bearer(read)); w.Code != http.StatusServiceUnavailable {
		t.Errorf("damaged file: %d", w.Code)
	}
}

// RFC 6585, section 4: 429, with Retry-After.
func TestRatesAreHeld(t *testing.T) {
	t.Parallel()
	ts := newTokens(t)
	mine, _ := create(t, ts, Read)
	theirs, _ := create(t, ts, Read)
	g := &Guard{Tokens: ts}
	refused := 0
	for range tokenBurst + 40 {
		w := ask(g, "192.0.2.1", bearer(mine))
		if w.Code == http.StatusTooManyRequests {
			refused++
			if w.Header().Get("Retry-After") != "1" {
				t.Fatalf("Retry-After %q", w.Header().Get("Retry-After"))
			}
		}
	}
	if refused == 0 {
		t.Error("a token may ask without end")
	}
	if w := ask(g, "192.0.2.1", bearer(theirs)); w.Code != 200 {
		t.Errorf("another token from there: %d", w.Code)
	}
	for range guessBurst {
		if w := ask(g, "192.0.2.2", bearer("guess")); w.Code != 401 {
			t.Fatalf("guess: %d", w.Code)
		}
	}
	if w := ask(g, "192.0.2.2", bearer("guess")); w.Code != 429 || w.Header().Get("Retry-After") != "5" {
		t.Errorf("guess %d: %d, Retry-After %q", guessBurst+1, w.Code, w.Header().Get("Retry-After"))
	}
	if w := ask(g, "192.0.2.2", bearer(theirs)); w.Code != 200 {
		t.Errorf("a good token from where the guesses come: %d", w.Code)
	}
	if w := ask(g, "192.0.2.3", bearer(theirs)); w.Code != 200 {
		t.Errorf("another address: %d", w.Code)
	}
}

func TestLimitersDoNotGrowWithoutEnd(t *testing.T) {
	t.Parallel()
	var l limiters
	for i := range 3 * maxLimited {
		l.take(fmt.Sprint(i), 1, 1)
	}
	if len(l.of) != maxLimited || len(l.keys) != maxLimited {
		t.Errorf("%d limiters, %d keys", len(l.of), len(l.keys))
	}
}

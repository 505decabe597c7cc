package access

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net"
	"net/http"
	"strings"
	"sync"
	"time"

	"golang.org/x/time/rate"
)

// Rates, common practice, no source. A page of stills is some forty requests; a
// token that asks for more than a page a second is a program run wild. Guesses are
// slowed for the log's sake, 130 bits need no slowing; a good token from the same
// address is not held up by them.
const (
	tokenRate  rate.Limit = 40
	tokenBurst            = 120
	guessRate  rate.Limit = 0.2
	guessBurst            = 10
	maxLimited            = 4096 // limiters kept; beyond it the least recently made go
)

// Guard asks for a token. Its handlers may be called from several goroutines.
type Guard struct {
	Tokens *Tokens

	tokens, guesses limiters
}

type holderKey struct{}

// Holder returns the token that a request came with, in handlers behind Require.
func Holder(ctx context.Context) (Token, bool) {
	t, ok := ctx.Value(holderKey{}).(Token)
	return t, ok
}

// Require lets a request through to h when it carries a token with the scope. It
// answers 401 without one, 403 with one that is good for other things (RFC 6750,
// section 3.1), 429 with Retry-After when there are too many (RFC 6585, section 4),
// and 503 when the tokens cannot be read. A request that changes something and that
// another site's page made a browser send is refused with 403.
func (g *Guard) Require(need Scope, h http.Handler) http.Handler {
	h = http.NewCrossOriginProtection().Handler(h)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		host, _, err := net.SplitHostPort(r.RemoteAddr)
		if err != nil {
			host = r.RemoteAddr
		}
		secret, given := secretOf(r)
		t, err := g.Tokens.Check(secret, need)
		var wait time.Duration
		switch {
		case !given || errors.Is(err, ErrNoToken):
			if given {
				wait = g.guesses.take(host, guessRate, guessBurst)
			}
		case err == nil || errors.Is(err, ErrScope):
			wait = g.tokens.take(t.ID, tokenRate, tokenBurst)
		}
		switch {
		case wait > 0:
			w.Header().Set("Retry-After", fmt.Sprint(int(math.Ceil(wait.Seconds()))))
			http.Error(w, "too many requests", http.StatusTooManyRequests)
		case !given || errors.Is(err, ErrNoToken):
			w.Header().Add("WWW-Authenticate", `Bearer realm="nightcage"`)
			w.Header().Add("WWW-Authenticate", `Basic realm="nightcage: any name, the token as password", charset="UTF-8"`)
			http.Error(w, ErrNoToken.Error(), http.StatusUnauthorized)
		case errors.Is(err, ErrScope):
			w.Header().Set("WWW-Authenticate", fmt.Sprintf(`Bearer realm="nightcage", error="insufficient_scope", scope=%q`, need))
			http.Error(w, ErrScope.Error(), http.StatusForbidden)
		case err != nil:
			http.Error(w, ErrFile.Error(), http.StatusServiceUnavailable)
		default:
			h.ServeHTTP(w, r.WithContext(context.WithValue(r.Context(), holderKey{}, t)))
		}
	})
}

// secretOf reads the token of a request. It is never taken from the URL, which logs
// and histories keep.
func secretOf(r *http.Request) (secret string, given bool) {
	if _, password, ok := r.BasicAuth(); ok {
		return password, password != ""
	}
	kind, secret, ok := strings.Cut(r.Header.Get("Authorization"), " ")
	return secret, ok && strings.EqualFold(kind, "bearer") && secret != ""
}

// limiters is a limiter for each key.
type limiters struct {
	mu   sync.Mutex
	of   map[string]*rate.Limiter
	keys []string // oldest first
}

// take uses up one of the key's requests; when there is none it returns how long to
// wait for the next.
func (l *limiters) take(key string, per rate.Limit, burst int) time.Duration {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.of == nil {
		l.of = map[string]*rate.Limiter{}
	}
	if l.of[key] == nil {
		if len(l.keys) == maxLimited {
			delete(l.of, l.keys[0])
			l.keys = l.keys[1:]
		}
		l.of[key] = rate.NewLimiter(per, burst)
		l.keys = append(l.keys, key)
	}
	r := l.of[key].Reserve()
	wait := r.Delay()
	if wait > 0 {
		r.Cancel()
	}
	return wait
}

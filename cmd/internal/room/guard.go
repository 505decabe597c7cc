package room

import (
	"compress/gzip"
	"io"
	"net"
	"net/http"
	"strings"
	"sync"

	"nightcage/worker/access"
)

// policy lets a page load what this server serves and nothing else. Pictures may
// also come from memory (blob:), where frames are kept for stepping.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; connect-src 'self'; " +
	"form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

// ServeHTTP answers a request. Nothing that it serves may be kept by the browser
// or a proxy, except scripts and styles, whose addresses change with them: clips
// are often of minors.
func (rm *Room) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	h := w.Header()
	h.Set("Content-Security-Policy", policy)
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Referrer-Policy", "no-referrer")
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("Cache-Control", "no-store")
	if !rm.Afar && !here(r.Host) {
		// A page elsewhere that gave its own name our address (DNS rebinding)
		// would otherwise read everything here.
		http.Error(w, word("error.host"), http.StatusForbidden)
		return
	}
	zw := &zipped{ResponseWriter: w, accepts: strings.Contains(r.Header.Get("Accept-Encoding"), "gzip")}
	defer zw.close()
	if rm.Afar {
		rm.guard.Require(access.Read, http.HandlerFunc(rm.consented)).ServeHTTP(zw, r)
		return
	}
	http.NewCrossOriginProtection().Handler(rm.mux).ServeHTTP(zw, r)
}

// here reports whether a Host header names this machine's loopback.
func here(host string) bool {
	name, _, err := net.SplitHostPort(host)
	if err != nil {
		name = host
	}
	ip := net.ParseIP(strings.Trim(name, "[]"))
	return name == "localhost" || (ip != nil && ip.IsLoopback())
}

var zippers = sync.Pool{New: func() any { return gzip.NewWriter(io.Discard) }}

// zipped compresses text on its way out. Pictures and event streams pass as they
// are: the former are compressed, the latter have to leave at once.
type zipped struct {
	http.ResponseWriter
	accepts bool
	begun   bool
	zip     *gzip.Writer
}

func (z *zipped) WriteHeader(code int) {
	if z.begun {
		return
	}
	z.begun = true
	kind := z.Header().Get("Content-Type")
	z.Header().Add("Vary", "Accept-Encoding")
	if z.accepts && code == http.StatusOK && !strings.HasPrefix(kind, "image/") && !strings.HasPrefix(kind, "text/event-stream") {
		z.Header().Set("Content-Encoding", "gzip")
		z.Header().Del("Content-Length")
		z.zip = zippers.Get().(*gzip.Writer)
		z.zip.Reset(z.ResponseWriter)
	}
	z.ResponseWriter.WriteHeader(code)
}

func (z *zipped) Write(b []byte) (int, error) {
	z.WriteHeader(http.StatusOK)
	if z.zip != nil {
		return z.zip.Write(b)
	}
	return z.ResponseWriter.Write(b)
}

// Unwrap lets http.ResponseController reach the connection.
func (z *zipped) Unwrap() http.ResponseWriter { return z.ResponseWriter }

func (z *zipped) close() {
	if z.zip != nil {
		_ = z.zip.Close() // the browser may be gone
		z.zip.Reset(io.Discard)
		zippers.Put(z.zip)
	}
}

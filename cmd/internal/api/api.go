package api

import (
	"bytes"
	"context"
	"crypto/sha256"
	_ "embed"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"time"

	"github.com/rs/zerolog"
	"go.yaml.in/yaml/v3"

	"nightcage/cmd/internal/room/correct"
	"nightcage/metrics"
	"nightcage/worker"
)

// Prefix is where the handler of New is to be mounted.
const Prefix = "/api/v1/"

//go:embed openapi.yaml
var openAPI []byte

//go:embed asyncapi.yaml
var asyncAPI []byte

// API answers requests below Prefix. Its fields must be set.
type API struct {
	Ledger  *worker.Ledger
	Records *worker.Records
	// Corrections are what people corrected; a swing is shown as the last one has it.
	Corrections *correct.Store
	Log         zerolog.Logger
}

// Handler serves the addresses of openapi.yaml. Every answer has an ETag; a
// request whose If-None-Match still holds is answered with 304. Errors are problem
// details (RFC 9457).
func (a *API) Handler() (http.Handler, error) {
	docs := map[string][]byte{"schemas/swing.json": metrics.Schema()}
	for name, text := range map[string][]byte{"openapi.json": openAPI, "asyncapi.json": asyncAPI} {
		var err error
		if docs[name], err = asJSON(text); err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
	}
	mux := http.NewServeMux()
	get := func(path string, answer func(*http.Request) (reply, error)) {
		mux.HandleFunc("GET "+Prefix+path, func(w http.ResponseWriter, r *http.Request) {
			ans, err := answer(r)
			if err != nil {
				a.fail(w, r, err)
				return
			}
			ans.send(w, r)
		})
	}
	for name, doc := range docs {
		get(name, func(*http.Request) (reply, error) { return reply{"application/json", doc}, nil })
	}
	get("swings", a.swings)
	get("swings/{id}", a.swing)
	get("swings/{id}/stills", a.stills)
	get("swings/{id}/stills/{name}", a.still)
	get("hitters", a.hitters)
	get("measures", a.measures)
	mux.HandleFunc(Prefix, func(w http.ResponseWriter, r *http.Request) {
		if r.Method != http.MethodGet && r.Method != http.MethodHead {
			w.Header().Set("Allow", "GET, HEAD")
			a.fail(w, r, &badRequest{http.StatusMethodNotAllowed, "this interface only reads"})
			return
		}
		a.fail(w, r, errNoAddress)
	})
	return mux, nil
}

// asJSON turns a YAML document into JSON.
func asJSON(text []byte) ([]byte, error) {
	var doc any
	if err := yaml.Unmarshal(text, &doc); err != nil {
		return nil, err
	}
	return json.Marshal(doc)
}

// reply is a successful answer.
type reply struct {
	kind string // media type
	body []byte
}

func jsonReply(v any) (reply, error) {
	b, err := json.Marshal(v)
	return reply{"application/json", b}, err
}

// send answers with the body, or 304 where the request has it already. The tag is
// a weak one: a proxy or the server around may compress the body.
func (r reply) send(w http.ResponseWriter, req *http.Request) {
	sum := sha256.Sum256(r.body)
	w.Header().Set("Content-Type", r.kind)
	w.Header().Set("ETag", `W/"`+hex.EncodeToString(sum[:16])+`"`)
	http.ServeContent(w, req, "", time.Time{}, bytes.NewReader(r.body))
}

// badRequest is a request that cannot be answered as it is.
type badRequest struct {
	code   int
	detail string
}

func (e *badRequest) Error() string { return e.detail }

var errNoAddress = errors.New("nothing is at this address")

// problem is a problem detail as RFC 9457 has it. Its type is about:blank: the
// status says all.
type problem struct {
	Title  string `json:"title"`
	Status int    `json:"status"`
	Detail string `json:"detail"`
}

// fail answers with a problem. What went wrong inside is logged, not shown.
func (a *API) fail(w http.ResponseWriter, r *http.Request, err error) {
	var bad *badRequest
	var consent *worker.ConsentError
	code, detail := http.StatusInternalServerError, "the answer could not be made; the log says why"
	switch {
	case errors.Is(err, context.Canceled):
		return // the reader went away
	case errors.As(err, &bad):
		code, detail = bad.code, bad.detail
	case errors.As(err, &consent):
		code, detail = http.StatusForbidden, "nobody has told a consent that lets this hitter be shown to others"
	case errors.Is(err, worker.ErrNoRecord), errors.Is(err, errNoAddress):
		code, detail = http.StatusNotFound, errNoAddress.Error()
	case errors.Is(err, worker.ErrDamaged):
		detail = "the record is damaged"
	case errors.Is(err, worker.ErrStorage):
		code, detail = http.StatusServiceUnavailable, "the store cannot be read now"
	}
	if code >= http.StatusInternalServerError {
		a.Log.Error().Err(err).Str("path", r.URL.Path).Msg("request failed")
	}
	b, merr := json.Marshal(problem{http.StatusText(code), code, detail})
	if merr != nil {
		http.Error(w, detail, code)
		return
	}
	w.Header().Set("Content-Type", "application/problem+json")
	w.WriteHeader(code)
	_, _ = w.Write(b) // the reader may be gone
}

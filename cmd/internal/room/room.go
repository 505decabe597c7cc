// Package room serves the film room: pages on which coaches and players look at
// what was measured, frame by frame, and correct it by hand.
//
// Pages are Go templates in web/, filled on the server: they hold everything that
// is to be read, so that a screen reader, a slow phone and a page without script
// get the same words. Script (web/*.ts, bundled when the room opens) only moves:
// it steps pictures, draws marks over them, drags points. Every English word that
// a person reads is in web/words.json.
package room

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"html/template"
	"net/http"
	"sync"

	"github.com/rs/zerolog"

	"nightcage/cmd/internal/api"
	"nightcage/cmd/internal/room/correct"
	"nightcage/metrics/rules"
	"nightcage/worker"
	"nightcage/worker/access"
)

// Options are what a room shows. Home, Ledger and Records must be set.
type Options struct {
	Home    worker.Home
	Ledger  *worker.Ledger
	Records *worker.Records
	Rules   *rules.Set // that a corrected swing is held against; nil for those that ship
	Log     zerolog.Logger
	// Afar: other machines reach the room, so that looking asks for a token too.
	Afar bool
}

// Room answers the requests of browsers.
type Room struct {
	Options
	pages  map[string]*template.Template
	assets map[string]asset
	mux    *http.ServeMux
	film   *film
	shelf  shelf
	kept   *correct.Store
	guard  *access.Guard
	// again is held while a correction is measured: each takes a core for seconds.
	again sync.Mutex
}

// New reads the pages and bundles their scripts. An error is a fault of the build.
func New(o Options) (*Room, error) {
	rm := &Room{Options: o, mux: http.NewServeMux(), film: newFilm(),
		kept: correct.Of(o.Home), guard: &access.Guard{Tokens: access.Open(o.Home.TokensPath())}}
	if rm.Rules == nil {
		rm.Rules = rules.Shipped()
	}
	var err error
	if rm.assets, err = bundle(); err != nil {
		return nil, err
	}
	if rm.pages, err = parsePages(rm.assets); err != nil {
		return nil, err
	}
	rm.get("/{$}", rm.tonight)
	rm.get("/tonight/live", rm.live)
	rm.get("/swings", rm.swings)
	rm.get("/swing/{job}/{n}", rm.swing)
	rm.get("/swing/{job}/{n}/corrections", rm.corrections)
	rm.mux.Handle("POST /swing/{job}/{n}/corrections", rm.guard.Require(access.Admin, http.HandlerFunc(rm.correct)))
	rm.get("/corrections", rm.allCorrections)
	rm.get("/swing/{job}/{n}/marks", rm.marks)
	rm.get("/swing/{job}/{n}/budget", rm.budget)
	rm.get("/swing/{job}/{n}/frames/{frame}", rm.frames)
	rm.get("/swing/{job}/{n}/frame/{frame}", rm.frame)
	rm.get("/swing/{job}/{n}/still/{event}", rm.still)
	rm.get("/swing/{job}/{n}/body", rm.body)
	rm.get("/compare", rm.compare)
	rm.get("/compare/hitters", rm.compareHitters)
	rm.get("/trend", rm.trends)
	rm.get("/trend/hitter", rm.trend)
	rm.get("/static/{name}", rm.static)
	reads := api.API{Ledger: o.Ledger, Records: o.Records, Corrections: rm.kept, Log: o.Log}
	h, err := reads.Handler()
	if err != nil {
		return nil, err
	}
	rm.mux.Handle(api.Prefix, h)
	return rm, nil
}

// handler answers one request; what it returns as an error is shown as a page.
type handler func(w http.ResponseWriter, r *http.Request) error

// get serves a path with a handler.
func (rm *Room) get(path string, h handler) { rm.handle("GET "+path, h) }

func (rm *Room) handle(pattern string, h handler) {
	rm.mux.HandleFunc(pattern, func(w http.ResponseWriter, r *http.Request) {
		if err := h(w, r); err != nil {
			rm.fail(w, r, err)
		}
	})
}

// errNotFound: there is nothing at the address.
var errNotFound = errors.New("nothing is there")

// fail shows an error. What went wrong inside is logged, not shown.
func (rm *Room) fail(w http.ResponseWriter, r *http.Request, err error) {
	code, words := http.StatusInternalServerError, "error.inside"
	switch {
	case errors.Is(err, context.Canceled):
		return // the browser went away
	case errors.Is(err, errNotFound), errors.Is(err, worker.ErrNoRecord), errors.Is(err, worker.ErrUnknownJob):
		code, words = http.StatusNotFound, "error.none"
	case errors.Is(err, worker.ErrNoConsent):
		code, words = http.StatusForbidden, "error.consent"
	case errors.Is(err, worker.ErrDamaged):
		words = "error.damaged"
	case errors.Is(err, worker.ErrStorage):
		words = "error.storage"
	}
	if code == http.StatusInternalServerError {
		rm.Log.Error().Err(err).Str("path", r.URL.Path).Msg("page failed")
	}
	if perr := rm.page(w, code, page{Title: word("error.title"), Template: "error", Data: words}); perr != nil {
		http.Error(w, word(words), code)
	}
}

// page is one filled page.
type page struct {
	Title    string // of the browser's tab and the history
	Template string // file in web/ without .html, which defines "content"
	Script   string // file in web/ without .ts; "" for none
	At       string // the entry of the menu that it belongs to; "" for none
	Data     any    // what the template is filled with
}

// page fills a template inside the layout and sends it.
func (rm *Room) page(w http.ResponseWriter, code int, p page) error {
	t := rm.pages[p.Template]
	if t == nil {
		return fmt.Errorf("page %q: no such template", p.Template)
	}
	var b bytes.Buffer
	if err := t.ExecuteTemplate(&b, "layout", p); err != nil {
		return fmt.Errorf("page %q: %w", p.Template, err)
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(code)
	_, err := w.Write(b.Bytes())
	return err
}

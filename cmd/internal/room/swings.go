package room

import (
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"nightcage/worker"
)

// perPage is how many clips a page of the list shows.
const perPage = 50

// listing is what the list of all swings shows.
type listing struct {
	Find  string // what was asked for
	Rows  []row
	Clips int // that fit, on all pages
	Page  int // from 1
	Pages int
	Prev  string // addresses; "" where there is none
	Next  string
}

// swings lists measured clips, newest first.
func (rm *Room) swings(w http.ResponseWriter, r *http.Request) error {
	l := listing{Find: strings.TrimSpace(r.URL.Query().Get("find"))}
	l.Page, _ = strconv.Atoi(r.URL.Query().Get("page"))
	l.Page = max(l.Page, 1)
	entries, n, err := rm.Ledger.List(r.Context(), worker.Listing{States: []worker.State{worker.StateMeasured}, Find: l.Find, Offset: (l.Page - 1) * perPage, Limit: perPage})
	if err == nil {
		entries, err = rm.shareable(r.Context(), entries)
	}
	if err != nil {
		return err
	}
	l.Clips = n
	l.Pages = max(1, (n+perPage-1)/perPage)
	at := func(page int) string {
		return "/swings?" + url.Values{"find": {l.Find}, "page": {strconv.Itoa(page)}}.Encode()
	}
	if l.Page > 1 {
		l.Prev = at(l.Page - 1)
	}
	if l.Page < l.Pages {
		l.Next = at(l.Page + 1)
	}
	for _, e := range entries {
		rows, err := rm.rows(e)
		if err != nil {
			return err
		}
		l.Rows = append(l.Rows, rows...)
	}
	return rm.page(w, http.StatusOK, page{Title: word("swings.title"), Template: "swings", At: "swings", Data: l})
}

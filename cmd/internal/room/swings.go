package room

import (
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"nightcage/worker"
)

// perPage is how many clips a page of the list shows.
const perPage = 100

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
	entries, err := rm.Ledger.Entries(r.Context(), worker.StateMeasured)
	if err != nil {
		return err
	}
	if l.Find != "" {
		entries = slices.DeleteFunc(entries, func(e worker.Entry) bool { return !about(e, l.Find) })
	}
	slices.Reverse(entries)
	l.Clips = len(entries)
	l.Pages = max(1, (l.Clips+perPage-1)/perPage)
	l.Page, err = strconv.Atoi(r.URL.Query().Get("page"))
	if err != nil || l.Page < 1 || l.Page > l.Pages {
		l.Page = 1
	}
	at := func(page int) string {
		return "/swings?" + url.Values{"find": {l.Find}, "page": {strconv.Itoa(page)}}.Encode()
	}
	if l.Page > 1 {
		l.Prev = at(l.Page - 1)
	}
	if l.Page < l.Pages {
		l.Next = at(l.Page + 1)
	}
	from := (l.Page - 1) * perPage
	for _, e := range entries[from:min(from+perPage, len(entries))] {
		rows, err := rm.rows(e)
		if err != nil {
			return err
		}
		l.Rows = append(l.Rows, rows...)
	}
	return rm.page(w, http.StatusOK, page{Title: word("swings.title"), Template: "swings", At: "swings", Data: l})
}

// about reports whether every word of find is in what a person knows a clip by.
func about(e worker.Entry, find string) bool {
	in := strings.ToLower(strings.Join([]string{e.Job.Subject.Hitter, e.Job.Subject.Team, baseName(e.Job.Clip),
		e.Job.SubmittedAt.Local().Format("2006-01-02"), string(e.Job.Subject.Level)}, " "))
	for _, w := range strings.Fields(strings.ToLower(find)) {
		if !strings.Contains(in, w) {
			return false
		}
	}
	return true
}

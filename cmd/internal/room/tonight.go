package room

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"nightcage/worker"
)

// evening is what the page of tonight shows.
type evening struct {
	Since    time.Time // noon before: a night runs from noon to noon
	Working  bool      // a worker has the queue open
	Running  []row
	Waiting  []row // the next few in line
	WaitingN int   // all of them
	Failed   []row
	Measured []row
	Done     int // of Total, measured or not
	Total    int
}

// fewWaiting is how many clips in line are named.
const fewWaiting = 5

// noon is the last noon at or before now, in now's zone.
func noon(now time.Time) time.Time {
	n := time.Date(now.Year(), now.Month(), now.Day(), 12, 0, 0, 0, now.Location())
	if n.After(now) {
		n = n.AddDate(0, 0, -1)
	}
	return n
}

// look reads where tonight's clips stand: those still open whenever they were
// submitted, and those that came to an end since noon.
func (rm *Room) look(ctx context.Context, now time.Time) (evening, error) {
	e := evening{Since: noon(now)}
	pid, err := rm.Home.Owner()
	if err != nil {
		return e, err
	}
	e.Working = pid != 0
	entries, err := rm.Ledger.Entries(ctx)
	if err != nil {
		return e, err
	}
	slices.SortStableFunc(entries, func(a, b worker.Entry) int { return b.Changed.Compare(a.Changed) })
	for _, j := range entries {
		if j.State.Final() && j.Changed.Before(e.Since) {
			continue
		}
		e.Total++
		switch {
		case j.State == worker.StateMeasured:
			rows, err := rm.rows(j)
			if err != nil {
				return e, err
			}
			e.Measured = append(e.Measured, rows...)
		case j.State.Final():
			e.Failed = append(e.Failed, newRow(j))
		case j.State == worker.StateRunning:
			r := newRow(j)
			if r.Progress, r.Told, err = rm.Home.Progress(j.Job.ID, now); err != nil {
				return e, err
			}
			e.Running = append(e.Running, r)
		default:
			e.Waiting = append(e.Waiting, newRow(j))
		}
		if j.State.Final() {
			e.Done++
		}
	}
	slices.SortStableFunc(e.Waiting, func(a, b row) int { return a.Submitted.Compare(b.Submitted) })
	e.WaitingN = len(e.Waiting)
	e.Waiting = e.Waiting[:min(len(e.Waiting), fewWaiting)]
	return e, nil
}

func (rm *Room) tonight(w http.ResponseWriter, r *http.Request) error {
	e, err := rm.look(r.Context(), time.Now())
	if err != nil {
		return err
	}
	return rm.page(w, http.StatusOK, page{Title: word("tonight.title"), Template: "tonight", Script: "page-tonight", At: "tonight", Data: e})
}

// lookEvery is how often the ledger is asked while somebody watches.
const lookEvery = time.Second

// live sends the changing part of the page of tonight whenever it changes, as
// server-sent events (WHATWG HTML, section 9.2).
func (rm *Room) live(w http.ResponseWriter, r *http.Request) error {
	w.Header().Set("Content-Type", "text/event-stream")
	out := http.NewResponseController(w)
	if err := out.SetWriteDeadline(time.Time{}); err != nil {
		return fmt.Errorf("live: %w", err)
	}
	var sent string
	tick := time.NewTicker(lookEvery)
	defer tick.Stop()
	for {
		e, err := rm.look(r.Context(), time.Now())
		if err != nil {
			return err
		}
		var b bytes.Buffer
		if err := rm.pages["tonight"].ExecuteTemplate(&b, "live", e); err != nil {
			return fmt.Errorf("live: %w", err)
		}
		if now := b.String(); now != sent {
			sent = now
			// A line break inside data would end it: each line is a field of its own.
			fmt.Fprintf(w, "data: %s\n\n", strings.ReplaceAll(now, "\n", "\ndata: "))
			if err := out.Flush(); err != nil {
				return nil // the browser went away
			}
		}
		select {
		case <-r.Context().Done():
			return nil
		case <-tick.C:
		}
	}
}

// row is a clip, or a swing of it, in a list.
type row struct {
	JobID     string
	Hitter    string
	Team      string
	Clip      string // base name
	State     worker.State
	Submitted time.Time
	Changed   time.Time
	Attempts  int
	Reason    string // why it was not measured, or why it waits
	Advice    string // what can be done about it
	// Of a clip that is being measured; Told says whether it is known.
	worker.Progress
	Told bool
	// The rest is of measured swings.
	Href  string
	Which string // which swing of its clip; "" when it has one
	Sort  string // what it is when it is no full swing
	Speed string // bat speed at contact with its error bar; "" when unavailable
	Angle string // attack angle
	First string // the one thing to work on first; "" for none
	Got   int    // measures with a value
	Of    int    // measures
	// Corrected: what is shown was corrected by hand.
	Corrected bool
}

func newRow(e worker.Entry) row {
	r := row{JobID: e.Job.ID, Hitter: e.Job.Subject.Hitter, Team: e.Job.Subject.Team, Clip: baseName(e.Job.Clip), State: e.State,
		Submitted: e.Job.SubmittedAt.Local(), Changed: e.Changed, Attempts: e.Tries.Attempts, Reason: e.Reason}
	if e.Kind != "" && e.State != worker.StateMeasured {
		r.Advice = Advice(e.Kind)
		r.Reason, _, _ = strings.Cut(e.Reason, ": ") // the rest is for whoever repairs it
	}
	r.Hitter = cmp.Or(r.Hitter, word("hitter.unnamed"))
	return r
}

// Advice is what a person can do about a clip that was not measured.
func Advice(k worker.Kind) string {
	if s, ok := table()["advice."+string(k)]; ok {
		return s
	}
	return word("advice.other")
}

// baseName is a path's last element, whatever system the path is of.
func baseName(p string) string {
	return p[strings.LastIndexAny(p, `/\`)+1:]
}

package room

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"net/http"
	"strings"
	"time"

	"nightcage/worker"
)

// evening is what the page of tonight shows.
type evening struct {
	Since    time.Time // noon before: a night runs from noon to noon
	Working  bool      // a worker has the queue open
	Running  part
	Waiting  part
	Failed   part
	Measured part
	Done     int // of Total, measured or not
	Total    int
}

// part is the clips in some states: the first few, and how many there are.
type part struct {
	Rows []row
	N    int
}

// More is how many clips are not shown. Only swings of a clip are several rows, and
// those are shown whole.
func (p part) More() int { return max(p.N-len(p.Rows), 0) }

// How many clips of each part are named.
const (
	fewWaiting = 5
	perNight   = 100
)

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
	for _, q := range []struct {
		into *part
		ask  worker.Listing
	}{
		{&e.Running, worker.Listing{States: []worker.State{worker.StateRunning}, Limit: perNight, Oldest: true}},
		{&e.Waiting, worker.Listing{States: []worker.State{worker.StateSubmitted, worker.StateQueued, worker.StateWaiting, worker.StateHeld}, Limit: fewWaiting, Oldest: true}},
		{&e.Failed, worker.Listing{States: []worker.State{worker.StateUnmeasured, worker.StateDead}, Since: e.Since, Limit: perNight}},
		{&e.Measured, worker.Listing{States: []worker.State{worker.StateMeasured}, Since: e.Since, Limit: perNight}},
	} {
		jobs, n, err := rm.Ledger.List(ctx, q.ask)
		if err == nil {
			jobs, err = rm.shareable(ctx, jobs)
		}
		if err != nil {
			return e, err
		}
		q.into.N = n
		for _, j := range jobs {
			rows := []row{newRow(j)}
			switch j.State {
			case worker.StateMeasured:
				rows, err = rm.rows(j)
			case worker.StateRunning:
				rows[0].Progress, rows[0].Told, err = rm.Home.Progress(j.Job.ID, now)
			}
			if err != nil {
				return e, err
			}
			q.into.Rows = append(q.into.Rows, rows...)
		}
	}
	e.Done = e.Failed.N + e.Measured.N
	e.Total = e.Done + e.Running.N + e.Waiting.N
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

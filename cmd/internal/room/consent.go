package room

import (
	"context"
	"errors"
	"net/http"
	"regexp"

	"nightcage/worker"
)

// A room that is open to other machines shows others what it shows, so it keeps
// back hitters of whom nobody has consented: lists leave them out, and addresses
// that name one of their clips are refused. On this machine the coach sees all.

// shareable leaves out what must not be shown where the room is open.
func (rm *Room) shareable(ctx context.Context, entries []worker.Entry) ([]worker.Entry, error) {
	if !rm.Afar {
		return entries, nil
	}
	var out []worker.Entry
	for _, e := range entries {
		err := rm.Ledger.MayShareJob(ctx, e.Job)
		if err == nil {
			out = append(out, e)
		} else if !errors.Is(err, worker.ErrNoConsent) {
			return nil, err
		}
	}
	return out, nil
}

var jobIDs = regexp.MustCompile(`[0-9a-f]{32}`)

// consented serves addresses that name no clip, or only clips that may be shown.
func (rm *Room) consented(w http.ResponseWriter, r *http.Request) {
	named := jobIDs.FindAllString(r.URL.Path, -1)
	for _, values := range r.URL.Query() {
		for _, v := range values {
			named = append(named, jobIDs.FindAllString(v, -1)...)
		}
	}
	for _, id := range named {
		if err := rm.mayShow(r.Context(), id); err != nil {
			rm.fail(w, r, err)
			return
		}
	}
	rm.mux.ServeHTTP(w, r)
}

// mayShow answers for a job; worker.ErrUnknownJob for one that the ledger does not
// know, since nobody can have consented to it.
func (rm *Room) mayShow(ctx context.Context, jobID string) error {
	e, err := rm.Ledger.Get(ctx, jobID)
	if err != nil {
		return err
	}
	return rm.Ledger.MayShareJob(ctx, e.Job)
}

package worker

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"

	"github.com/cloudevents/sdk-go/v2/event"
	"github.com/nats-io/nats.go/jetstream"
)

// each calls f for every message of a stream, in order.
func (q *Queue) each(ctx context.Context, s jetstream.Stream, f func(*jetstream.RawStreamMsg) error) error {
	name := s.CachedInfo().Config.Name
	for seq := uint64(1); ; {
		m, err := s.GetMsg(ctx, seq, jetstream.WithGetMsgSubject(">"))
		if errors.Is(err, jetstream.ErrMsgNotFound) {
			return nil
		}
		if err != nil {
			return fmt.Errorf("%w: read stream %s from %d: %w", ErrQueue, name, seq, err)
		}
		if err := f(m); err != nil {
			return err
		}
		seq = m.Sequence + 1
	}
}

// eachQueued calls job for every job that is queued or buried, and record for
// every event of the feed of a job that is not known.
func (d *Desk) eachQueued(ctx context.Context, known map[string]bool, job func(Job), record func(jobID, team, hitter string)) error {
	q := d.Queue
	return errors.Join(
		q.each(ctx, q.jobs, func(m *jetstream.RawStreamMsg) error {
			if j, err := parseJob(m.Data); err == nil {
				job(j)
			}
			return nil
		}),
		q.each(ctx, q.dead, func(m *jetstream.RawStreamMsg) error {
			var l DeadLetter
			if json.Unmarshal(m.Data, &l) == nil && validID(l.Job.ID) {
				job(l.Job)
			}
			return nil
		}),
		q.each(ctx, q.recs, func(m *jetstream.RawStreamMsg) error {
			e, id := event.New(), jobOfSubject(m.Subject)
			if !known[id] && json.Unmarshal(m.Data, &e) == nil {
				record(id, teamOf(e), e.Subject())
			}
			return nil
		}))
}

// streams names the queue's streams by what a Proof calls them.
func (q *Queue) streams() map[string]jetstream.Stream {
	return map[string]jetstream.Stream{StoreQueue: q.jobs, StoreDead: q.dead, StoreFeed: q.recs}
}

// eraseQueued overwrites the jobs' messages. A worker that has one in hand finds
// out from Records.hold.
func (d *Desk) eraseQueued(ctx context.Context, ids map[string]bool) error {
	if len(ids) == 0 {
		return nil
	}
	for _, s := range d.Queue.streams() {
		err := d.Queue.each(ctx, s, func(m *jetstream.RawStreamMsg) error {
			if !ids[jobOfSubject(m.Subject)] {
				return nil
			}
			if err := s.SecureDeleteMsg(ctx, m.Sequence); err != nil && !errors.Is(err, jetstream.ErrMsgDeleteUnsuccessful) {
				return fmt.Errorf("%w: erase %s: %w", ErrQueue, m.Subject, err)
			}
			return nil
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// countQueued counts the jobs' messages.
func (d *Desk) countQueued(ctx context.Context, ids map[string]bool, n map[string]int) error {
	if len(ids) == 0 {
		return nil
	}
	for store, s := range d.Queue.streams() {
		err := d.Queue.each(ctx, s, func(m *jetstream.RawStreamMsg) error {
			n[store] += b2i(ids[jobOfSubject(m.Subject)])
			return nil
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// eraseTraces gets rid of what the queue's server keeps of messages that were
// acknowledged or replaced: it leaves their bytes in a block until all of the
// block is gone. A stream with such bytes is emptied, which drops its files, and
// filled again: jobs from the ledger as Reconcile does, the feed from the record
// store, dead letters from memory. Those who follow the feed get its events once
// more, under the same IDs.
func (d *Desk) eraseTraces(ctx context.Context, ids map[string]bool) error {
	if d.Queue.opts.Remote.URL != "" || len(ids) == 0 {
		return nil
	}
	// A damaged store that was set aside serves the curious only.
	if err := os.RemoveAll(d.Queue.home.asideDir()); err != nil {
		return fmt.Errorf("%w: %w", ErrStorage, err)
	}
	paths, err := d.traces(ctx, ids)
	if err != nil {
		return err
	}
	if slices.Contains(paths, d.Queue.home.LedgerPath()) { // rows deleted before secure_delete was set
		if err := d.Ledger.vacuum(ctx); err != nil {
			return err
		}
	}
	in := func(stream string) bool {
		for _, p := range paths {
			if strings.Contains(p, "/streams/"+stream+"/msgs/") {
				return true
			}
		}
		return false
	}
	if in(jobsStream) {
		if err := d.empty(ctx); err != nil {
			return err
		}
		if err := d.reconcileAll(ctx, &Reconciled{}, nil); err != nil {
			return err
		}
	}
	if in(deadStream) {
		if err := d.rewriteDead(ctx); err != nil {
			return err
		}
	}
	if in(recordsStream) {
		return d.rewriteFeed(ctx)
	}
	return nil
}

func (d *Desk) rewriteDead(ctx context.Context) error {
	var keep []*jetstream.RawStreamMsg
	err := d.Queue.each(ctx, d.Queue.dead, func(m *jetstream.RawStreamMsg) error {
		keep = append(keep, m)
		return nil
	})
	if err != nil {
		return err
	}
	if err := d.Queue.dead.Purge(ctx); err != nil {
		return fmt.Errorf("%w: empty dead letters: %w", ErrQueue, err)
	}
	for _, m := range keep {
		if _, err := d.Queue.js.Publish(ctx, m.Subject, m.Data, jetstream.WithExpectStream(deadStream)); err != nil {
			return fmt.Errorf("%w: dead letter %s: %w", ErrQueue, m.Subject, err)
		}
	}
	return nil
}

func (d *Desk) rewriteFeed(ctx context.Context) error {
	if err := d.Queue.recs.Purge(ctx); err != nil {
		return fmt.Errorf("%w: empty the feed: %w", ErrQueue, err)
	}
	ids, err := d.Records.IDs()
	if err != nil {
		return err
	}
	for _, id := range ids {
		rec, err := d.Records.Get(id)
		if errors.Is(err, ErrDamaged) || errors.Is(err, ErrNoRecord) {
			continue // the audit names it
		}
		if err == nil {
			err = d.Queue.announceAll(ctx, teamOf(rec.Events[0]), rec)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

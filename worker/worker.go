package worker

import (
	"context"
	"errors"
	"fmt"
	"os"
	"sync"
	"time"

	"github.com/rs/zerolog"

	"nightcage/worker/depot"
)

// Worker takes jobs off a queue, has them measured and stores what comes out.
type Worker struct {
	Home     Home
	Ledger   *Ledger
	Records  *Records
	Analyzer Analyzer
	Schema   Schema
	Pipeline string // version that goes into the records it makes
	Slots    int    // clips measured at the same time; 0 means 1
	Policy   Policy // zero value: DefaultPolicy
	// StallAfter is how long an analysis may go without progress before it is
	// stopped; 0 means DefaultStallAfter.
	StallAfter time.Duration
	// Grace is how long an analysis may go on after a stop was asked for before
	// its job is handed back; 0 hands back at once.
	Grace time.Duration
	// Depot is what hosts share besides the queue: clips come from it and records go
	// into it. nil: nothing is shared.
	Depot depot.Depot
	// MinFree is how many bytes must be free on the home's disk for jobs to be taken;
	// 0 asks for none.
	MinFree uint64
	// Drain ends Run when the queue is empty, jobs that are held back for a
	// retry included.
	Drain bool
	Log   zerolog.Logger

	mu       sync.Mutex
	inFlight map[string]bool
	unfit    bool // what fit said last

	begin sync.Once
	pulse *pulse // see signs
}

// DefaultStallAfter is far above what one step of an analysis takes, a first
// inference on a busy machine included (common practice, no source).
const DefaultStallAfter = time.Minute

// reconcileEvery is how often a running worker compares ledger and queue.
const reconcileEvery = 5 * time.Minute

// askServerEvery is how often a worker asks the server that it runs how it is. One
// that is ill twice running is started anew.
const askServerEvery = 2 * time.Second

// feedEvery is how often an idle worker looks for held jobs.
const feedEvery = 2 * time.Second

// Serve opens the queue and works until stop ends. It opens the queue anew, and
// takes the embedded server over, when the process that ran it leaves.
//
// When stop ends, no more jobs are taken and running analyses get Grace to
// finish; when abort ends, they are cut off at once. Either way their jobs are
// handed back and Serve returns nil. stop must end no later than abort does.
//
// Once it has worked, a queue or storage that fails is opened anew every reopenEvery:
// disks fill up and are emptied again in a night.
func (w *Worker) Serve(stop, abort context.Context, o QueueOptions) error {
	for {
		q, err := OpenQueue(stop, w.Home, o)
		if err == nil {
			err = w.Run(stop, abort, q)
			q.Close()
		}
		switch {
		case stop.Err() != nil || err == nil:
			return nil
		case errors.Is(err, errGone):
			w.Log.Warn().Msg("the process that had the queue open has left; opening it again")
			continue
		case !w.signs().worked() || !errors.Is(err, ErrQueue) && !errors.Is(err, ErrStorage):
			return err
		}
		w.Log.Error().Err(err).Dur("again_in_ms", reopenEvery).Msg("the queue or the storage failed; opening it again")
		select {
		case <-stop.Done():
			return nil
		case <-time.After(reopenEvery):
		}
	}
}

// reopenEvery is how often a worker whose queue failed tries to open it.
const reopenEvery = 5 * time.Second

// Run works on an open queue. See Serve.
func (w *Worker) Run(stop, abort context.Context, q *Queue) error {
	if w.Policy.MaxAttempts == 0 {
		w.Policy = DefaultPolicy()
	}
	if w.StallAfter == 0 {
		w.StallAfter = DefaultStallAfter
	}
	w.inFlight = map[string]bool{}
	if err := errors.Join(w.Home.sweepScratch(), w.Records.sweep(time.Now())); err != nil {
		return fmt.Errorf("%w: clean up: %w", ErrStorage, err)
	}
	var looked place
	_, err := w.reconcile(stop, q, &looked)
	var p *puller
	if err == nil {
		p, err = q.newPuller(stop, q.Owner())
	}
	if stop.Err() != nil {
		return nil
	}
	if err != nil {
		return err
	}
	signs := w.signs()
	signs.start(q, max(w.Slots, 1), w.StallAfter)
	defer signs.end()
	defer context.AfterFunc(stop, signs.leave)()
	w.Log.Info().Int("slots", max(w.Slots, 1)).Bool("owner", q.Owner()).Str("pipeline", w.Pipeline).Msg("working")

	// pull ends on stop, when drained, or on the first error of any slot.
	pull, end := context.WithCancelCause(stop)
	defer end(nil)
	var wg sync.WaitGroup
	for slot := range max(w.Slots, 1) {
		wg.Go(func() {
			if err := w.slot(pull, stop, abort, p, slot); err != nil {
				end(err)
			}
		})
	}
	wg.Go(func() {
		if err := w.watch(pull, q, p, looked); err != nil {
			end(err)
		}
	})
	wg.Wait()
	if err := context.Cause(pull); err != nil && stop.Err() == nil && !errors.Is(err, errDrained) {
		return err
	}
	return nil
}

// errDrained ends the pulling when Drain has nothing left to wait for.
var errDrained = errors.New("drained")

// watch reconciles on a timer, first without a pause until every job has been looked
// for once, notices that the queue is gone, and ends a drain.
func (w *Worker) watch(pull context.Context, q *Queue, p *puller, looked place) error {
	tick := time.NewTicker(250 * time.Millisecond)
	defer tick.Stop()
	reconciled, fed, asked, quietSince := time.Now(), time.Now(), time.Now(), time.Time{}
	round := looked == (place{}) // every job has been looked for
	ill := false                 // the server was when it was last asked
	for {
		select {
		case <-pull.Done():
			return nil
		case <-q.Gone():
			return errGone
		case <-tick.C:
		}
		if q.own != nil && time.Since(asked) > askServerEvery {
			err := q.own.ill()
			if err != nil && ill {
				q.nc.Close() // or who has something to store would wait for an answer
				return fmt.Errorf("%w: the queue's server is %w", ErrQueue, err)
			}
			asked, ill = time.Now(), err != nil
		}
		if time.Since(fed) > feedEvery {
			if _, err := w.feed(pull, q); err != nil && pull.Err() == nil {
				w.Log.Error().Err(err).Msg("feed")
			}
			fed = time.Now()
		}
		if w.Drain {
			d, err := q.Depth(pull)
			switch {
			case pull.Err() != nil || err != nil:
				continue // a queue that stays away is noticed by the slots
			case d.Jobs == 0:
				// Every job that the queue knows of is acknowledged.
				r, err := w.reconcile(pull, q, nil)
				released := 0
				if err == nil {
					released, err = w.feed(pull, q)
				}
				if err == nil && r.Resent+released == 0 {
					return errDrained
				}
			case !d.stranded():
				quietSince = time.Time{}
			case quietSince.IsZero():
				quietSince = time.Now()
			case time.Since(quietSince) > 2*pullWait:
				reconciled, quietSince = time.Time{}, time.Time{}
			}
		}
		if !round || time.Since(reconciled) > reconcileEvery {
			_, err := w.reconcile(pull, q, &looked)
			if err != nil && pull.Err() == nil {
				w.Log.Error().Err(err).Msg("reconcile")
			}
			reconciled, round = time.Now(), round || err != nil || looked == (place{})
		}
	}
}

func (w *Worker) reconcile(ctx context.Context, q *Queue, from *place) (Reconciled, error) {
	r, err := reconcile(ctx, &Desk{Ledger: w.Ledger, Records: w.Records, Queue: q, Depot: w.Depot}, from)
	if err != nil {
		return r, err
	}
	w.signs().figures.resent.Add(float64(r.Resent))
	if r.WentBack || r.Rebuilt || r.Resent > 0 || r.Mended > 0 {
		w.Log.Warn().Int("open", r.Open).Int("resent", r.Resent).Int("settled", r.Settled).
			Int("mended", r.Mended).Bool("queue_rebuilt", r.Rebuilt).Bool("queue_went_back", r.WentBack).Msg("the queue had lost jobs")
	}
	return r, nil
}

// slot takes one job after the other.
func (w *Worker) slot(pull, stop, abort context.Context, p *puller, slot int) error {
	var failing time.Time
	name := fmt.Sprintf("%d/%d", os.Getpid(), slot+1)
	for pull.Err() == nil {
		w.signs().round(slot, "")
		if !w.fit(pull) {
			w.signs().pause()
			select {
			case <-pull.Done():
			case <-time.After(pullWait):
			}
			continue
		}
		d, err := p.next(pull)
		if err == nil && d == nil {
			failing = time.Time{}
			continue
		}
		if err != nil {
			if failing.IsZero() {
				failing = time.Now()
				w.Log.Warn().Err(err).Msg("cannot take jobs")
			}
			select {
			case <-p.q.Gone():
				return errGone
			case <-pull.Done():
			case <-time.After(pullWait):
			}
			// A consumer that was deleted does not come back by itself.
			if err := p.make(pull); err != nil && pull.Err() == nil && time.Since(failing) > 10*time.Minute {
				return err
			}
			continue
		}
		failing = time.Time{}
		if pull.Err() != nil {
			w.give(d.handBack(), d)
		} else {
			w.signs().round(slot, d.id)
			w.handle(stop, abort, p.q, d, name)
		}
	}
	return nil
}

// fit reports whether what a job needs is there: storage that takes writes, and
// room. A worker that is not fit takes no jobs, so that none of them uses up its
// attempts on a full or unplugged disk.
func (w *Worker) fit(ctx context.Context) bool {
	store, disk := w.signs().store.words(ctx)
	fit := store == "" && disk == ""
	w.mu.Lock()
	defer w.mu.Unlock()
	if fit == w.unfit && ctx.Err() == nil {
		w.unfit = !fit
		if fit {
			w.Log.Info().Msg("taking jobs again")
		} else {
			w.Log.Error().Str("storage", store).Str("disk", disk).Msg("taking no jobs")
		}
	}
	return fit
}

// give logs that a job could not be given back; the queue takes it back by
// itself after ackWait.
func (w *Worker) give(err error, d *delivery) {
	if err != nil {
		w.Log.Warn().Str("job", d.id).Str("clip_sha256", d.job.ClipSHA256).Err(err).Msg("the queue did not hear that the job is given back")
	}
}

func (w *Worker) claim(id string) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.inFlight[id] {
		return false
	}
	w.inFlight[id] = true
	return true
}

func (w *Worker) release(id string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	delete(w.inFlight, id)
}

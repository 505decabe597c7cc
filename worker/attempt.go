package worker

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync/atomic"
	"time"

	"github.com/rs/zerolog"
)

// handle sees one job through to its verdict. It logs, as the edge of the
// package, and returns nothing: whatever goes wrong, the job is either settled
// or still the queue's.
func (w *Worker) handle(stop, abort context.Context, q *Queue, d *delivery, name string) {
	log := w.Log.With().Str("job", d.id).Str("clip_sha256", d.job.ClipSHA256).Logger()
	if !w.claim(d.id) {
		// The queue gave up on a slot of ours that is still at it.
		w.give(d.later(ackWait), d)
		return
	}
	defer w.release(d.id)

	settle, cancel := context.WithCancel(context.WithoutCancel(stop))
	defer cancel()
	defer context.AfterFunc(abort, func() { time.AfterFunc(5*time.Second, cancel) })()

	began := time.Now()
	t, err := w.attempt(stop, abort, settle, q, d, name, log)
	if err == nil {
		return
	}
	if errors.Is(err, ErrForgotten) {
		w.drop(d, log)
		return
	}
	f := asFailure(err)
	if f.Class == ClassAway {
		t.Attempts = d.nth // no attempt was used up; the delay grows all the same
	}
	v := w.Policy.Decide(f.Class, t)
	log = log.With().Str("class", string(f.Class)).Str("kind", string(f.Kind)).Int("attempt", t.Attempts).
		Dur("took_ms", time.Since(began)).Logger()
	settle, done := context.WithTimeout(settle, finishWithin)
	defer done()
	if err := w.carryOut(settle, q, d, f, t, v); err != nil {
		if errors.Is(err, ErrForgotten) {
			w.drop(d, log)
			return
		}
		// The verdict could not be stored. Keep the job.
		log.Error().Err(err).AnErr("reason", f).Msg("verdict not stored, job kept")
		w.give(d.later(w.Policy.delay(w.Policy.MaxAttempts)), d)
		return
	}
	w.signs().figures.verdicts.WithLabelValues(string(v.Action), string(f.Class)).Inc()
	switch v.Action {
	case ActHandBack:
		log.Info().Msg("handed back")
	case ActLater:
		log.Warn().AnErr("reason", f).Dur("again_in_ms", v.Delay).Msg("attempt failed")
	default:
		log.Warn().AnErr("reason", f).Str("verdict", string(v.Action)).Msg("not measured")
	}
}

// finishWithin is how long storing, announcing and acknowledging may take. They
// outlast a stop, and a queue whose servers elect a leader, but not for ever.
const finishWithin = 2 * time.Minute

// drop takes a forgotten job off the queue, should it still be there.
func (w *Worker) drop(d *delivery, log zerolog.Logger) {
	w.give(d.terminate("forgotten"), d)
	log.Info().Msg("forgotten")
}

// attempt measures and stores. nil means that the job is settled.
func (w *Worker) attempt(stop, abort, settle context.Context, q *Queue, d *delivery, name string, log zerolog.Logger) (Tries, error) {
	taken := time.Now()
	if d.bad != nil {
		return Tries{Attempts: 1}, d.bad
	}
	if err := w.Records.welcome(d.job); err != nil {
		return Tries{}, err
	}
	old, err := w.Records.Get(d.id)
	if err == nil {
		err = w.Records.Verify(d.id)
	}
	switch {
	case err == nil:
		again, err := failedBefore(old, d.job)
		if err != nil {
			return Tries{}, err
		}
		if !again {
			log.Info().Msg("has its record already")
			return Tries{}, w.finish(settle, q, d, old)
		}
	case errors.Is(err, ErrDamaged):
		log.Warn().Err(err).Msg("measuring again in place of the stored record")
	case !errors.Is(err, ErrNoRecord):
		return Tries{}, &Failure{Class: ClassAway, Kind: KindStorage, Words: "the record store cannot be read", Err: err}
	default:
		if settled, err := w.elsewhere(settle, q, d, log); settled || err != nil {
			return Tries{}, err
		}
	}
	release, err := w.Records.hold(d.id)
	if err != nil {
		return Tries{}, err
	}
	t, err := w.Ledger.Start(settle, d.job, name)
	release()
	if err != nil {
		return t, &Failure{Class: ClassAway, Kind: KindStorage, Words: "the ledger cannot be written", Err: err}
	}
	if t.Attempts > w.Policy.MaxAttempts || d.nth >= maxDeliver {
		t.Attempts = max(t.Attempts, w.Policy.MaxAttempts)
		return t, &Failure{Class: ClassTransient, Kind: KindGaveUp, Words: "every attempt ended without a result"}
	}
	say := log.Info().Str("clip", filepath.Base(d.job.Clip)).Int("attempt", t.Attempts)
	a := w.Analyzer
	if t, ok := a.(Telling); ok {
		a = t.Analyzer
	}
	if c, ok := a.(Child); ok {
		say.Stringer("walls", c.Walls)
	}
	say.Msg("measuring")
	began := time.Now()
	res, err := w.analyze(stop, abort, d)
	spent := time.Since(began)
	w.signs().analysed(d.id, spent, err)
	if err == nil {
		err = res.check(w.Schema)
	}
	var files []File
	if err == nil {
		files, err = res.bundle(d.job, w.Schema, w.Pipeline, time.Now())
	}
	if err != nil {
		if asFailure(err).Class == ClassBroken {
			t.Broken++
		}
		return t, err
	}
	settle, done := context.WithTimeout(settle, finishWithin)
	defer done()
	// Were the job given back because the queue is away for a moment, another host
	// would measure it a second time.
	settled := false
	if err := patiently(settle, q, log, func() (err error) {
		settled, err = w.elsewhere(settle, q, d, log)
		return err
	}); settled || err != nil {
		return t, err
	}
	if err := w.Records.Put(d.id, files); err != nil && !errors.Is(err, ErrRecorded) {
		return t, &Failure{Class: ClassAway, Kind: KindStorage, Words: "the record cannot be stored", Err: err}
	}
	// When another worker was faster, its record counts.
	rec, err := w.Records.Get(d.id)
	if err != nil {
		return t, &Failure{Class: ClassAway, Kind: KindStorage, Words: "the record cannot be read back", Err: err}
	}
	if err := patiently(settle, q, log, func() error { return w.finish(settle, q, d, rec) }); err != nil {
		return t, err
	}
	figures := w.signs().figures
	figures.verdicts.WithLabelValues(string(verdictMeasured), "").Inc()
	figures.overhead.Observe((time.Since(taken) - spent).Seconds())
	log.Info().Int("swings", len(rec.Events)).Dur("took_ms", time.Since(began)).Msg("measured")
	return t, nil
}

// patiently repeats f for as long as all that it fails for is that queue or storage are
// away and may come back.
func patiently(ctx context.Context, q *Queue, log zerolog.Logger, f func() error) error {
	for {
		err := f()
		if err == nil || asFailure(err).Class != ClassAway {
			return err
		}
		log.Warn().Err(err).Msg("measured, and not yet known to others")
		select {
		case <-ctx.Done():
			return err
		case <-q.Gone():
			return err
		case <-time.After(time.Second):
		}
	}
}

// elsewhere settles a job that a worker of another home has measured, as the feed
// tells. Homes that share a queue have no store in common.
func (w *Worker) elsewhere(ctx context.Context, q *Queue, d *delivery, log zerolog.Logger) (settled bool, err error) {
	if q.opts.Remote.URL == "" {
		return false, nil
	}
	rec, ok, err := q.announced(ctx, d.id)
	if err != nil {
		return false, &Failure{Class: ClassAway, Kind: KindQueue, Words: "the feed of records cannot be read", Err: err}
	}
	if !ok {
		return false, nil
	}
	if again, err := failedBefore(rec, d.job); again || err != nil {
		return false, nil // an entry that cannot be read gives way to the next one
	}
	log.Info().Msg("another home has its record already")
	return true, w.finish(ctx, q, d, rec)
}

// failedBefore reports whether a stored record is the failure of an earlier
// round than the job's.
func failedBefore(rec Record, j Job) (bool, error) {
	if !rec.Failed {
		return false, nil
	}
	f, err := failureOf(rec)
	return f.Round < j.Round, err
}

// analyze runs the analyzer on an unchanged clip, tells the queue that the job
// is alive for as long as it makes progress, and ends it when it stalls or the
// worker is to stop. Why it was ended outranks what it then returned.
func (w *Worker) analyze(stop, abort context.Context, d *delivery) (Result, error) {
	ctx, end := context.WithCancelCause(context.WithoutCancel(stop))
	defer end(nil)
	shutdown := &Failure{Class: ClassShutdown, Kind: KindShutdown, Words: "the worker was stopped"}
	defer context.AfterFunc(abort, func() { end(shutdown) })()
	defer context.AfterFunc(stop, func() {
		grace := time.NewTimer(w.Grace)
		defer grace.Stop()
		select {
		case <-grace.C:
			end(shutdown)
		case <-ctx.Done():
		}
	})()

	var last atomic.Int64 // last progress, on the monotonic clock since began
	began := time.Now()
	touch := func() {
		last.Store(int64(time.Since(began)))
		w.signs().beat(d.id)
	}
	silent := func() time.Duration { return time.Since(began) - time.Duration(last.Load()) }
	var reading atomic.Bool
	reading.Store(true)
	go w.heartbeat(ctx, d, end, silent, &reading)

	job, leave, err := w.fetch(ctx, d.job, touch)
	defer leave()
	var sum string
	var before os.FileInfo
	if err == nil {
		sum, before, err = fingerprint(ctx, job.Clip, touch)
	}
	reading.Store(false)
	if err == nil && sum != d.job.ClipSHA256 {
		return Result{}, &Failure{Class: ClassBadClip, Kind: KindClipChanged, Words: "the file is not the one that was submitted"}
	}
	var res Result
	if err == nil {
		res, err = w.Analyzer.Analyze(ctx, job, func(int, int) { touch() })
	}
	if cause := context.Cause(ctx); cause != nil {
		return Result{}, cause
	}
	if err == nil {
		if after, serr := os.Stat(job.Clip); serr != nil || !os.SameFile(before, after) ||
			after.Size() != before.Size() || !after.ModTime().Equal(before.ModTime()) {
			err = &Failure{Class: ClassTransient, Kind: KindClipChanged, Words: "the file changed while it was measured", Err: serr}
		}
	}
	return res, err
}

// heartbeat keeps a job that makes progress from being delivered again, and
// ends one that does not, or that was forgotten.
func (w *Worker) heartbeat(ctx context.Context, d *delivery, end context.CancelCauseFunc, silent func() time.Duration, reading *atomic.Bool) {
	every := ackWait / 3
	look := time.NewTicker(min(time.Second, max(w.StallAfter/4, time.Millisecond)))
	defer look.Stop()
	said := time.Now()
	for {
		select {
		case <-ctx.Done():
			return
		case <-look.C:
		}
		if _, gone, _ := w.Records.forgottenAt(d.id); gone {
			end(fmt.Errorf("%w: %s", ErrForgotten, d.id))
			return
		}
		if silent() > w.StallAfter {
			if reading.Load() {
				end(&Failure{Class: ClassAway, Kind: KindStorage, Words: fmt.Sprintf("the clip could not be read any further for %v", w.StallAfter)})
				return
			}
			end(&Failure{Class: ClassBroken, Kind: KindStalled,
				Words: fmt.Sprintf("the analysis made no progress for %v", w.StallAfter)})
			return
		}
		// An error here means a redelivery at worst, and the record store lets
		// only one result in.
		if time.Since(said) >= every-time.Millisecond {
			d.working()
			said = time.Now()
		}
	}
}

// finish makes a stored record known and acknowledges its job. It may be
// repeated; each step comes to the same.
func (w *Worker) finish(ctx context.Context, q *Queue, d *delivery, rec Record) error {
	release, err := w.Records.hold(d.id)
	if err != nil {
		return err
	}
	defer release()
	queueErr := func(words string, err error) error {
		return &Failure{Class: ClassAway, Kind: KindQueue, Words: words, Err: err}
	}
	if rec.Dir != "" { // else it is another home's
		if err := w.share(ctx, d.id); err != nil {
			return &Failure{Class: ClassAway, Kind: KindStorage, Words: "the record cannot be put into the depot", Err: err}
		}
	}
	if err := q.announceAll(ctx, d.job.Subject.Team, rec); err != nil {
		return queueErr("the record cannot be announced", err)
	}
	err = w.settle(ctx, q, d, rec)
	if errors.Is(err, ErrQueue) {
		return queueErr("the dead letter cannot be stored", err)
	}
	if err != nil {
		return &Failure{Class: ClassAway, Kind: KindStorage, Words: "the ledger cannot be written", Err: err}
	}
	// A confirmed acknowledgement takes a dead job off the stream too; Term is
	// not confirmed.
	if err := d.done(ctx); err != nil {
		return queueErr("the job cannot be acknowledged", err)
	}
	return nil
}

// settle brings dead letters and ledger in line with a stored record.
func (w *Worker) settle(ctx context.Context, q *Queue, d *delivery, rec Record) error {
	if err := w.Ledger.adopt(ctx, d.job); err != nil {
		return err
	}
	if !rec.Failed {
		if err := q.unbury(ctx, d.id); err != nil {
			return err
		}
		return w.Ledger.Measured(ctx, d.id, len(rec.Events))
	}
	f, err := failureOf(rec)
	if err != nil {
		return err
	}
	if f.Reason.Class != ClassNothing {
		if err := q.Bury(ctx, d.id, DeadLetter{Job: d.job, Attempts: f.Attempts, At: time.Now().UTC(), Reason: f.Reason}); err != nil {
			return err
		}
	}
	return settleFailed(ctx, w.Ledger, d.id, f)
}

// carryOut makes a verdict stick.
func (w *Worker) carryOut(ctx context.Context, q *Queue, d *delivery, f *Failure, t Tries, v Verdict) error {
	switch {
	case v.Action == ActHandBack:
		w.give(d.handBack(), d)
		return known(w.Ledger.HandBack(ctx, d.id))
	case v.Action == ActLater:
		w.give(d.later(v.Delay), d)
		return known(w.Ledger.Wait(ctx, d.id, f))
	case d.bad != nil:
		// There is no job to make a record of.
		if err := q.Bury(ctx, d.id, DeadLetter{Raw: d.msg.Data(), Reason: reasonOf(f), At: time.Now().UTC()}); err != nil {
			return err
		}
		return d.terminate(string(f.Kind))
	}
	files, err := failureBundle(d.job, f, t, w.Schema, w.Pipeline, time.Now())
	if err != nil {
		return err
	}
	// ErrRecorded: measured by someone else meanwhile, nothing to bury.
	if err := w.Records.Put(d.id, files); err != nil && !errors.Is(err, ErrRecorded) {
		return err
	}
	rec, err := w.Records.Get(d.id)
	if err != nil {
		return err
	}
	return w.finish(ctx, q, d, rec)
}

// known drops the error about a job that has no ledger entry yet.
func known(err error) error {
	if errors.Is(err, ErrUnknownJob) {
		return nil
	}
	return err
}

package worker

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/cloudevents/sdk-go/v2/event"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"
)

// Names on the queue. The last token of a subject is the job's ID, or the
// record's (RecordID).
const (
	jobsStream    = "NIGHTCAGE_JOBS"
	deadStream    = "NIGHTCAGE_DEAD"
	recordsStream = "NIGHTCAGE_RECORDS"
	workers       = "workers" // the one durable consumer: a work queue allows no second unfiltered one

	jobsPrefix    = "nightcage.jobs."
	deadPrefix    = "nightcage.dead."
	recordsPrefix = "nightcage.records." // then the team's token, then the record's ID
)

const (
	maxPayload      = 8 << 20
	maxJobBytes     = 64 << 10
	jobsMaxBytes    = 1 << 30 // about a million jobs; a full queue refuses, it drops nothing
	deadMaxBytes    = 256 << 20
	recordsMaxBytes = 2 << 30 // the stream is a feed, the store keeps every record

	// ackWait is how long a silent worker keeps a job; heartbeats are three
	// times as frequent.
	ackWait = 30 * time.Second

	// maxOutstanding bounds jobs that are running or held back for a retry, over
	// all workers. Held-back jobs count, so a limit as low as the number of
	// slots would let one failing clip stop the queue for the length of its
	// delay. That no slot gets more than one job comes from pulling one at a time.
	maxOutstanding = 4096

	// maxDeliver bounds deliveries. The ledger counts attempts and gives a job up long
	// before (Policy.MaxAttempts); only handing back at a shutdown and storage that is
	// away (ClassAway) cost none: this many, DefaultPolicy's longest delay apart, are a
	// week. A job beyond it would stay in the stream, invisible, so a worker that sees
	// the last delivery gives the job up.
	maxDeliver = 1000

	// publishWindow is how long the server remembers message ids. It has to
	// outlast the retries of one publish only: every deliberate publication has
	// its own id, and a job that is still queued is refused by its subject.
	publishWindow = 10 * time.Minute
)

// Remote is a JetStream server or cluster elsewhere. Its operator decides how
// durable an acknowledged job is: sync_interval: always is what to ask for.
type Remote struct {
	URL   string // nats://host:4222, tls://..., or a comma-separated list
	Creds string // credentials file, empty: none
	CA    string // PEM file of the servers' authority, empty: the system's
	Cert  string // PEM file of the client's certificate, with Key; empty: none
	Key   string
}

// QueueOptions say which queue to open.
type QueueOptions struct {
	Remote Remote // URL empty: the home's own
	// Listen lets other processes of the home use the embedded server while
	// this one has it open.
	Listen bool
	Log    zerolog.Logger // for the embedded server's warnings
	afresh bool           // the store that is there is damaged: begin with a new one
}

// Queue is the job queue with its dead letters and the feed of records.
type Queue struct {
	home Home
	opts QueueOptions
	nc   *nats.Conn
	own  *embedded // nil when the server is another process
	js   jetstream.JetStream
	jobs jetstream.Stream
	dead jetstream.Stream
	recs jetstream.Stream
	gone chan struct{}
}

// OpenQueue connects and makes sure that the streams exist. Errors wrap
// ErrQueue.
func OpenQueue(ctx context.Context, home Home, o QueueOptions) (*Queue, error) {
	for again := 0; ; again++ {
		q, err := openOnce(ctx, home, o)
		if o.afresh = errors.Is(err, errOffline); o.afresh && again < maxReopen {
			o.Log.Error().Err(err).Msg("the queue's store is damaged; a new one is filled from ledger and records")
			continue
		}
		if !errors.Is(err, errGone) || again == maxReopen || ctx.Err() != nil {
			return q, err
		}
	}
}

func openOnce(ctx context.Context, home Home, o QueueOptions) (*Queue, error) {
	q := &Queue{home: home, opts: o, gone: make(chan struct{})}
	q.opts.afresh = false // it is this once
	opts := []nats.Option{
		nats.Name("nightcage"),
		nats.Timeout(5 * time.Second),
		nats.ClosedHandler(func(*nats.Conn) { close(q.gone) }),
	}
	var err error
	if o.Remote.URL == "" {
		q.nc, q.own, err = openLocal(ctx, home, o, opts...)
	} else {
		q.nc, err = o.Remote.connect(opts...)
	}
	if err != nil {
		return nil, err
	}
	if err := q.setUp(ctx); err != nil {
		if q.own != nil && strings.Contains(err.Error(), "stream is offline") {
			err = fmt.Errorf("%w: %w", errOffline, err)
		}
		if q.ownerLeft() {
			err = fmt.Errorf("%w: %w", errGone, err)
		}
		q.Close()
		return nil, fmt.Errorf("%w: %w", ErrQueue, err)
	}
	return q, nil
}

// errOffline: the home's server shuts a stream whose consumer's description has rotted.
var errOffline = errors.New("the store is damaged")

// errGone: the process that had the home's queue open has left.
var errGone = errors.New("the process that had the queue open has left")

// ownerLeft reports, after an error, whether the queue was reached through
// another process of the home that is leaving.
func (q *Queue) ownerLeft() bool {
	if q.own != nil || q.opts.Remote.URL != "" {
		return false
	}
	select {
	case <-q.gone:
		return true
	case <-time.After(time.Second): // a server that shuts down answers for a moment longer
		return false
	}
}

// reopen closes the queue and opens it again.
func (q *Queue) reopen(ctx context.Context) (*Queue, error) {
	q.Close()
	return OpenQueue(ctx, q.home, q.opts)
}

func (r Remote) connect(opts ...nats.Option) (*nats.Conn, error) {
	opts = append(opts, nats.MaxReconnects(-1)) // the default gives up after two minutes
	if r.Creds != "" {
		opts = append(opts, nats.UserCredentials(r.Creds))
	}
	if r.CA != "" {
		opts = append(opts, nats.RootCAs(r.CA))
	}
	if r.Cert != "" || r.Key != "" {
		opts = append(opts, nats.ClientCert(r.Cert, r.Key))
	}
	nc, err := nats.Connect(r.URL, opts...)
	if err != nil {
		return nil, fmt.Errorf("%w: %s: %w", ErrQueue, r.URL, err)
	}
	return nc, nil
}

func (q *Queue) setUp(ctx context.Context) error {
	js, err := jetstream.New(q.nc, jetstream.WithDefaultTimeout(10*time.Second))
	if err != nil {
		return err
	}
	q.js = js
	replicas := 1
	if q.nc.ConnectedClusterName() != "" {
		replicas = 3
	}
	streams := []struct {
		into *jetstream.Stream
		cfg  jetstream.StreamConfig
	}{
		{&q.jobs, jetstream.StreamConfig{
			Name: jobsStream, Subjects: []string{jobsPrefix + "*"}, Description: "clips to be measured",
			Retention: jetstream.WorkQueuePolicy, Discard: jetstream.DiscardNew,
			MaxMsgsPerSubject: 1, DiscardNewPerSubject: true, // a queued job is refused a second time
			MaxBytes: jobsMaxBytes, MaxMsgSize: maxJobBytes, Duplicates: publishWindow,
		}},
		{&q.dead, jetstream.StreamConfig{
			Name: deadStream, Subjects: []string{deadPrefix + "*"}, Description: "jobs given up, with reasons",
			Discard: jetstream.DiscardNew, MaxMsgsPerSubject: 1, MaxBytes: deadMaxBytes,
		}},
		{&q.recs, jetstream.StreamConfig{
			Name: recordsStream, Subjects: []string{recordsPrefix + "*.*"}, Description: "records as they are made",
			Discard: jetstream.DiscardOld, MaxMsgsPerSubject: 1, MaxBytes: recordsMaxBytes,
		}},
	}
	for _, s := range streams {
		s.cfg.Storage, s.cfg.Replicas = jetstream.FileStorage, replicas
		if err := again(ctx, func() (err error) {
			*s.into, err = js.CreateOrUpdateStream(ctx, s.cfg)
			return err
		}); err != nil {
			return fmt.Errorf("stream %s: %w", s.cfg.Name, err)
		}
	}
	return nil
}

// again repeats f for as long as a cluster takes to elect a leader.
func again(ctx context.Context, f func() error) error {
	var err error
	for wait := 100 * time.Millisecond; wait < 5*time.Second; wait *= 2 {
		if err = f(); err == nil {
			return nil
		}
		var api *jetstream.APIError
		if errors.As(err, &api) && api.Code < 500 {
			return err // refused, not unavailable
		}
		select {
		case <-ctx.Done():
			return err
		case <-time.After(wait):
		}
	}
	return err
}

// Gone is closed when the connection is closed for good: by Close, or because
// the process that had the home's queue open has left.
func (q *Queue) Gone() <-chan struct{} { return q.gone }

// Owner reports whether this process has the home's queue store open.
func (q *Queue) Owner() bool { return q.own != nil }

// Close sends what is buffered, disconnects, and stops the embedded server if
// this process runs it.
func (q *Queue) Close() {
	if q.nc.Drain() == nil {
		select {
		case <-q.gone:
		case <-time.After(5 * time.Second):
		}
	}
	q.nc.Close()
	if q.own != nil {
		q.own.stop()
	}
}

// errRotten: a job's place in the stream is taken by a message that cannot be
// read. (Or the job was there and finished between two questions.)
var errRotten = errors.New("the queue holds a message that it cannot read")

// Publish puts a job on the queue. send numbers deliberate publications of the
// job; the same number again is the same publication. already is true when the
// job is on the queue from before. When Publish returns nil the job is stored.
func (q *Queue) Publish(ctx context.Context, j Job, send int) (seq uint64, already bool, err error) {
	b, err := json.Marshal(j)
	if err != nil {
		return 0, false, fmt.Errorf("job %s: %w", j.ID, err)
	}
	wait, cancel := context.WithTimeout(ctx, answerWithin)
	defer cancel()
	ack, err := q.js.Publish(wait, jobsPrefix+j.ID, b,
		jetstream.WithMsgID(fmt.Sprintf("%s/%d/%d", j.ID, j.Round, send)),
		jetstream.WithExpectStream(jobsStream),
		jetstream.WithRetryAttempts(6), jetstream.WithRetryWait(500*time.Millisecond))
	var api *jetstream.APIError
	switch {
	case err == nil:
		return ack.Sequence, ack.Duplicate, nil
	case errors.As(err, &api) && strings.Contains(api.Description, "maximum messages per subject"):
		has, seq, err := q.Has(ctx, j.ID)
		if err == nil && !has {
			err = fmt.Errorf("%w: job %s", errRotten, j.ID)
		}
		return seq, true, err
	case errors.As(err, &api) && strings.Contains(api.Description, "maximum bytes"):
		return 0, false, fmt.Errorf("%w: %w: the queue is full: job %s: %w", ErrQueue, ErrFull, j.ID, err)
	}
	return 0, false, fmt.Errorf("%w: publish job %s: %w", ErrQueue, j.ID, err)
}

// Has reports whether the stream holds the job in readable form, queued or
// being worked on, and its sequence. A message whose bytes have rotted counts
// as absent; its sequence is returned all the same if known.
func (q *Queue) Has(ctx context.Context, jobID string) (has bool, seq uint64, err error) {
	ctx, cancel := context.WithTimeout(ctx, askWithin)
	defer cancel()
	m, err := q.jobs.GetLastMsgForSubject(ctx, jobsPrefix+jobID)
	if errors.Is(err, jetstream.ErrMsgNotFound) {
		return false, 0, nil
	}
	if err != nil {
		return false, 0, fmt.Errorf("%w: look for job %s: %w", ErrQueue, jobID, err)
	}
	var j Job
	if json.Unmarshal(m.Data, &j) != nil || j.ID != jobID {
		return false, m.Sequence, nil
	}
	return true, m.Sequence, nil
}

// readable calls f for each job that the stream holds and can read.
func (q *Queue) readable(ctx context.Context, f func(Job) error) error {
	info, err := q.jobs.Info(ctx)
	if err != nil {
		return fmt.Errorf("%w: %w", ErrQueue, err)
	}
	for seq := info.State.FirstSeq; seq > 0 && seq <= info.State.LastSeq; seq++ {
		m, err := q.jobs.GetMsg(ctx, seq)
		if errors.Is(err, jetstream.ErrMsgNotFound) {
			continue
		}
		if err != nil {
			return fmt.Errorf("%w: read message %d: %w", ErrQueue, seq, err)
		}
		if j, err := parseJob(m.Data); err == nil {
			if err := f(j); err != nil {
				return err
			}
		}
	}
	return nil
}

// purge removes everything from the stream, delivered or not.
func (q *Queue) purge(ctx context.Context) error {
	if err := q.jobs.Purge(ctx); err != nil {
		return fmt.Errorf("%w: purge: %w", ErrQueue, err)
	}
	return nil
}

// askWithin is how long a question may take. One that was on its way to a server that
// died is never answered, and by then another server leads.
const askWithin = 4 * time.Second

// answerWithin is how long a server may take to say that it has stored something.
// One whose disk is full does not answer at all.
const answerWithin = 10 * time.Second

// store publishes to a stream other than that of jobs.
func (q *Queue) store(ctx context.Context, stream, subject string, body []byte) error {
	ctx, cancel := context.WithTimeout(ctx, answerWithin)
	defer cancel()
	_, err := q.js.Publish(ctx, subject, body, jetstream.WithExpectStream(stream), jetstream.WithRetryAttempts(6))
	return err
}

// Bury stores a dead letter in place of an earlier one of the same job.
func (q *Queue) Bury(ctx context.Context, id string, d DeadLetter) error {
	b, err := json.Marshal(d)
	if err != nil {
		return fmt.Errorf("dead letter %s: %w", id, err)
	}
	if err := q.store(ctx, deadStream, deadPrefix+id, b); err != nil {
		return fmt.Errorf("%w: dead letter %s: %w", ErrQueue, id, err)
	}
	return nil
}

// Buried returns the job's dead letter; ok is false when there is none.
func (q *Queue) Buried(ctx context.Context, id string) (d DeadLetter, ok bool, err error) {
	ctx, cancel := context.WithTimeout(ctx, askWithin)
	defer cancel()
	m, err := q.dead.GetLastMsgForSubject(ctx, deadPrefix+id)
	if errors.Is(err, jetstream.ErrMsgNotFound) {
		return d, false, nil
	}
	if err == nil {
		err = json.Unmarshal(m.Data, &d)
	}
	if err != nil {
		return d, false, fmt.Errorf("%w: dead letter %s: %w", ErrQueue, id, err)
	}
	return d, true, nil
}

// unbury removes a dead letter whose job is to be tried again.
func (q *Queue) unbury(ctx context.Context, id string) error {
	ctx, cancel := context.WithTimeout(ctx, askWithin)
	defer cancel()
	if err := q.dead.Purge(ctx, jetstream.WithPurgeSubject(deadPrefix+id)); err != nil {
		return fmt.Errorf("%w: dead letter %s: %w", ErrQueue, id, err)
	}
	return nil
}

// unannounce takes a job's outcome off the feed, so that the next one is told
// from it.
func (q *Queue) unannounce(ctx context.Context, jobID string) error {
	ctx, cancel := context.WithTimeout(ctx, 2*askWithin)
	defer cancel()
	for _, id := range outcomeIDs(jobID) {
		if err := q.recs.Purge(ctx, jetstream.WithPurgeSubject(recordsPrefix+"*."+id)); err != nil {
			return fmt.Errorf("%w: feed of %s: %w", ErrQueue, jobID, err)
		}
	}
	return nil
}

// outcomeIDs are the record ids that tell a job's outcome: its first swing, or
// its failure.
func outcomeIDs(jobID string) []string { return []string{RecordID(jobID, 1), RecordID(jobID, 0)} }

// Announce publishes a stored event on the feed of records. Repeating it with
// the same event is harmless.
func (q *Queue) Announce(ctx context.Context, team, recordID string, eventJSON []byte) error {
	if err := q.store(ctx, recordsStream, recordsPrefix+teamToken(team)+"."+recordID, eventJSON); err != nil {
		return fmt.Errorf("%w: announce record %s: %w", ErrQueue, recordID, err)
	}
	return nil
}

// announced returns the job's outcome as the feed has it: how a home learns what
// another home's worker did. ok is false when there is none.
func (q *Queue) announced(ctx context.Context, jobID string) (rec Record, ok bool, err error) {
	ctx, cancel := context.WithTimeout(ctx, askWithin)
	defer cancel()
	for _, id := range outcomeIDs(jobID) {
		m, err := q.recs.GetLastMsgForSubject(ctx, recordsPrefix+"*."+id)
		if errors.Is(err, jetstream.ErrMsgNotFound) {
			continue
		}
		e := event.New()
		if err == nil {
			err = json.Unmarshal(m.Data, &e)
		}
		if err != nil {
			return rec, false, fmt.Errorf("%w: look for record of %s: %w", ErrQueue, jobID, err)
		}
		return Record{JobID: jobID, Events: []event.Event{e}, Failed: id == jobID}, true, nil
	}
	return rec, false, nil
}

// Depth is what the queue says about itself.
type Depth struct {
	Jobs    uint64 // in the stream: waiting, running or held back
	Pending uint64 // never delivered, or handed back
	Taken   int    // delivered and not acknowledged, held back ones included
	LastSeq uint64
	Dead    uint64
}

// stranded reports that there are jobs and the consumer knows of none.
func (d Depth) stranded() bool { return d.Jobs > 0 && d.Pending == 0 && d.Taken == 0 }

// Depth asks the server.
func (q *Queue) Depth(ctx context.Context) (Depth, error) {
	ctx, cancel := context.WithTimeout(ctx, askWithin)
	defer cancel()
	var d Depth
	info, err := q.jobs.Info(ctx)
	if err != nil {
		return d, fmt.Errorf("%w: %w", ErrQueue, err)
	}
	d.Jobs, d.LastSeq = info.State.Msgs, info.State.LastSeq
	dead, err := q.dead.Info(ctx)
	if err != nil {
		return d, fmt.Errorf("%w: %w", ErrQueue, err)
	}
	d.Dead = dead.State.Msgs
	c, err := q.jobs.Consumer(ctx, workers)
	if errors.Is(err, jetstream.ErrConsumerNotFound) {
		d.Pending = d.Jobs // no worker has ever been here
		return d, nil
	}
	if err != nil {
		return d, fmt.Errorf("%w: %w", ErrQueue, err)
	}
	ci := c.CachedInfo()
	d.Pending, d.Taken = ci.NumPending, ci.NumAckPending
	return d, nil
}

package worker

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

// puller takes jobs off the queue, one at a time for each caller of next.
type puller struct {
	q    *Queue
	mu   sync.Mutex
	cons jetstream.Consumer
}

// newPuller makes the consumer. fresh drops what an earlier one remembers, so
// that jobs left by killed workers are delivered at once and not after
// ackWait; only the process that holds the home's store may ask for it, when no
// other worker can be running.
func (q *Queue) newPuller(ctx context.Context, fresh bool) (*puller, error) {
	if fresh {
		if err := q.jobs.DeleteConsumer(ctx, workers); err != nil && !errors.Is(err, jetstream.ErrConsumerNotFound) {
			return nil, fmt.Errorf("%w: consumer: %w", ErrQueue, err)
		}
	}
	p := &puller{q: q}
	return p, p.make(ctx)
}

func (p *puller) make(ctx context.Context) error {
	err := again(ctx, func() error {
		cons, err := p.q.jobs.CreateOrUpdateConsumer(ctx, jetstream.ConsumerConfig{
			Durable:       workers,
			AckPolicy:     jetstream.AckExplicitPolicy,
			AckWait:       ackWait,
			MaxDeliver:    maxDeliver,
			MaxAckPending: maxOutstanding,
			MaxWaiting:    2048, // one pull per slot of every worker
		})
		if err == nil {
			p.mu.Lock()
			defer p.mu.Unlock()
			p.cons = cons
		}
		return err
	})
	if err != nil {
		return fmt.Errorf("%w: consumer: %w", ErrQueue, err)
	}
	return nil
}

// pullWait is how long one pull stays open, and so how late a slot notices that
// it is to stop. A pull is not cut short: a job on its way to an abandoned pull
// would be out of reach for ackWait.
const pullWait = 500 * time.Millisecond

// next waits up to pullWait for a job. It returns nil when there is none.
func (p *puller) next(ctx context.Context) (*delivery, error) {
	p.mu.Lock()
	cons := p.cons
	p.mu.Unlock()
	batch, err := cons.Fetch(1, jetstream.FetchMaxWait(pullWait))
	if err != nil {
		return nil, fmt.Errorf("%w: pull: %w", ErrQueue, err)
	}
	for m := range batch.Messages() {
		return newDelivery(m), nil
	}
	if err := batch.Error(); err != nil {
		return nil, fmt.Errorf("%w: pull: %w", ErrQueue, err)
	}
	return nil, nil
}

// delivery is one job in a worker's hands.
type delivery struct {
	msg jetstream.Msg
	id  string // from the subject, so known even when the body is not a job
	job Job
	bad error // the body is not a job
	nth int   // delivery of this job, from 1; the queue makes maxDeliver
}

func newDelivery(m jetstream.Msg) *delivery {
	d := &delivery{msg: m, id: m.Subject()[len(jobsPrefix):]}
	d.job, d.bad = parseJob(m.Data())
	if d.bad == nil && d.job.ID != d.id {
		d.bad = &Failure{Class: ClassBadClip, Kind: KindBadJob, Words: "the queue message names another job"}
	}
	if md, err := m.Metadata(); err == nil {
		d.nth = int(md.NumDelivered)
	}
	return d
}

// done acknowledges and waits for the server's word that it has the
// acknowledgement.
func (d *delivery) done(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, answerWithin)
	defer cancel()
	if err := d.msg.DoubleAck(ctx); err != nil {
		return fmt.Errorf("%w: acknowledge %s: %w", ErrQueue, d.id, err)
	}
	return nil
}

func (d *delivery) working() error  { return d.msg.InProgress() }
func (d *delivery) handBack() error { return d.msg.Nak() }
func (d *delivery) later(delay time.Duration) error {
	return d.msg.NakWithDelay(max(delay, time.Millisecond))
}
func (d *delivery) terminate(reason string) error { return d.msg.TermWithReason(reason) }

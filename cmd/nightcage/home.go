package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"github.com/rs/zerolog"
	"github.com/spf13/pflag"

	"nightcage/worker"
	"nightcage/worker/depot"
)

// homeFlags say where jobs and records are kept and how the queue is reached.
type homeFlags struct {
	dir   string
	level string
}

func (f *homeFlags) bind(flags *pflag.FlagSet) {
	flags.StringVar(&f.dir, "home", "", "`DIR` of ledger, records and queue (default $NIGHTCAGE_HOME, else ~/.nightcage)")
	flags.StringVar(&f.level, "log-level", "info", "least `LEVEL` that is logged: debug, info, warn, error")
}

// queueFlags name a queue elsewhere, and the depot of the hosts that share it.
type queueFlags struct {
	remote   worker.Remote
	depot    string
	endpoint string
}

func (f *queueFlags) bind(flags *pflag.FlagSet) {
	flags.StringVar(&f.remote.URL, "queue", os.Getenv("NIGHTCAGE_QUEUE"), "`URL` of a JetStream server, nats://HOST:4222 (default $NIGHTCAGE_QUEUE, else the home's own queue)")
	flags.StringVar(&f.remote.Creds, "queue-creds", "", "credentials `FILE` for it")
	flags.StringVar(&f.remote.CA, "queue-ca", "", "PEM `FILE` of the authority that signed its certificate")
	flags.StringVar(&f.remote.Cert, "queue-cert", "", "PEM `FILE` of our certificate")
	flags.StringVar(&f.remote.Key, "queue-key", "", "PEM `FILE` of our certificate's key")
	flags.StringVar(&f.depot, "depot", os.Getenv("NIGHTCAGE_DEPOT"), "`PLACE` through which hosts share clips and records: a folder, or s3://BUCKET/PREFIX (default $NIGHTCAGE_DEPOT, else none)")
	flags.StringVar(&f.endpoint, "depot-endpoint", os.Getenv("NIGHTCAGE_DEPOT_ENDPOINT"), "https://HOST:PORT of the server that has the bucket; keys come from AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY")
}

// open opens the depot; nil when there is none.
func (f queueFlags) open() (depot.Depot, error) {
	if f.depot == "" {
		return nil, nil
	}
	if !strings.Contains(f.depot, "://") {
		return depot.OpenDir(f.depot)
	}
	b, err := depot.OpenBucket(f.depot, f.endpoint)
	if err != nil {
		return nil, usageError{err}
	}
	return b, nil
}

// store is an open home without its queue.
type store struct {
	home    worker.Home
	ledger  *worker.Ledger
	records *worker.Records
	log     zerolog.Logger
}

func (f *homeFlags) open(ctx context.Context, log io.Writer) (*store, error) {
	level, err := zerolog.ParseLevel(f.level)
	if err != nil || f.level == "" {
		return nil, usageError{fmt.Errorf("--log-level %q: debug, info, warn or error", f.level)}
	}
	dir := f.dir
	if dir == "" {
		dir = os.Getenv("NIGHTCAGE_HOME")
	}
	if dir == "" {
		user, err := os.UserHomeDir()
		if err != nil {
			return nil, usageError{fmt.Errorf("no home directory is known, give --home: %w", err)}
		}
		dir = filepath.Join(user, ".nightcage")
	}
	s := &store{log: zerolog.New(log).Level(level).With().Timestamp().Logger()}
	if s.home, err = worker.OpenHome(dir); err != nil {
		return nil, err
	}
	if s.records, err = worker.OpenRecords(s.home.RecordsDir()); err != nil {
		return nil, err
	}
	if s.ledger, err = worker.OpenLedger(ctx, s.home.LedgerPath()); err != nil {
		return nil, err
	}
	return s, nil
}

func (s *store) close() { s.ledger.Close() }

// desk opens the queue as well; leave closes it.
func (s *store) desk(ctx context.Context, q queueFlags) (d *worker.Desk, leave func(), err error) {
	shared, err := q.open()
	if err != nil {
		return nil, nil, err
	}
	queue, err := worker.OpenQueue(ctx, s.home, worker.QueueOptions{Remote: q.remote, Log: s.log})
	if err != nil {
		return nil, nil, err
	}
	d = &worker.Desk{Ledger: s.ledger, Records: s.records, Queue: queue, Depot: shared, MinFree: worker.DefaultMinFree}
	return d, func() { d.Queue.Close() }, nil
}

// openDesk opens home and queue; leave closes both.
func (f *homeFlags) openDesk(ctx context.Context, log io.Writer, q queueFlags) (d *worker.Desk, leave func(), err error) {
	s, err := f.open(ctx, log)
	if err != nil {
		return nil, nil, err
	}
	d, leaveQueue, err := s.desk(ctx, q)
	if err != nil {
		s.close()
		return nil, nil, err
	}
	return d, func() { leaveQueue(); s.close() }, nil
}

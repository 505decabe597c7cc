package worker

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/rs/zerolog"
)

// embedded is a JetStream server inside this process.
type embedded struct {
	home   Home
	lock   *os.File
	srv    *server.Server
	token  string
	listen bool
}

const serverReadyWithin = 30 * time.Second // recovery of a full store on a slow disk

// startEmbedded opens the home's queue store. With listen, other processes of
// this user can connect through loopback. errLocked when another process has
// the store.
func startEmbedded(ctx context.Context, home Home, o QueueOptions) (*embedded, error) {
	log := o.Log
	lock, err := home.lock()
	if err != nil {
		return nil, err
	}
	e := &embedded{home: home, lock: lock, token: rand.Text(), listen: o.Listen}
	if o.afresh {
		err = home.setQueueAside()
	}
	if err == nil {
		err = e.start(ctx, log)
	}
	if errors.Is(err, errUnrecovered) {
		log.Error().Err(err).Msg("the queue's store is damaged; a new one is filled from ledger and records")
		e.shutdown()
		if err = home.setQueueAside(); err == nil {
			err = e.start(ctx, log)
		}
	}
	if err != nil {
		e.stop()
		return nil, fmt.Errorf("queue server: %w", err)
	}
	return e, nil
}

// sweep removes the probe files that a server killed as it started left in its
// store. Server 2.15.2 takes one for an account that it cannot find, and never gets
// healthy again. The store is locked, so no server is writing one.
func (e *embedded) sweep() error {
	probes, err := filepath.Glob(filepath.Join(e.home.queueDir(), "jetstream", "_test_*"))
	if err != nil {
		return err
	}
	for _, p := range probes {
		if err := os.Remove(p); err != nil {
			return err
		}
	}
	return nil
}

func (e *embedded) start(ctx context.Context, log zerolog.Logger) error {
	opts := &server.Options{
		ServerName:             "nightcage",
		Host:                   "127.0.0.1",
		Port:                   server.RANDOM_PORT,
		DontListen:             !e.listen,
		Authorization:          e.token,
		JetStream:              true,
		StoreDir:               e.home.queueDir(),
		SyncAlways:             true, // the default acknowledges up to two minutes before it syncs
		JetStreamMaxMemory:     64 << 20,
		JetStreamMaxStore:      jobsMaxBytes + deadMaxBytes + recordsMaxBytes + 64<<20,
		MaxPayload:             maxPayload,
		NoSigs:                 true, // else the server takes SIGTERM and exits the process
		DisableJetStreamBanner: true,
	}
	if err := e.sweep(); err != nil {
		return err
	}
	srv, err := server.NewServer(opts)
	if err != nil {
		return err
	}
	causes := &serverLog{log: log}
	srv.SetLoggerV2(causes, false, false, false)
	e.srv = srv
	srv.Start()
	deadline := time.Now().Add(serverReadyWithin)
	for !srv.ReadyForConnections(100 * time.Millisecond) {
		// A server that failed to start still claims to be running; its log is
		// the only witness.
		if c := causes.fatal(); c != "" {
			return errors.New(c)
		}
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if time.Now().After(deadline) {
			return fmt.Errorf("not ready after %v: %s", serverReadyWithin, causes.last())
		}
	}
	if err := e.ill(); err != nil {
		return fmt.Errorf("%w: %s", err, causes.last())
	}
	if e.listen {
		a := address{URL: srv.ClientURL(), Token: e.token, PID: os.Getpid()}
		if err := e.home.writeAddress(a); err != nil {
			return fmt.Errorf("write address: %w", err)
		}
	}
	return nil
}

// errUnrecovered: the server cannot read part of its store.
var errUnrecovered = errors.New("damaged store")

// ill returns what the server says is wrong with it, nil when nothing. A stream
// whose store has once refused a write stays shut until the server is started anew,
// however much room there is by then.
func (e *embedded) ill() error {
	h := e.srv.Healthz(nil)
	switch {
	case h.StatusCode == 200 && e.srv.JetStreamEnabled():
		return nil
	case strings.Contains(h.Error, "could not be recovered"):
		return fmt.Errorf("%w: %s", errUnrecovered, h.Error)
	}
	return fmt.Errorf("not healthy: %s %s", h.Status, h.Error)
}

func (e *embedded) connect(opts ...nats.Option) (*nats.Conn, error) {
	return nats.Connect("", append(opts, nats.InProcessServer(e.srv), nats.Token(e.token))...)
}

// stop shuts the server down, waits for it, and gives the lock back. All of
// the store is closed when it returns.
func (e *embedded) stop() {
	e.shutdown()
	if e.lock != nil {
		e.lock.Close() // the lock goes with the descriptor
		e.lock = nil
	}
}

func (e *embedded) shutdown() {
	if e.srv == nil {
		return
	}
	if e.listen {
		if a, err := e.home.readAddress(); err == nil && a.Token == e.token {
			os.Remove(e.home.addressPath())
		}
	}
	e.srv.Shutdown()
	e.srv.WaitForShutdown()
	e.srv = nil
}

// serverLog hands warnings and errors of the server to the worker's log and
// keeps the latest, which is often the only cause there is.
type serverLog struct {
	log zerolog.Logger

	mu    sync.Mutex
	died  string
	words string
}

func (s *serverLog) keep(words string, died bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.words = words
	if died && s.died == "" {
		s.died = words
	}
}

func (s *serverLog) fatal() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.died
}

func (s *serverLog) last() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.words
}

func (s *serverLog) Noticef(string, ...any) {}
func (s *serverLog) Debugf(string, ...any)  {}
func (s *serverLog) Tracef(string, ...any)  {}

func (s *serverLog) Warnf(format string, a ...any) {
	words := fmt.Sprintf(format, a...)
	if strings.HasPrefix(words, "Plaintext passwords") {
		return // the token is random, lives as long as the process, and is in a 0600 file
	}
	s.keep(words, false)
	s.log.Warn().Str("from", "queue server").Msg(words)
}

func (s *serverLog) Errorf(format string, a ...any) {
	words := fmt.Sprintf(format, a...)
	s.keep(words, false)
	s.log.Error().Str("from", "queue server").Msg(words)
}

// Fatalf must not exit: the process has jobs to hand back.
func (s *serverLog) Fatalf(format string, a ...any) {
	words := fmt.Sprintf(format, a...)
	s.keep(words, true)
	s.log.Error().Str("from", "queue server").Msg(words)
}

// openLocal gets at the home's queue: by opening the store, or, when another
// process has it, through that process. It waits for a store that is just
// changing hands.
func openLocal(ctx context.Context, home Home, o QueueOptions, opts ...nats.Option) (*nats.Conn, *embedded, error) {
	const patience = 30 * time.Second // another submit may be in the middle of a batch
	deadline := time.Now().Add(patience)
	for {
		e, err := startEmbedded(ctx, home, o)
		if err == nil {
			nc, err := e.connect(opts...)
			if err != nil {
				e.stop()
				return nil, nil, fmt.Errorf("%w: %w", ErrQueue, err)
			}
			return nc, e, nil
		}
		if !errors.Is(err, errLocked) {
			return nil, nil, fmt.Errorf("%w: %w", ErrQueue, err)
		}
		a, aerr := home.readAddress()
		if aerr == nil {
			var nc *nats.Conn
			if nc, aerr = nats.Connect(a.URL, append(opts, nats.Token(a.Token), nats.NoReconnect())...); aerr == nil {
				return nc, nil, nil
			}
		}
		if time.Now().After(deadline) {
			return nil, nil, fmt.Errorf("%w: %w, and it cannot be reached: %w", ErrQueue, err, aerr)
		}
		select {
		case <-ctx.Done():
			return nil, nil, ctx.Err()
		case <-time.After(50 * time.Millisecond):
		}
	}
}

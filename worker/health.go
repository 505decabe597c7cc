package worker

import (
	"context"
	"crypto/rand"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"golang.org/x/sys/unix"

	"nightcage/worker/depot"
)

// CheckName names one thing that a worker needs in order to work.
type CheckName string

// The checks. The first three are of the process itself and a new process may
// mend them, so they decide whether it is healthy; it is ready when all pass.
const (
	CheckSlots    CheckName = "slots"    // every slot shows life
	CheckQueue    CheckName = "queue"    // the queue answers, and free slots get the jobs that wait
	CheckAnalysis CheckName = "analysis" // analyses come to an end of their own
	CheckStore    CheckName = "store"    // home, records, ledger and depot can be written
	CheckDisk     CheckName = "disk"     // there is room
	CheckTaking   CheckName = "taking"   // the worker has begun and was not told to stop
)

// CheckNames lists every check.
func CheckNames() []CheckName {
	return []CheckName{CheckSlots, CheckQueue, CheckAnalysis, CheckStore, CheckDisk, CheckTaking}
}

// vital reports whether a failed check makes a worker unhealthy, and not only
// unready.
func (c CheckName) vital() bool {
	return c == CheckSlots || c == CheckQueue || c == CheckAnalysis
}

// Check is what one check found.
type Check struct {
	Name  CheckName `json:"name"`
	OK    bool      `json:"ok"`
	Words string    `json:"words,omitempty"` // what is wrong, empty when OK
}

// Health is all checks of a worker at one moment.
type Health struct {
	Healthy bool    `json:"healthy"` // no vital check failed
	Ready   bool    `json:"ready"`   // no check failed
	Checks  []Check `json:"checks"`
}

const (
	// slotSilence is how long an idle slot may take to come round: a pull of
	// pullWait, and when that fails six attempts to make the consumer anew.
	slotSilence = 90 * time.Second
	// settleSilence is how long a job may show no progress beyond StallAfter: what
	// handle allows for storing and acknowledging, and a moment.
	settleSilence = 2*time.Minute + 15*time.Second
	// takeWithin is how long a free slot may leave a waiting job alone, the
	// redelivery that follows a lost pull (ackWait) included.
	takeWithin = 2 * ackWait
	// strandedFor is how long jobs may lie where the consumer knows of none:
	// reconciling mends that.
	strandedFor = 2 * reconcileEvery
	// deadAnalyses in a row, of more than one clip, are the machine's fault: one
	// clip is given up after two (common practice, no source).
	deadAnalyses = 3
	askQueue     = 3 * time.Second
)

// Health checks the worker. It may be called at any time, from any goroutine; a
// queue or disk that does not answer costs it some seconds and is what it reports.
func (w *Worker) Health(ctx context.Context) Health {
	p := w.signs()
	words := map[CheckName]string{
		CheckSlots:    p.slotsWords(),
		CheckQueue:    p.queueWords(ctx),
		CheckAnalysis: p.analysisWords(),
		CheckTaking:   p.takingWords(),
	}
	words[CheckStore], words[CheckDisk] = p.store.words(ctx)
	h := Health{Healthy: true, Ready: true}
	for _, n := range CheckNames() {
		c := Check{Name: n, OK: words[n] == "", Words: words[n]}
		h.Checks = append(h.Checks, c)
		h.Ready = h.Ready && c.OK
		h.Healthy = h.Healthy && (c.OK || !n.vital())
	}
	return h
}

func (p *pulse) takingWords() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	switch {
	case p.stopping:
		return "the worker was told to stop"
	case p.queue == nil:
		return "the worker has not opened its queue"
	}
	return ""
}

func (p *pulse) slotsWords() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	for i, s := range p.slots {
		silent := time.Since(s.beat)
		if s.job == "" && silent > slotSilence {
			return fmt.Sprintf("slot %d has not asked for a job for %v", i+1, silent.Round(time.Second))
		}
		if s.job != "" && silent > p.stallAfter+settleSilence {
			return fmt.Sprintf("slot %d shows no life on job %s for %v", i+1, s.job, silent.Round(time.Second))
		}
	}
	return ""
}

func (p *pulse) analysisWords() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	clips := slices.Clone(p.dead)
	slices.Sort(clips)
	if n := len(slices.Compact(clips)); len(p.dead) >= deadAnalyses && n > 1 {
		return fmt.Sprintf("the last %d analyses, of %d clips, died", len(p.dead), n)
	}
	return ""
}

func (p *pulse) queueWords(ctx context.Context) string {
	p.mu.Lock()
	q, free, began, took := p.queue, 0, p.began, p.took
	for _, s := range p.slots {
		free += b2i(s.job == "")
	}
	p.mu.Unlock()
	if q == nil {
		return "" // CheckTaking says so
	}
	ctx, cancel := context.WithTimeout(ctx, askQueue)
	defer cancel()
	d, err := q.Depth(ctx)
	if err != nil {
		return err.Error()
	}
	idle := time.Since(took)
	switch {
	case time.Since(began) < takeWithin || free == 0:
	case d.Pending > 0 && idle > takeWithin:
		return fmt.Sprintf("%d jobs wait, %d slots are free, and none got a job for %v", d.Pending, free, idle.Round(time.Second))
	case d.stranded() && idle > strandedFor:
		return fmt.Sprintf("%d jobs are on the queue and none is handed out", d.Jobs)
	}
	return ""
}

// storeProbe tries whether a home's storage takes writes and has room. What it
// found stands for probeEvery.
type storeProbe struct {
	home    Home
	records *Records
	ledger  *Ledger
	minFree uint64
	depot   depot.Depot // nil: none

	mu          sync.Mutex
	at          time.Time
	store, disk string
	running     chan struct{} // closed when the probe that is under way ends; nil: none
}

const (
	probeEvery  = 15 * time.Second
	probeWithin = 5 * time.Second // a disk that takes longer to write five bytes is no use
)

// words returns what is wrong with the storage and with its room, empty when
// nothing.
func (s *storeProbe) words(ctx context.Context) (store, disk string) {
	s.mu.Lock()
	if time.Since(s.at) < probeEvery {
		defer s.mu.Unlock()
		return s.store, s.disk
	}
	if s.running == nil { // else a probe hangs, and a second one would too
		s.running = make(chan struct{})
		go s.probe(s.running)
	}
	running := s.running
	s.mu.Unlock()
	wait := time.NewTimer(probeWithin)
	defer wait.Stop()
	select {
	case <-running:
	case <-ctx.Done():
		return "not asked to the end", ""
	case <-wait.C:
		return fmt.Sprintf("the storage has not answered for %v", probeWithin), ""
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.store, s.disk
}

func (s *storeProbe) probe(done chan struct{}) {
	store, disk := "", ""
	if err := errors.Join(probeDir(s.home.Dir()), probeDir(s.home.scratchDir()), s.records.probe(), s.ledger.probe(), probeDepot(s.depot)); err != nil {
		store = err.Error()
	}
	s.mu.Lock()
	least := s.minFree
	s.mu.Unlock()
	if err := room(s.home.Dir(), least); err != nil {
		disk = err.Error()
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.at, s.store, s.disk, s.running = time.Now(), store, disk, nil
	close(done)
}

// probeDepot puts and deletes a byte.
func probeDepot(dep depot.Depot) error {
	if dep == nil {
		return nil
	}
	ctx, cancel := context.WithTimeout(context.Background(), probeWithin)
	defer cancel()
	key := "probes/" + strings.ToLower(rand.Text())
	if err := dep.Put(ctx, key, strings.NewReader("x"), 1); err != nil {
		return err
	}
	return dep.Delete(ctx, key)
}

// DefaultMinFree is below what a worker with a few slots may need at once: the
// scratch of two analyses (common practice, no source).
const DefaultMinFree = 2 * maxResultBytes

// freeBytes is what an unprivileged process may still write to the file system
// that holds dir.
func freeBytes(dir string) (uint64, error) {
	var s unix.Statfs_t
	if err := unix.Statfs(dir, &s); err != nil {
		return 0, fmt.Errorf("free space of %s: %w", dir, err)
	}
	if s.Files > 0 && s.Ffree < 1000 { // some file systems do not count
		return 0, nil
	}
	return s.Bavail * uint64(s.Bsize), nil
}

// room is nil when at least least bytes are free; ErrFull when not. 0 asks for
// nothing.
func room(dir string, least uint64) error {
	if least == 0 {
		return nil
	}
	free, err := freeBytes(dir)
	if err != nil {
		return fmt.Errorf("%w: %w", ErrStorage, err)
	}
	if free < least {
		return fmt.Errorf("%w: %w: %d MiB are free on the disk of %s, %d are wanted", ErrStorage, ErrFull, free>>20, dir, least>>20)
	}
	return nil
}

func (r *Records) probe() error { return probeDir(r.dir) }

// probe writes to the ledger.
func (l *Ledger) probe() error {
	return l.tx(context.Background(), "probe", func(tx *sql.Tx) error {
		_, err := tx.Exec(`INSERT INTO marks(name,value) VALUES('probed_ms',?) ON CONFLICT(name) DO UPDATE SET value=excluded.value`,
			l.now().UnixMilli())
		return err
	})
}

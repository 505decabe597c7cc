package worker

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"net/http/httptest"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"
	"github.com/rs/zerolog"
)

// face asks a worker over HTTP.
func (n *night) face(path string) (int, []byte) {
	n.t.Helper()
	w := httptest.NewRecorder()
	n.Face().ServeHTTP(w, httptest.NewRequest(http.MethodGet, path, nil))
	return w.Code, w.Body.Bytes()
}

// failing returns the checks that fail, as /readyz and /healthz tell them, after
// comparing the two answers' codes with what the checks mean.
func (n *night) failing() map[CheckName]string {
	n.t.Helper()
	n.Worker.signs().store.mu.Lock()
	n.Worker.signs().store.at = time.Time{} // look anew
	n.Worker.signs().store.mu.Unlock()
	code, body := n.face("/readyz")
	var h Health
	if err := json.Unmarshal(body, &h); err != nil || len(h.Checks) != len(CheckNames()) {
		n.t.Fatalf("%v: %s", err, body)
	}
	words, healthy := map[CheckName]string{}, true
	for _, c := range h.Checks {
		if !c.OK {
			words[c.Name] = c.Words
			healthy = healthy && c.Name != CheckSlots && c.Name != CheckQueue && c.Name != CheckAnalysis
		}
	}
	if want := map[bool]int{true: 200, false: 503}[len(words) == 0]; code != want {
		n.t.Errorf("/readyz says %d with %v", code, words)
	}
	if code, _ := n.face("/healthz"); code != map[bool]int{true: 200, false: 503}[healthy] {
		n.t.Errorf("/healthz says %d with %v", code, words)
	}
	return words
}

// atWork runs the worker until the test ends, or until stop is called.
func (n *night) atWork() (stop func()) {
	n.t.Helper()
	ctx, cancel := context.WithCancel(n.t.Context())
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		n.Serve(ctx, ctx, QueueOptions{Listen: true, Log: n.Log}) // its end is what is asked for here, not its error
	}()
	stop = func() {
		cancel()
		select {
		case <-ended:
		case <-time.After(20 * time.Second):
			n.t.Error("the worker does not end")
		}
	}
	n.t.Cleanup(stop)
	waitUntil(n.t, func() bool { return len(n.failing()) == 0 })
	return stop
}

// only fails unless exactly the named check fails, in words that hold part.
func (n *night) only(c CheckName, part string) {
	n.t.Helper()
	got := n.failing()
	if len(got) != 1 || !strings.Contains(got[c], part) {
		n.t.Errorf("want only %s to fail with %q, got %v", c, part, got)
	}
}

func TestHealthOfAWorkerThatComesAndGoes(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	n.only(CheckTaking, "not opened")
	stop := n.atWork()
	stop()
	n.only(CheckTaking, "told to stop")
}

// A full disk: jobs stay where they are, with no attempt used up, and are measured
// when there is room.
func TestHealthWithoutRoom(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	n.MinFree = 1 << 62
	j := n.clip("a.mp4", "ok")
	n.submit(j)
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- n.Serve(ctx, ctx, QueueOptions{Listen: true, Log: n.Log}) }()
	defer func() { cancel(); <-ended }()
	waitUntil(t, func() bool { return len(n.failing()) == 1 })
	n.only(CheckDisk, "no room left")
	time.Sleep(3 * pullWait)
	if e, err := n.Ledger.Get(t.Context(), j.ID); err != nil || e.State != StateQueued || e.Tries.Attempts != 0 {
		t.Fatalf("%+v, %v", e, err)
	}
	s := &n.Worker.signs().store
	s.mu.Lock()
	s.minFree, s.at = 0, time.Time{}
	s.mu.Unlock()
	n.waitFor(j, StateMeasured)
}

func TestHealthWithoutAStore(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	stop := n.atWork()
	defer stop()
	away := n.Home.RecordsDir() + ".away"
	if err := os.Rename(n.Home.RecordsDir(), away); err != nil {
		t.Fatal(err)
	}
	n.only(CheckStore, "no such file")
	time.Sleep(2 * pullWait) // a pull that was open may still get a job
	j := n.clip("a.mp4", "ok")
	n.submit(j)
	time.Sleep(3 * pullWait)
	if e, err := n.Ledger.Get(t.Context(), j.ID); err != nil || e.State != StateQueued || e.Tries.Attempts != 0 {
		t.Errorf("taken without a store: %+v, %v", e, err)
	}
	if err := os.Rename(away, n.Home.RecordsDir()); err != nil {
		t.Fatal(err)
	}
	if got := n.failing(); len(got) != 0 {
		t.Errorf("the store is back: %v", got)
	}
	n.waitFor(j, StateMeasured)
}

// A disk that hangs is told after probeWithin, and is not asked twice at once.
func TestHealthOfAStoreThatHangs(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	s := &n.Worker.signs().store
	hung := make(chan struct{})
	s.running = hung // as if the probe's write did not come back
	began := time.Now()
	store, _ := s.words(t.Context())
	if !strings.Contains(store, "not answered") || time.Since(began) > 2*probeWithin {
		t.Errorf("%q after %v", store, time.Since(began))
	}
	if s.running != hung {
		t.Error("a second probe was begun")
	}
}

// A server that died in its worker is started anew.
func TestHealthOfAQueueThatDied(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	n.atWork()
	p := n.Worker.signs()
	p.mu.Lock()
	srv := p.queue.own.srv
	p.mu.Unlock()
	srv.Shutdown()
	srv.WaitForShutdown()
	for end := time.Now().Add(time.Minute); !n.Health(t.Context()).Ready; time.Sleep(100 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("not ready again in a minute")
		}
	}
	j := n.clip("a.mp4", "ok")
	n.submit(j)
	n.waitFor(j, StateMeasured)
}

// A worker whose slots stand still while jobs wait: the queue is wedged as well as
// the slots.
func TestHealthOfAWedgedQueue(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	n.submit(n.clip("a.mp4", "ok"))
	n.withQueue(func(d *Desk) {
		p := n.Worker.signs()
		p.start(d.Queue, 2, DefaultStallAfter)
		defer p.end()
		if got := n.failing(); len(got) != 0 {
			t.Errorf("just begun: %v", got)
		}
		age := func(by time.Duration) {
			p.began, p.took = p.began.Add(-by), p.took.Add(-by)
			for i := range p.slots {
				p.slots[i].beat = p.slots[i].beat.Add(-by)
			}
		}
		age(takeWithin + time.Second)
		n.only(CheckQueue, "1 jobs wait, 2 slots are free")
		p.round(0, "j1")
		p.round(1, "j2")
		age(takeWithin + time.Second)
		if got := n.failing(); len(got) != 0 {
			t.Errorf("both slots are busy: %v", got)
		}
		p.beat("j1")
		age(DefaultStallAfter + settleSilence)
		p.beat("j1")
		n.only(CheckSlots, "slot 2 shows no life on job j2")
		p.round(1, "")
		age(slotSilence)
		p.round(0, "j3")
		if got := n.failing(); got[CheckSlots] == "" || !strings.Contains(got[CheckSlots], "slot 2 has not asked") {
			t.Errorf("%v", got)
		}
	})
}

// Analyses that die one after the other, of several clips, are the machine's fault.
func TestHealthWithDeadAnalyses(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	n.Analyzer = Child{Home: n.Home, Command: []string{"/bin/false"}}
	n.atWork()
	one := n.clip("a.mp4", "ok")
	n.submit(one)
	n.waitFor(one, StateDead)
	if got := n.failing(); len(got) != 0 {
		t.Errorf("one clip proves nothing: %v", got)
	}
	two := n.clip("b.mp4", "ok")
	n.submit(two)
	n.waitFor(two, StateDead)
	n.only(CheckAnalysis, "of 2 clips, died")
	n.Worker.signs().analysed("c", time.Second, &Failure{Class: ClassNothing, Kind: "no_swing", Words: "w"})
	if got := n.failing(); len(got) != 0 {
		t.Errorf("an analysis came to its end: %v", got)
	}
}

// Storage that is away uses up no attempt and never ends in the dead letters.
func TestStorageThatIsAwayCostsNothing(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	n.Policy.MaxAttempts = 2
	n.Analyzer = analyzerFunc(func(ctx context.Context, j Job, progress func(int, int)) (Result, error) {
		return Result{}, &Failure{Class: ClassAway, Kind: KindStorage, Words: "no scratch space", Err: errors.New("full")}
	})
	j := n.clip("a.mp4", "ok")
	n.submit(j)
	n.atWork()
	waitUntil(t, func() bool {
		h, err := n.Ledger.History(t.Context(), j.ID)
		return err == nil && len(h) > 12 // some five attempts
	})
	if e, err := n.Ledger.Get(t.Context(), j.ID); err != nil || e.State.Final() || e.Tries.Attempts > 1 {
		t.Errorf("%+v, %v", e, err)
	}
}

type analyzerFunc func(context.Context, Job, func(done, total int)) (Result, error)

func (f analyzerFunc) Analyze(ctx context.Context, j Job, progress func(done, total int)) (Result, error) {
	return f(ctx, j, progress)
}

// What Prometheus reads agrees with the ledger, is named as its linter wants, and
// names nobody.
func TestFigures(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	n.submit(n.clip("a.mp4", "ok"), n.clip("b.mp4", "two"), n.clip("c.mp4", "nothing"), n.clip("d.mp4", "bad"))
	n.drain()
	code, body := n.face("/metrics")
	if code != 200 {
		t.Fatalf("%d: %s", code, body)
	}
	for _, want := range []string{
		`nightcage_jobs{state="measured"} 2`, `nightcage_jobs{state="unmeasured"} 1`, `nightcage_jobs{state="dead"} 1`,
		`nightcage_oldest_job_age_seconds 0`, `nightcage_attempts_total{class="",verdict="measured"} 2`,
		`nightcage_attempts_total{class="bad_clip",verdict="dead"} 1`, `nightcage_attempts_total{class="nothing_to_measure",verdict="unmeasured"} 1`,
		`nightcage_analysis_seconds_count 4`, `nightcage_overhead_seconds_count 2`, `nightcage_check_ok{check="store"} 1`,
		`nightcage_check_ok{check="taking"} 0`, `nightcage_info{pipeline="` + testPipeline + `"} 1`,
	} {
		if !strings.Contains(string(body), want+"\n") {
			t.Errorf("no line %s", want)
		}
	}
	for _, name := range []string{"Wren", "Alder", "Comets", ".mp4"} {
		if strings.Contains(string(body), name) {
			t.Errorf("the figures say %q", name)
		}
	}
	// Prometheus' own rules of naming and help.
	all := prometheus.NewRegistry()
	all.MustRegister(scrape{n.Worker})
	problems, err := testutil.GatherAndLint(prometheus.Gatherers{n.Worker.signs().figures.registry, all})
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range problems {
		if strings.HasPrefix(p.Metric, "nightcage_") {
			t.Errorf("%s: %s", p.Metric, p.Text)
		}
	}
}

// Every line of the log is JSON with level and time, and one about a job names the
// job and its clip's hash.
func TestLogLines(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	var log bytes.Buffer
	n.Log = zerolog.New(zerolog.SyncWriter(&log)).With().Timestamp().Logger()
	hashes := map[string]string{}
	seen := map[string]int{}
	for name, script := range map[string]string{"a": "ok", "b": "nothing", "c": "bad", "d": "flaky /nowhere"} {
		j := n.clip(name, script)
		hashes[j.ID] = j.ClipSHA256
		n.submit(j)
	}
	n.drain()
	for line := range strings.Lines(log.String()) {
		var l struct {
			Level, Time, Message, Job string
			Clip                      string `json:"clip_sha256"`
		}
		if err := json.Unmarshal([]byte(line), &l); err != nil || l.Level == "" || l.Message == "" {
			t.Fatalf("%v: %s", err, line)
		}
		if _, err := time.Parse(time.RFC3339, l.Time); err != nil {
			t.Errorf("%v: %s", err, line)
		}
		if l.Job == "" {
			continue
		}
		seen[l.Job]++
		if hashes[l.Job] == "" || hashes[l.Job] != l.Clip {
			t.Errorf("job without its clip: %s", line)
		}
	}
	for id := range hashes {
		if seen[id] < 2 { // taken, and what came of it
			t.Errorf("job %s has %d lines", id, seen[id])
		}
	}
}

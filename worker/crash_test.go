package worker

import (
	"bytes"
	"context"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
)

// lockedBuffer is a log that is read while it is written.
type lockedBuffer struct {
	mu  sync.Mutex
	buf bytes.Buffer
}

func (b *lockedBuffer) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.buf.Write(p)
}

func (b *lockedBuffer) String() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.buf.String()
}

// process starts this test binary as a worker of the home.
func (n *night) process(env ...string) (*exec.Cmd, *lockedBuffer) {
	n.t.Helper()
	log := &lockedBuffer{}
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), append([]string{"NIGHTCAGE_TEST_ROLE=worker", "NIGHTCAGE_TEST_HOME=" + n.Home.Dir()}, env...)...)
	cmd.Stderr = log
	if err := cmd.Start(); err != nil {
		n.t.Fatal(err)
	}
	n.t.Cleanup(func() {
		cmd.Process.Kill()
		cmd.Wait()
		if n.t.Failed() {
			n.t.Logf("worker process:\n%s", log.String())
		}
	})
	return cmd, log
}

// kill -9 of a worker in the middle of a job: the next worker measures it, and
// there is exactly one record.
func TestKilledWorkerLosesNothing(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	starts := filepath.Join(n.clips, "starts")
	long, short := n.clip("long.mp4", "slow 1s"), n.clip("short.mp4", "ok")
	n.submit(long, short)
	cmd, _ := n.process("NIGHTCAGE_TEST_LOG=" + starts)
	waitUntil(t, func() bool { b, _ := os.ReadFile(starts); return strings.Contains(string(b), long.ID) })
	if err := cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	cmd.Wait()
	if n.state(long) != StateRunning {
		t.Fatalf("killed too late: %s", n.state(long))
	}
	n.audit(0, 0, 2)

	again, _ := n.process("NIGHTCAGE_TEST_DRAIN=1", "NIGHTCAGE_TEST_LOG="+starts)
	if err := again.Wait(); err != nil {
		t.Fatal(err)
	}
	n.audit(2, 0, 0)
	b, err := os.ReadFile(starts)
	if err != nil {
		t.Fatal(err)
	}
	if got := strings.Count(string(b), long.ID); got != 2 {
		t.Errorf("the killed job was begun %d times, want 2", got)
	}
	ids, err := n.Records.IDs()
	if err != nil || len(ids) != 2 {
		t.Errorf("records %v, %v", ids, err)
	}
}

// Submit, status and a second worker reach the store through the process that
// has it open, and the second worker takes the store over when that one leaves.
func TestProcessesShareOneHome(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	first, _ := n.process()
	waitUntil(t, func() bool { _, err := n.Home.readAddress(); return err == nil })
	info, err := os.Stat(n.Home.addressPath())
	if err != nil || info.Mode().Perm() != 0o600 {
		t.Fatalf("address file: %v, %v", info.Mode(), err)
	}
	a := n.clip("a.mp4", "ok")
	n.withQueue(func(d *Desk) {
		if d.Queue.Owner() {
			t.Error("two processes own the store")
		}
		if r, err := d.Submit(t.Context(), a); err != nil || r.Outcome != OutcomeQueued {
			t.Fatalf("%v, %v", r.Outcome, err)
		}
	})
	n.waitFor(a, StateMeasured)

	second, log := n.process()
	waitUntil(t, func() bool { return strings.Contains(log.String(), `"working"`) })
	if strings.Contains(log.String(), `"owner":true`) {
		t.Fatal("two processes own the store")
	}
	if err := first.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := first.Wait(); err != nil {
		t.Fatalf("SIGTERM: %v", err)
	}
	b := n.clip("b.mp4", "ok")
	if got := n.submit(b); got[0] != OutcomeQueued {
		t.Fatalf("after the owner left: %v", got)
	}
	n.waitFor(b, StateMeasured)
	if err := second.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := second.Wait(); err != nil {
		t.Fatalf("SIGTERM: %v", err)
	}
	if _, err := n.Home.readAddress(); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("address file left behind: %v", err)
	}
	n.audit(2, 0, 0)
}

func waitUntil(t *testing.T, ok func() bool) {
	t.Helper()
	for end := time.Now().Add(15 * time.Second); time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
		if ok() {
			return
		}
	}
	t.Fatal("waited 15 s in vain")
}

// Two submits at once, no worker running: one waits for the other.
func TestSubmittersTakeTurns(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	a, b := n.clip("a.mp4", "ok"), n.clip("b.mp4", "ok")
	var other sync.WaitGroup
	n.withQueue(func(d *Desk) {
		other.Go(func() {
			q, err := OpenQueue(t.Context(), n.Home, QueueOptions{Log: n.Log})
			if err != nil {
				t.Error(err)
				return
			}
			defer q.Close()
			if _, err := (&Desk{Ledger: n.Ledger, Records: n.Records, Queue: q}).Submit(t.Context(), b); err != nil {
				t.Error(err)
			}
		})
		time.Sleep(200 * time.Millisecond) // the other one is at the door
		if _, err := d.Submit(t.Context(), a); err != nil {
			t.Error(err)
		}
	})
	other.Wait()
	n.audit(0, 0, 2)
}

// A server killed as it started does not keep the home from its queue.
func TestQueueOpensAfterAKillAtItsStart(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	j := n.clip("a.mp4", "ok")
	n.submit(j)
	probe := filepath.Join(n.Home.queueDir(), "jetstream", "_test_2247199196")
	if err := os.WriteFile(probe, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	n.drain()
	n.audit(1, 0, 0)
}

// The embedded server wants the token.
func TestEmbeddedServerRefusesStrangers(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	q, err := OpenQueue(t.Context(), n.Home, QueueOptions{Listen: true, Log: n.Log})
	if err != nil {
		t.Fatal(err)
	}
	defer q.Close()
	a, err := n.Home.readAddress()
	if err != nil {
		t.Fatal(err)
	}
	if !strings.HasPrefix(a.URL, "nats://127.0.0.1:") {
		t.Errorf("listens on %s", a.URL)
	}
	if nc, err := nats.Connect(a.URL); err == nil {
		nc.Close()
		t.Error("connected without the token")
	}
	if nc, err := nats.Connect(a.URL, nats.Token("guess")); err == nil {
		nc.Close()
		t.Error("connected with a wrong token")
	}
}

func TestBadHomes(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	file := filepath.Join(dir, "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, home := range []string{file, filepath.Join(file, "below"), "/proc/nightcage"} {
		if _, err := OpenHome(home); !errors.Is(err, ErrStorage) {
			t.Errorf("%s: %v", home, err)
		}
	}
	// A store that JetStream cannot use: the cause is in the error.
	home, err := OpenHome(filepath.Join(dir, "home"))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(home.queueDir(), "jetstream"), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	began := time.Now()
	_, err = OpenQueue(t.Context(), home, QueueOptions{})
	if !errors.Is(err, ErrQueue) || !strings.Contains(err.Error(), "not a directory") {
		t.Errorf("%v", err)
	}
	if took := time.Since(began); took > serverReadyWithin/2 {
		t.Errorf("said so only after %v", took)
	}
	if err := os.WriteFile(home.LedgerPath(), []byte(strings.Repeat("this is no ledger ", 1000)), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := OpenLedger(t.Context(), home.LedgerPath()); !errors.Is(err, ErrStorage) {
		t.Errorf("%v", err)
	}
}

// A crash after the record is stored and before the acknowledgement: the job is
// not measured again.
func TestCrashBetweenStoreAndAck(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	starts := filepath.Join(n.clips, "starts")
	n.Analyzer = script{log: starts}
	j, dead := n.clip("a.mp4", "ok"), n.clip("b.mp4", "bad")
	n.submit(j, dead)
	if err := n.Records.Put(j.ID, testBundle(t, j, "a")); err != nil {
		t.Fatal(err)
	}
	files, err := failureBundle(dead, &Failure{Class: ClassBadClip, Kind: KindUnreadable, Words: "w"}, Tries{1, 0}, testSchema, testPipeline, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	if err := n.Records.Put(dead.ID, files); err != nil {
		t.Fatal(err)
	}
	n.drain()
	n.audit(1, 1, 0)
	if _, err := os.Stat(starts); !errors.Is(err, os.ErrNotExist) {
		t.Error("measured again")
	}
}

// A message that is no job of ours does not stop the worker and is kept.
func TestForeignMessage(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	n.submit(n.clip("a.mp4", "ok"))
	n.withQueue(func(d *Desk) {
		for subject, body := range map[string]string{"nightcage.jobs.hello": "not JSON", jobsPrefix + testJob.ID: `{"id":"` + testJob.ID + `"}`} {
			if _, err := d.Queue.js.Publish(t.Context(), subject, []byte(body)); err != nil {
				t.Fatal(err)
			}
		}
	})
	n.drain()
	n.audit(1, 0, 0)
	n.withQueue(func(d *Desk) {
		l, ok, err := d.Queue.Buried(t.Context(), "hello")
		if err != nil || !ok || string(l.Raw) != "not JSON" || l.Reason.Kind != KindBadJob {
			t.Errorf("%+v, %v, %v", l, ok, err)
		}
	})
}

// A worker whose job was given to another one in the meantime.
func TestLateWorkerDoesNotDouble(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	j := n.clip("a.mp4", "ok")
	n.submit(j)
	n.withQueue(func(d *Desk) {
		n.Policy, n.StallAfter = DefaultPolicy(), DefaultStallAfter
		p, err := d.Queue.newPuller(t.Context(), true)
		if err != nil {
			t.Fatal(err)
		}
		d1 := next(t, p)
		if p, err = d.Queue.newPuller(t.Context(), true); err != nil { // as if ackWait were over
			t.Fatal(err)
		}
		d2 := next(t, p)
		n.inFlight = map[string]bool{}
		n.handle(t.Context(), t.Context(), d.Queue, d2, "second")
		first, err := n.Records.Get(j.ID)
		if err != nil {
			t.Fatal(err)
		}
		// The first one now comes to its end, as a failure and as a success.
		f := &Failure{Class: ClassBadClip, Kind: KindUnreadable, Words: "w"}
		if err := n.carryOut(t.Context(), d.Queue, d1, f, Tries{1, 0}, Verdict{Action: ActDead}); err != nil {
			t.Errorf("late failure: %v", err) // it was measured: nothing to bury, no error
		}
		if err := n.Records.Put(j.ID, testBundle(t, j, "late")); !errors.Is(err, ErrRecorded) {
			t.Errorf("late success: %v", err)
		}
		now, err := n.Records.Get(j.ID)
		if err != nil || now.Failed || !now.Events[0].Time().Equal(first.Events[0].Time()) {
			t.Errorf("the record was replaced: %v, %v", now, err)
		}
	})
	n.audit(1, 0, 0)
}

func next(t *testing.T, p *puller) *delivery {
	t.Helper()
	for range 20 {
		d, err := p.next(context.Background())
		if err != nil {
			t.Fatal(err)
		}
		if d != nil {
			return d
		}
	}
	t.Fatal("no job")
	return nil
}

package worker

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

// Jobs that vanish from the queue are found by the ledger.
func TestReconcileResendsWhatTheQueueLost(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	var jobs []Job
	for i := range 6 {
		jobs = append(jobs, n.clip(fmt.Sprintf("%d.mp4", i), "ok"))
	}
	n.submit(jobs...)
	n.withQueue(func(d *Desk) { // the whole stream goes
		if err := d.Queue.js.DeleteStream(t.Context(), jobsStream); err != nil {
			t.Fatal(err)
		}
	})
	n.withQueue(func(d *Desk) {
		a, err := Audit(t.Context(), d)
		if err != nil || len(a.Lost) != len(jobs) || a.Balanced() {
			t.Fatalf("audit does not see the loss: %v, %v", a, err)
		}
		r, err := Reconcile(t.Context(), d)
		if err != nil || r.Resent != len(jobs) || !r.WentBack {
			t.Fatalf("%+v, %v", r, err)
		}
		r, err = Reconcile(t.Context(), d)
		if err != nil || r.Resent != 0 || r.Open != len(jobs) {
			t.Fatalf("second time: %+v, %v", r, err)
		}
	})
	n.drain()
	n.audit(len(jobs), 0, 0)
}

// One flipped bit anywhere in the stored messages, after a clean stop and after
// a kill (which leaves no index): JetStream alone loses jobs here.
func TestFlippedBitInTheQueueLosesNothing(t *testing.T) {
	t.Parallel()
	for _, clean := range []bool{true, false} {
		for _, at := range []float64{0.1, 0.45, 0.95} {
			t.Run(fmt.Sprintf("clean=%v/at=%v", clean, at), func(t *testing.T) {
				n := newNight(t)
				var jobs []Job
				for i := range 10 {
					jobs = append(jobs, n.clip(fmt.Sprintf("%d.mp4", i), "ok"))
				}
				n.submit(jobs...)
				blocks, err := filepath.Glob(filepath.Join(n.Home.queueDir(), "jetstream/*/streams", jobsStream, "msgs/*.blk"))
				if err != nil || len(blocks) == 0 {
					t.Fatalf("no blocks: %v", err)
				}
				b, err := os.ReadFile(blocks[0])
				if err != nil {
					t.Fatal(err)
				}
				b[int(at*float64(len(b)))] ^= 4
				if err := os.WriteFile(blocks[0], b, 0o600); err != nil {
					t.Fatal(err)
				}
				if !clean {
					idx, err := filepath.Glob(filepath.Join(n.Home.queueDir(), "jetstream/*/streams", jobsStream, "msgs/index.db"))
					if err != nil || len(idx) != 1 {
						t.Fatalf("index %v, %v", idx, err)
					}
					if err := os.Remove(idx[0]); err != nil {
						t.Fatal(err)
					}
				}
				n.drain()
				n.audit(len(jobs), 0, 0)
			})
		}
	}
}

// A job that the stream holds and the consumer has given up on (deliveries used
// up, a case that JetStream calls by design) is found and run.
func TestStrandedJobIsRun(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	j := n.clip("a.mp4", "ok")
	n.submit(j)
	n.withQueue(func(d *Desk) {
		ctx := t.Context()
		c, err := d.Queue.jobs.CreateConsumer(ctx, jetstream.ConsumerConfig{Durable: workers, AckPolicy: jetstream.AckExplicitPolicy, MaxDeliver: 1})
		if err != nil {
			t.Fatal(err)
		}
		b, err := c.Fetch(1)
		if err != nil {
			t.Fatal(err)
		}
		for m := range b.Messages() {
			if err := m.Nak(); err != nil {
				t.Fatal(err)
			}
		}
		// The server only notices when someone pulls.
		if _, err := c.Fetch(1, jetstream.FetchMaxWait(10*time.Millisecond)); err != nil {
			t.Fatal(err)
		}
		waitUntil(t, func() bool { dep, err := d.Queue.Depth(ctx); return err == nil && dep.stranded() })
		r, err := Reconcile(ctx, d)
		if err != nil || r.Resent != 1 {
			t.Fatalf("%+v, %v", r, err)
		}
	})
	n.drain()
	n.audit(1, 0, 0)
}

// A stream whose own description has rotted keeps the server from it, and from
// being healthy ever again: the store is set aside, and ledger and records fill the
// new one with the jobs, the dead letters and the feed.
func TestDamagedQueueStoreIsFilledAgain(t *testing.T) {
	t.Parallel()
	for _, stream := range []string{jobsStream, deadStream, recordsStream} {
		t.Run(stream, func(t *testing.T) {
			n := newNight(t)
			done, dead := n.clip("done.mp4", "ok"), n.clip("dead.mp4", "bad")
			n.submit(done, dead)
			n.drain()
			n.submit(n.clip("open.mp4", "ok"))
			found, err := filepath.Glob(filepath.Join(n.Home.queueDir(), "jetstream/*/streams", stream, "meta.inf"))
			if err != nil || len(found) != 1 {
				t.Fatalf("%v, %v", found, err)
			}
			b, err := os.ReadFile(found[0])
			if err != nil {
				t.Fatal(err)
			}
			b[len(b)/2] ^= 1
			if err := os.WriteFile(found[0], b, 0o600); err != nil {
				t.Fatal(err)
			}
			n.drain()
			n.audit(2, 1, 0)
			n.withQueue(func(d *Desk) {
				for _, j := range []Job{done, dead} {
					if _, ok, err := d.Queue.announced(t.Context(), j.ID); !ok || err != nil {
						t.Errorf("%s is off the feed: %v", filepath.Base(j.Clip), err)
					}
				}
			})
			if _, err := os.Stat(n.Home.asideDir()); err != nil {
				t.Errorf("the damaged store is not kept: %v", err)
			}
			n.withQueue(func(d *Desk) {
				p, err := d.Forget(t.Context(), Hitter{Name: testSubject.Hitter, Team: testSubject.Team})
				if _, serr := os.Stat(n.Home.asideDir()); err != nil || !p.Clean() || !errors.Is(serr, os.ErrNotExist) {
					t.Errorf("forgotten: %+v, %v; the damaged store: %v", p, err, serr)
				}
			})
		})
	}
}

// The same for the description of the consumer: the server then claims to be well.
func TestDamagedConsumer(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	dead := n.clip("dead.mp4", "bad")
	n.submit(dead)
	n.drain()
	j := n.clip("open.mp4", "ok")
	n.submit(j)
	found, err := filepath.Glob(filepath.Join(n.Home.queueDir(), "jetstream/*/streams", jobsStream, "obs", workers, "meta.inf"))
	if err != nil || len(found) != 1 {
		t.Fatalf("%v, %v", found, err)
	}
	b, err := os.ReadFile(found[0])
	if err != nil {
		t.Fatal(err)
	}
	i := bytes.Index(b, []byte("max_deliver"))
	if i < 0 {
		t.Fatalf("no max_deliver in %s", b)
	}
	b[i] ^= 1
	if err := os.WriteFile(found[0], b, 0o600); err != nil {
		t.Fatal(err)
	}
	later := n.clip("later.mp4", "ok")
	if got := n.submit(later); got[0] != OutcomeQueued {
		t.Errorf("submit: %v", got)
	}
	n.drain()
	n.audit(2, 1, 0)
}

// The ledger goes, store and queue stay: what was queued is measured, what was
// measured is not measured again.
func TestLostLedger(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	done, dead, open := n.clip("done.mp4", "ok"), n.clip("dead.mp4", "bad"), n.clip("open.mp4", "ok")
	n.submit(done, dead)
	n.drain()
	n.submit(open)
	if err := n.Ledger.Close(); err != nil {
		t.Fatal(err)
	}
	files, err := filepath.Glob(n.Home.LedgerPath() + "*")
	if err != nil || len(files) == 0 {
		t.Fatalf("%v, %v", files, err)
	}
	for _, f := range files {
		if err := os.Remove(f); err != nil {
			t.Fatal(err)
		}
	}
	if n.Ledger, err = OpenLedger(t.Context(), n.Home.LedgerPath()); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { n.Ledger.Close() })
	n.drain()
	n.audit(1, 0, 0)
	if got := n.submit(done, dead, open); !slices.Equal(got, []Outcome{OutcomeMeasured, OutcomeFailed, OutcomeMeasured}) {
		t.Errorf("submitted again: %v", got)
	}
	n.audit(2, 1, 0)
}

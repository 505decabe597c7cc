package worker

import (
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/cloudevents/sdk-go/v2/event"

	"nightcage/metrics"
)

func TestMeasuredJobEndToEnd(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	j := n.clip("a.mp4", "ok")
	if got := n.submit(j); got[0] != OutcomeQueued {
		t.Fatalf("submit: %v", got)
	}
	n.drain()
	if s := n.state(j); s != StateMeasured {
		t.Fatalf("state %s", s)
	}
	rec, err := n.Records.Get(j.ID)
	if err != nil {
		t.Fatal(err)
	}
	// CloudEvents 1.0, required attributes (section 3.1) and those we promise.
	e := rec.Events[0]
	if err := e.Validate(); err != nil {
		t.Error(err)
	}
	raw, err := n.Records.ReadFile(j.ID, "1/record.json")
	if err != nil {
		t.Fatal(err)
	}
	var m map[string]any
	if err := json.Unmarshal(raw, &m); err != nil {
		t.Fatal(err)
	}
	want := map[string]any{
		"specversion": "1.0", "id": j.ID + "-1", "source": "/nightcage/teams/cinder-creek-comets",
		"type": TypeMeasured, "subject": "Wren Alder", "datacontenttype": "application/json",
		"dataschema": testSchema.URI, "clipsha256": j.ClipSHA256, "pipeline": testPipeline,
	}
	for k, v := range want {
		if m[k] != v {
			t.Errorf("%s = %v, want %v", k, m[k], v)
		}
	}
	if _, err := time.Parse(time.RFC3339Nano, m["time"].(string)); err != nil {
		t.Error(err)
	}
	if d, ok := m["data"].(map[string]any); !ok || testSchema.Validate(e.Data()) != nil || d["status"] != "measured" {
		t.Errorf("data %v", m["data"])
	}
	files, err := n.Records.Files(j.ID)
	if err != nil || strings.Join(files, " ") != "1/contact.png 1/record.json 1/timeline.json 1/track.json.gz" {
		t.Errorf("files %v, %v", files, err)
	}
	n.audit(1, 0, 0)
	n.withQueue(func(d *Desk) {
		m, err := d.Queue.recs.GetLastMsgForSubject(t.Context(), "nightcage.records.cinder-creek-comets."+j.ID+"-1")
		if err != nil {
			t.Fatal(err)
		}
		var fed event.Event
		if err := json.Unmarshal(m.Data, &fed); err != nil || fed.ID() != e.ID() {
			t.Errorf("feed: %v, %v", fed, err)
		}
	})
}

func TestDuplicateSubmits(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	j := n.clip("a.mp4", "ok")
	copied := n.clip("b.mp4", "ok")
	if err := os.WriteFile(copied.Clip, []byte("ok\na.mp4"), 0o600); err != nil {
		t.Fatal(err)
	}
	copied = n.job(copied.Clip) // same bytes, other name
	if copied.ID != j.ID {
		t.Fatal("a copy of the clip is another job")
	}
	taller := j.Subject
	taller.HeightIn++
	other, err := NewJob(t.Context(), j.Clip, taller, testPipeline, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	newer, err := NewJob(t.Context(), j.Clip, j.Subject, "test-2", time.Now())
	if err != nil {
		t.Fatal(err)
	}
	if other.ID == j.ID || newer.ID == j.ID {
		t.Fatal("another height or pipeline is the same job")
	}
	if got := n.submit(j, j, copied, other); got[0] != OutcomeQueued || got[1] != OutcomeWaiting || got[2] != OutcomeWaiting || got[3] != OutcomeQueued {
		t.Fatalf("first night: %v", got)
	}
	if got := n.submit(j); got[0] != OutcomeWaiting { // the server was restarted in between
		t.Fatalf("second server: %v", got)
	}
	n.drain()
	if got := n.submit(j, copied); got[0] != OutcomeMeasured || got[1] != OutcomeMeasured {
		t.Fatalf("after: %v", got)
	}
	n.audit(2, 0, 0)
}

// Each kind of failure ends in its state, with its record, and the good clip
// beside it is measured.
func TestFailuresEndWhereTheyShould(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		script   string
		want     State
		kind     Kind
		attempts int
	}{
		{"nothing", StateUnmeasured, "no_swing", 1},
		{"bad", StateDead, KindUnreadable, 1},
		{"malformed", StateDead, KindMalformed, 2},
		{"flaky /nowhere", StateDead, KindInternal, 3},
	} {
		t.Run(strings.Fields(c.script)[0], func(t *testing.T) {
			t.Parallel()
			n := newNight(t)
			bad, good := n.clip("bad.mp4", c.script), n.clip("good.mp4", "ok")
			n.submit(bad, good)
			n.drain()
			if n.state(bad) != c.want || n.state(good) != StateMeasured {
				t.Fatalf("bad %s, good %s", n.state(bad), n.state(good))
			}
			rec, err := n.Records.Get(bad.ID)
			if err != nil {
				t.Fatal(err)
			}
			f, err := failureOf(rec)
			if err != nil {
				t.Fatal(err)
			}
			if f.Reason.Kind != c.kind || f.Attempts != c.attempts || f.Round != 0 || f.Reason.Words == "" {
				t.Errorf("%+v", f)
			}
			e := rec.Events[0]
			if e.ID() != bad.ID || e.Type() != TypeUnmeasured || e.Validate() != nil || e.DataSchema() != testSchema.URI {
				t.Errorf("event %v", e)
			}
			var data metrics.Swing
			if err := e.DataAs(&data); err != nil {
				t.Fatal(err)
			}
			if err := metrics.Validate(e.Data()); err != nil || data.Status != metrics.StatusFailed ||
				data.Failure.Kind != string(c.kind) || data.Clip.Name != "bad.mp4" {
				t.Errorf("%v %+v", err, data.Failure)
			}
			dead := 0
			if c.want == StateDead {
				dead = 1
			}
			n.audit(2-dead, dead, 0)
			n.withQueue(func(d *Desk) {
				l, ok, err := d.Queue.Buried(t.Context(), bad.ID)
				if err != nil || ok != (dead == 1) {
					t.Fatalf("buried %v, %v", ok, err)
				}
				if ok && (l.Reason.Kind != c.kind || l.Job.Clip != bad.Clip || l.Attempts != c.attempts) {
					t.Errorf("dead letter %+v", l)
				}
			})
			if got := n.submit(bad); got[0] != OutcomeFailed {
				t.Errorf("submitted again: %v", got)
			}
		})
	}
}

func TestRetryOfADeadJob(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	key := filepath.Join(n.clips, "share")
	j := n.clip("a.mp4", "flaky "+key)
	n.submit(j)
	n.drain()
	if n.state(j) != StateDead {
		t.Fatal(n.state(j))
	}
	if err := os.WriteFile(key, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	n.withQueue(func(d *Desk) {
		if err := d.Retry(t.Context(), j.ID); err != nil {
			t.Fatal(err)
		}
		if r, err := d.Submit(t.Context(), j); err != nil || r.Outcome != OutcomeWaiting {
			t.Fatalf("submit during retry: %v, %v", r.Outcome, err)
		}
		if err := d.Retry(t.Context(), j.ID); err == nil {
			t.Error("retried while queued")
		}
	})
	n.audit(0, 0, 1)
	n.drain()
	if n.state(j) != StateMeasured {
		t.Fatal(n.state(j))
	}
	n.audit(1, 0, 0)
}

// A job that is held back must not hold up the others, even with one slot.
func TestDelayedJobDoesNotBlockTheQueue(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	n.Policy.Delays = []time.Duration{2 * time.Second}
	key := filepath.Join(n.clips, "share")
	slow, quick := n.clip("a.mp4", "flaky "+key), n.clip("b.mp4", "ok")
	n.submit(slow, quick)
	seen := make(chan State, 1) // of the failing job, when the other was measured
	go func() {
		defer close(seen)
		for end := time.Now().Add(20 * time.Second); time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
			if e, err := n.Ledger.Get(context.Background(), quick.ID); err == nil && e.State == StateMeasured {
				s, _ := n.Ledger.Get(context.Background(), slow.ID)
				seen <- s.State
				break
			}
		}
		os.WriteFile(key, nil, 0o600)
	}()
	n.drain()
	if s := <-seen; s != StateWaiting {
		t.Errorf("the failing job was %q when the other was measured", s)
	}
	n.audit(2, 0, 0)
}

func TestClipThatChangedOrLeft(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	changed, gone := n.clip("changed.mp4", "ok"), n.clip("gone.mp4", "ok")
	n.submit(changed, gone)
	if err := os.WriteFile(changed.Clip, []byte("ok\nother bytes"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Remove(gone.Clip); err != nil {
		t.Fatal(err)
	}
	n.drain()
	for j, want := range map[string]Kind{changed.ID: KindClipChanged, gone.ID: KindClipMissing} {
		e, err := n.Ledger.Get(t.Context(), j)
		if err != nil || e.State != StateDead || e.Kind != want {
			t.Errorf("%s: %s %s, %v", want, e.State, e.Kind, err)
		}
	}
	n.audit(0, 2, 0)
}

func TestStallIsNoticedByProgress(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	n.StallAfter = 150 * time.Millisecond
	stuck, slow := n.clip("stuck.mp4", "hang"), n.clip("slow.mp4", "slow 500ms")
	n.submit(stuck, slow)
	n.drain()
	e, err := n.Ledger.Get(t.Context(), stuck.ID)
	if err != nil || e.State != StateDead || e.Kind != KindStalled {
		t.Errorf("stuck: %s %s, %v", e.State, e.Kind, err)
	}
	if n.state(slow) != StateMeasured {
		t.Errorf("slow but alive: %s", n.state(slow))
	}
}

// A stop hands the job back at once, at no cost of an attempt, and the next
// worker measures it.
func TestShutdownHandsBack(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	j := n.clip("a.mp4", "slow 1500ms")
	n.submit(j)
	stop, cancel := context.WithCancel(t.Context())
	done := make(chan error)
	go func() { done <- n.Serve(stop, t.Context(), QueueOptions{Listen: true, Log: n.Log}) }()
	n.waitFor(j, StateRunning)
	began := time.Now()
	cancel()
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	if took := time.Since(began); took > 1400*time.Millisecond {
		t.Errorf("stopped only after %v", took)
	}
	e, err := n.Ledger.Get(t.Context(), j.ID)
	if err != nil || e.State != StateQueued || e.Tries.Attempts != 0 {
		t.Fatalf("%s after %d attempts, %v", e.State, e.Tries.Attempts, err)
	}
	n.audit(0, 0, 1)
	n.drain()
	n.audit(1, 0, 0)
}

// With grace the running job is finished, and no further one is begun.
func TestShutdownWithGraceFinishes(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	n.Grace = 20 * time.Second
	a, b := n.clip("a.mp4", "slow 300ms"), n.clip("b.mp4", "slow 300ms")
	n.submit(a, b)
	stop, cancel := context.WithCancel(t.Context())
	done := make(chan error)
	go func() { done <- n.Serve(stop, t.Context(), QueueOptions{Listen: true, Log: n.Log}) }()
	n.waitFor(a, StateRunning)
	cancel()
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	if n.state(a) != StateMeasured || n.state(b) != StateQueued {
		t.Errorf("running job %s, next job %s", n.state(a), n.state(b))
	}
	n.audit(1, 0, 1)
}

// The second signal cuts the grace short.
func TestAbortCutsGraceShort(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	n.Grace = time.Hour
	j := n.clip("a.mp4", "slow 20s")
	n.submit(j)
	stop, cancel := context.WithCancel(t.Context())
	abort, now := context.WithCancel(t.Context())
	done := make(chan error)
	go func() { done <- n.Serve(stop, abort, QueueOptions{Listen: true, Log: n.Log}) }()
	n.waitFor(j, StateRunning)
	cancel()
	select {
	case <-done:
		t.Fatal("stopped within the grace")
	case <-time.After(200 * time.Millisecond):
	}
	now()
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	if s := n.state(j); s != StateQueued {
		t.Errorf("handed back: %s", s)
	}
}

func (n *night) waitFor(j Job, s State) {
	n.t.Helper()
	for end := time.Now().Add(10 * time.Second); time.Now().Before(end); time.Sleep(5 * time.Millisecond) {
		if e, err := n.Ledger.Get(n.t.Context(), j.ID); err == nil && e.State == s {
			return
		}
	}
	n.t.Fatalf("job %s did not become %s", j.ID, s)
}

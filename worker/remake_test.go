package worker

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/rs/zerolog"
	"golang.org/x/sys/unix"
)

// remaker is one version later than what the test's workers measure with.
func remaker(pipeline, vision string) Remaker {
	return Remaker{Pipeline: pipeline, Vision: vision, Schema: testSchema,
		Measure: func(_ context.Context, track, timeline json.RawMessage) (json.RawMessage, error) {
			if !bytes.Equal(track, testTrack) || string(timeline) != `{"events":[]}` {
				return nil, fmt.Errorf("made from track %s, timeline %s", track, timeline)
			}
			return testSwing(testJob, "remade by "+pipeline), nil
		}}
}

// A remade record stands beside the old one, under the ID of the clip submitted
// now; it is fed, entered and audited as any other, and asked for again it is
// there already.
func TestRemake(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	one, two := n.clip("a.mp4", "ok"), n.clip("b.mp4", "two")
	n.submit(one, two)
	n.drain()
	before, err := os.ReadFile(filepath.Join(n.Home.RecordsDir(), two.ID, sumsName))
	if err != nil {
		t.Fatal(err)
	}
	m := remaker("test-2", testPipeline)
	n.withQueue(func(d *Desk) {
		for _, j := range []Job{one, two} {
			rec, err := d.Remake(t.Context(), m, j.ID)
			if err != nil {
				t.Fatal(err)
			}
			if want := jobID(j.ClipSHA256, j.Subject, "test-2"); rec.JobID != want {
				t.Errorf("remade as %s, want %s", rec.JobID, want)
			}
			for i, e := range rec.Events {
				if ext := e.Extensions(); ext[extFrom] != j.ID || ext[extPipeline] != "test-2" || ext[extClip] != j.ClipSHA256 || e.ID() != RecordID(rec.JobID, i+1) {
					t.Errorf("event %s: %v", e.ID(), ext)
				}
				if !bytes.Contains(e.Data(), []byte("remade by test-2")) {
					t.Errorf("data %s", e.Data())
				}
			}
			fed, ok, err := d.Queue.announced(t.Context(), rec.JobID)
			if err != nil || !ok || fed.Events[0].ID() != rec.Events[0].ID() {
				t.Errorf("fed: %v, %v, %v", fed, ok, err)
			}
			if again, err := d.Remake(t.Context(), m, j.ID); !errors.Is(err, ErrRecorded) || again.JobID != rec.JobID {
				t.Errorf("remade twice: %v, %v", again.JobID, err)
			}
			// What is remade can be remade.
			if _, err := d.Remake(t.Context(), remaker("test-3", testPipeline), rec.JobID); err != nil {
				t.Error(err)
			}
		}
		// The clip submitted to the newer version has its record.
		j := two
		j.Pipeline, j.ID = "test-2", jobID(two.ClipSHA256, two.Subject, "test-2")
		if r, err := d.Submit(t.Context(), j); err != nil || r.Outcome != OutcomeMeasured || len(r.Records) != 2 {
			t.Errorf("submitted: %+v, %v", r, err)
		}
	})
	n.audit(6, 0, 0)
	if after, err := os.ReadFile(filepath.Join(n.Home.RecordsDir(), two.ID, sumsName)); err != nil || !bytes.Equal(before, after) {
		t.Errorf("the old record changed: %v", err)
	}
}

// Two who remake the same record at once make one: whoever comes second finds it.
func TestTwoRemakesAtOnce(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	j := n.clip("a.mp4", "two")
	n.submit(j)
	n.drain()
	var made [8]struct {
		rec Record
		err error
	}
	n.withQueue(func(d *Desk) {
		start := make(chan struct{})
		var wg sync.WaitGroup
		for i := range made {
			m := remaker("test-2", testPipeline)
			m.Measure = func(context.Context, json.RawMessage, json.RawMessage) (json.RawMessage, error) {
				return testSwing(j, fmt.Sprintf("remade by %d", i)), nil
			}
			wg.Go(func() {
				<-start
				made[i].rec, made[i].err = d.Remake(t.Context(), m, j.ID)
			})
		}
		close(start)
		wg.Wait()
	})
	for _, m := range made {
		if m.err != nil && !errors.Is(m.err, ErrRecorded) {
			t.Fatal(m.err)
		}
		if len(m.rec.Events) != 2 || !bytes.Equal(m.rec.Events[0].Data(), made[0].rec.Events[0].Data()) {
			t.Errorf("record of %d events: %v", len(m.rec.Events), m.rec.Events)
		}
	}
	n.audit(2, 0, 0)
	if left, err := filepath.Glob(filepath.Join(n.Home.RecordsDir(), ".new-*")); err != nil || len(left) > 0 {
		t.Errorf("left %v, %v", left, err)
	}
}

// A hitter is forgotten with what was remade, and nothing is remade of one who was.
func TestRemadeIsForgotten(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	j := n.clip("a.mp4", "ok")
	n.submit(j)
	n.drain()
	m := remaker("test-2", testPipeline)
	n.withQueue(func(d *Desk) {
		res, vision, err := m.Make(t.Context(), n.Records, j.ID)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := d.Remake(t.Context(), m, j.ID); err != nil {
			t.Fatal(err)
		}
		if p, err := d.Forget(t.Context(), Hitter{Name: testSubject.Hitter}); err != nil || !p.Clean() || p.Jobs != 2 {
			t.Errorf("forgotten: %+v, %v", p, err)
		}
		// One that had begun before comes too late.
		if _, err := d.storeRemade(t.Context(), m, j.ID, res, vision); !errors.Is(err, ErrForgotten) {
			t.Errorf("stored after it was forgotten: %v", err)
		}
	})
	if ids, err := n.Records.IDs(); err != nil || len(ids) != 0 {
		t.Errorf("records %v, %v", ids, err)
	}
}

// Tracks of an older vision give a record that does not stand in the way of
// measuring the clip.
func TestRemakeOfOlderVision(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	j := n.clip("a.mp4", "ok")
	n.submit(j)
	n.drain()
	m := remaker("test-2", "test-2")
	now := j
	now.Pipeline, now.ID = "test-2", jobID(j.ClipSHA256, j.Subject, "test-2")
	n.withQueue(func(d *Desk) {
		rec, err := d.Remake(t.Context(), m, j.ID)
		if err != nil || rec.JobID == now.ID || rec.JobID == j.ID {
			t.Fatalf("remade as %s, %v", rec.JobID, err)
		}
	})
	if got := n.submit(now); got[0] != OutcomeQueued {
		t.Errorf("submitted: %v", got)
	}
}

// What cannot be remade says why, and leaves nothing.
func TestRemakeRefuses(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	good, failed := n.clip("a.mp4", "ok"), n.clip("b.mp4", "nothing")
	n.submit(good, failed)
	n.drain()
	put := func(id string, track string) {
		j := testJob
		j.ID = id
		files, err := Result{Swings: []Swing{{Data: testSwing(j, ""), Track: []byte(track), Timeline: []byte("{}")}}}.bundle(j, testSchema, testPipeline, time.Now())
		if err == nil {
			err = n.Records.Put(id, files)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	nobody, damaged := strings.Repeat("0b", 16), strings.Repeat("0c", 16)
	put(nobody, `{"frames":[]}`)
	put(damaged, string(testTrack))
	if err := os.Truncate(filepath.Join(n.Home.RecordsDir(), damaged, "1", trackName), 9); err != nil {
		t.Fatal(err)
	}
	bad := remaker("test-2", testPipeline)
	bad.Measure = func(context.Context, json.RawMessage, json.RawMessage) (json.RawMessage, error) {
		return []byte(`{}`), nil
	}
	ids, err := n.Records.IDs()
	if err != nil {
		t.Fatal(err)
	}
	var broken *Failure
	n.withQueue(func(d *Desk) {
		for id, want := range map[string]error{strings.Repeat("0d", 16): ErrNoRecord, failed.ID: ErrNoRecord, nobody: ErrNoMaker, damaged: ErrDamaged} {
			if _, err := d.Remake(t.Context(), remaker("test-2", testPipeline), id); !errors.Is(err, want) || !strings.Contains(err.Error(), id) {
				t.Errorf("%s: %v, want %v", id, err, want)
			}
		}
		if _, err := d.Remake(t.Context(), bad, good.ID); !errors.As(err, &broken) || broken.Class != ClassBroken {
			t.Errorf("data that is no record: %v", err)
		}
	})
	if now, err := n.Records.IDs(); err != nil || !slices.Equal(now, ids) {
		t.Errorf("records %v, want %v, %v", now, ids, err)
	}
}

// remakerProcess remakes every measured record of the home, one after the other.
func remakerProcess() int {
	w, closeAll, err := newWorker(os.Getenv("NIGHTCAGE_TEST_HOME"), script{})
	if err == nil {
		defer closeAll()
		err = remakeAll(w)
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1 + b2i(errors.Is(err, ErrStorage))
	}
	return 0
}

func remakeAll(w *Worker) error {
	q, err := OpenQueue(context.Background(), w.Home, QueueOptions{Log: zerolog.Nop()})
	if err != nil {
		return err
	}
	defer q.Close()
	entries, err := w.Ledger.Entries(context.Background(), StateMeasured)
	if err != nil {
		return err
	}
	if os.Getenv("NIGHTCAGE_TEST_FULL") != "" {
		// No file of this process may grow past one byte from here on, as on a disk
		// without room. (The limit is raised again by nobody: the process ends.)
		if err := unix.Setrlimit(unix.RLIMIT_FSIZE, &unix.Rlimit{Cur: 1, Max: 1}); err != nil {
			return err
		}
	}
	d := &Desk{Ledger: w.Ledger, Records: w.Records, Queue: q}
	for _, e := range entries {
		if e.Job.Pipeline != testPipeline {
			continue
		}
		if _, err := d.Remake(context.Background(), remaker("test-2", testPipeline), e.Job.ID); err != nil && !errors.Is(err, ErrRecorded) {
			return err
		}
	}
	return nil
}

// kill -9 anywhere in a remake: every record is whole or not there, and the next
// remake completes what is missing.
func TestKilledRemakeLeavesNothingHalf(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	const clips = 8
	var jobs []Job
	for i := range clips {
		jobs = append(jobs, n.clip(fmt.Sprintf("%d.mp4", i), "two"))
	}
	n.submit(jobs...)
	n.drain()
	whole := func() int {
		ids, err := n.Records.IDs()
		if err != nil {
			t.Fatal(err)
		}
		for _, id := range ids {
			rec, err := n.Records.Get(id)
			if err == nil {
				err = n.Records.Verify(id)
			}
			if err != nil || len(rec.Events) != 2 {
				t.Fatalf("after a kill, record %s: %d events, %v", id, len(rec.Events), err)
			}
		}
		return len(ids)
	}
	killed := 0
	for kills := range 12 {
		cmd, _ := n.process("NIGHTCAGE_TEST_ROLE=remaker")
		// Watch for the first file of a new record, then wait a little, another
		// while each time: the kill falls between any two steps.
		seen := whole()
		waitUntil(t, func() bool {
			es, err := os.ReadDir(n.Home.RecordsDir())
			return err == nil && len(es) > seen || cmd.ProcessState != nil || syscall.Kill(cmd.Process.Pid, 0) != nil || seen == 2*clips
		})
		time.Sleep(time.Duration(kills%6) * time.Millisecond)
		cmd.Process.Kill()
		if err := cmd.Wait(); err != nil {
			killed++
		}
		if whole() == 2*clips {
			break
		}
	}
	if killed == 0 {
		t.Fatal("no remake was killed in the middle")
	}
	done, _ := n.process("NIGHTCAGE_TEST_ROLE=remaker")
	if err := done.Wait(); err != nil {
		t.Fatal(err)
	}
	if got := whole(); got != 2*clips {
		t.Errorf("%d records, want %d", got, 2*clips)
	}
	n.audit(2*clips, 0, 0)
	n.withQueue(func(d *Desk) {
		for _, j := range jobs {
			id := jobID(j.ClipSHA256, j.Subject, "test-2")
			if _, ok, err := d.Queue.announced(t.Context(), id); !ok || err != nil {
				t.Errorf("%s was not fed: %v", id, err)
			}
		}
	})
}

// A disk without room is a typed error and leaves no part of a record.
func TestRemakeWithoutRoom(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	n.submit(n.clip("a.mp4", "ok"))
	n.drain()
	cmd, log := n.process("NIGHTCAGE_TEST_ROLE=remaker", "NIGHTCAGE_TEST_FULL=1")
	cmd.Wait()
	if got := cmd.ProcessState.ExitCode(); got != 2 || !strings.Contains(log.String(), ErrStorage.Error()) {
		t.Errorf("exit code %d: %s", got, log)
	}
	left, err := filepath.Glob(filepath.Join(n.Home.RecordsDir(), ".new-*"))
	ids, ierr := n.Records.IDs()
	if err != nil || ierr != nil || len(left) != 0 || len(ids) != 1 {
		t.Errorf("left %v beside records %v, %v, %v", left, ids, err, ierr)
	}
}

package worker

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"nightcage/metrics"
)

// kept puts a measured record of a clip into store and ledger, as the pipeline made
// it from a track of the vision; vision "" is a track that does not say.
func (n *night) kept(name, pipeline, vision string, at time.Time) Job {
	n.t.Helper()
	j := n.clip(name, "ok")
	j.Pipeline, j.SubmittedAt = pipeline, at
	if vision != pipeline && vision != "" {
		j.Pipeline += " on vision " + vision
	}
	j.ID = jobID(j.ClipSHA256, j.Subject, j.Pipeline)
	var s metrics.Swing
	err := json.Unmarshal(testSwing(j, ""), &s)
	if err != nil {
		n.t.Fatal(err)
	}
	s.Pipeline, s.Vision = pipeline, vision
	data, err := json.Marshal(s)
	if err != nil {
		n.t.Fatal(err)
	}
	track := []byte(`{"frames":[]}`)
	if vision != "" {
		track = fmt.Appendf(nil, `{"frames":[],"maker":{"version":%q,"models":[]}}`, vision)
	}
	files, err := Result{Swings: []Swing{{Data: data, Track: track, Timeline: []byte(`{"events":[]}`)}}}.bundle(j, testSchema, pipeline, at)
	n.put(j, files, err)
	if err := n.Ledger.Measured(n.t.Context(), j.ID, 1); err != nil {
		n.t.Fatal(err)
	}
	return j
}

// failed puts a record of a clip that a pipeline could not measure.
func (n *night) failed(name, pipeline string, class Class, at time.Time) Job {
	n.t.Helper()
	j := n.clip(name, "ok")
	j.Pipeline = pipeline
	j.ID = jobID(j.ClipSHA256, j.Subject, j.Pipeline)
	files, err := failureBundle(j, &Failure{Class: class, Kind: KindInternal, Words: "not measured"}, Tries{}, testSchema, pipeline, at)
	n.put(j, files, err)
	if err := n.Ledger.Dead(n.t.Context(), j.ID, KindInternal, "not measured"); err != nil {
		n.t.Fatal(err)
	}
	return j
}

func (n *night) put(j Job, files []File, err error) {
	n.t.Helper()
	if err == nil {
		err = n.Records.Put(j.ID, files)
	}
	if err == nil {
		err = n.Ledger.adopt(n.t.Context(), j)
	}
	if err != nil {
		n.t.Fatal(err)
	}
}

func (n *night) gone(j Job) Job {
	n.t.Helper()
	if err := os.Remove(j.Clip); err != nil {
		n.t.Fatal(err)
	}
	return j
}

// A home with records of every sort, looked at by version 2.1.0, whose vision is
// that of 2.0.0.
func TestStaleOnAMixedHome(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	m := Remaker{Pipeline: "2.1.0", Vision: "2.0.0"}
	then := time.Date(2026, 4, 1, 3, 0, 0, 0, time.UTC)
	now := then.AddDate(0, 6, 0)
	want := map[string]Remedy{}
	is := func(j Job, r Remedy) Job { want[j.ID] = r; return j }

	n.kept("current.mp4", "2.1.0", "2.0.0", then)
	n.kept("first-night-of-this-version.mp4", "2.1.0", "", then)
	is(n.kept("measures-older.mp4", "2.0.0", "2.0.0", then), RemedyRemake)
	again := is(n.kept("vision-older.mp4", "1.9.0", "1.0.0", then), RemedyMeasure)
	is(n.kept("ten-is-later-than-nine.mp4", "1.10.0", "1.10.0", then), RemedyMeasure)
	is(n.kept("does-not-say.mp4", "1.0.0", "", then), RemedyMeasure)
	is(n.gone(n.kept("clip-gone.mp4", "1.0.0", "1.0.0", then)), RemedyOldTrack)
	is(n.gone(n.kept("clip-gone-does-not-say.mp4", "1.0.0", "", then)), RemedyNone)
	n.gone(n.kept("remade-from-older-track.mp4", "2.1.0", "1.0.0", then))
	n.kept("newer.mp4", "2.10.0", "2.10.0", then)
	is(n.failed("saw-nothing.mp4", "1.9.0", ClassNothing, then), RemedyMeasure)
	n.failed("sees-nothing.mp4", "2.0.0", ClassNothing, then)
	is(n.failed("broke.mp4", "2.0.0", ClassBroken, then), RemedyMeasure)
	n.failed("machine.mp4", "1.0.0", ClassTransient, then)
	// Of a clip with several records the newest counts, a measured one before a failure.
	n.kept("several.mp4", "1.0.0", "1.0.0", then)
	n.kept("several.mp4", "2.1.0", "2.0.0", now)
	is(n.kept("worse-now.mp4", "1.0.0", "1.0.0", then), RemedyOldTrack)
	n.failed("worse-now.mp4", "2.1.0", ClassNothing, now)

	desk := &Desk{Ledger: n.Ledger, Records: n.Records}
	s, damaged, err := desk.Stale(t.Context(), m)
	if err != nil || damaged != nil {
		t.Fatal(err, damaged)
	}
	got := map[string]Remedy{}
	for _, x := range s.Stale {
		got[x.JobID] = x.Remedy
		if x.Waiting || x.Clip == "" || x.Hitter != testSubject.Hitter || x.Team != testSubject.Team {
			t.Errorf("%+v", x)
		}
	}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("stale %+v, want %v", s.Stale, want)
	}
	if s.Current != 6 || s.Newer != 1 {
		t.Errorf("%d current, %d newer, want 6 and 1", s.Current, s.Newer)
	}

	// Measured again comes last, is asked for once, and keeps its age.
	fresh := n.clip("tonight.mp4", "ok")
	log := filepath.Join(n.clips, "order")
	n.Analyzer, n.Pipeline = script{log: log}, m.Pipeline
	var next string
	n.withQueue(func(d *Desk) {
		for range 2 {
			r, err := d.Again(t.Context(), m, again.ID)
			if err != nil || r.Outcome != OutcomeHeld {
				t.Fatalf("again: %+v, %v", r, err)
			}
			next = r.JobID
		}
		if e, err := d.Ledger.Get(t.Context(), next); err != nil || !e.Job.SubmittedAt.Equal(then) {
			t.Errorf("submitted %v, want %v, %v", e.Job.SubmittedAt, then, err)
		}
		if ta, err := d.Ledger.Tally(t.Context()); err != nil || !ta.Oldest.IsZero() {
			t.Errorf("a job that gives way to all others makes the queue look %v old, %v", time.Since(ta.Oldest), err)
		}
		s, _, err := d.Stale(t.Context(), m)
		for _, x := range s.Stale {
			if err != nil || x.Waiting != (x.JobID == again.ID) {
				t.Errorf("%+v, %v", x, err)
			}
		}
	})
	n.submit(fresh)
	n.drain()
	if b, err := os.ReadFile(log); err != nil || strings.Join(strings.Fields(string(b)), " ") != fresh.ID+" "+next {
		t.Errorf("measured %s, want %s and then %s, %v", b, fresh.ID, next, err)
	}
	if s, _, err = desk.Stale(t.Context(), m); err != nil || s.Has(again.ID) || s.Has(next) {
		t.Errorf("measured again and still stale: %+v, %v", s, err)
	}
}

// What cannot be submitted again says why; a record that cannot be read is named
// and hides no other.
func TestStaleRefuses(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	m := Remaker{Pipeline: "2.1.0", Vision: "2.1.0"}
	at := time.Date(2026, 4, 1, 3, 0, 0, 0, time.UTC)
	j := n.kept("a.mp4", "1.0.0", "1.0.0", at)
	damaged := n.kept("b.mp4", "1.0.0", "1.0.0", at)
	if err := os.WriteFile(filepath.Join(n.Home.RecordsDir(), damaged.ID, "1", "record.json"), []byte("{}"), 0o600); err != nil {
		t.Fatal(err)
	}
	s, bad, err := (&Desk{Ledger: n.Ledger, Records: n.Records}).Stale(t.Context(), m)
	if err != nil || !errors.Is(bad, ErrDamaged) || !strings.Contains(bad.Error(), damaged.ID) || len(s.Stale) != 1 || !s.Has(j.ID) {
		t.Errorf("%+v, %v, %v", s, bad, err)
	}
	if err := os.WriteFile(j.Clip, []byte("another film of that name"), 0o600); err != nil {
		t.Fatal(err)
	}
	n.withQueue(func(d *Desk) {
		var f *Failure
		if _, err := d.Again(t.Context(), m, j.ID); !errors.As(err, &f) || f.Kind != KindClipChanged {
			t.Errorf("another file in its place: %v", err)
		}
		n.gone(j)
		if _, err := d.Again(t.Context(), m, j.ID); !errors.As(err, &f) || f.Kind != KindClipMissing {
			t.Errorf("no file: %v", err)
		}
		if _, err := d.Again(t.Context(), m, strings.Repeat("0d", 16)); !errors.Is(err, ErrUnknownJob) {
			t.Errorf("no job: %v", err)
		}
	})
	if all, err := n.Ledger.Entries(t.Context()); err != nil || len(all) != 2 {
		t.Errorf("%d jobs, want the 2 there were, %v", len(all), err)
	}
}

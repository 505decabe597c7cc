package worker

import (
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

// A clip with two swings gives two records in order, stored and fed once however
// often its job is delivered.
func TestTwoSwingsOfOneClip(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	starts := filepath.Join(n.clips, "starts")
	n.Analyzer = script{log: starts}
	j, crashed := n.clip("a.mp4", "two"), n.clip("b.mp4", "two")
	n.submit(j, crashed)
	// A crash after the record was stored: the job comes again.
	swing := Swing{Data: testSwing(crashed, "before the crash"), Track: []byte("{}"), Timeline: []byte("{}")}
	files, err := Result{Swings: []Swing{swing, swing}}.bundle(crashed, testSchema, testPipeline, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	if err := n.Records.Put(crashed.ID, files); err != nil {
		t.Fatal(err)
	}
	n.drain()
	if got := n.submit(j, crashed); got[0] != OutcomeMeasured || got[1] != OutcomeMeasured {
		t.Errorf("submitted again: %v", got)
	}
	n.drain()
	n.audit(2, 0, 0)
	var want []string
	for _, job := range []Job{j, crashed} {
		rec, err := n.Records.Get(job.ID)
		if err != nil {
			t.Fatal(err)
		}
		if len(rec.Events) != 2 || rec.Events[0].ID() != job.ID+"-1" || rec.Events[1].ID() != job.ID+"-2" {
			t.Errorf("%s: events %v", job.ID, rec.Events)
		}
		for i := range 2 {
			want = append(want, fmt.Sprintf("nightcage.records.cinder-creek-comets.%s-%d", job.ID, i+1))
		}
	}
	n.withQueue(func(d *Desk) {
		info, err := d.Queue.recs.Info(t.Context(), jetstream.WithSubjectFilter("nightcage.records.>"))
		if err != nil {
			t.Fatal(err)
		}
		fed := info.State.Subjects
		slices.Sort(want)
		if got := slices.Sorted(maps.Keys(fed)); !slices.Equal(got, want) {
			t.Errorf("fed %v, want %v", got, want)
		}
		for subject, times := range fed {
			if times != 1 {
				t.Errorf("%s was fed %d times", subject, times)
			}
		}
	})
	log, err := os.ReadFile(starts)
	if err != nil || slices.Contains(log[:len(log)-1], '\n') {
		t.Errorf("analyses begun: %q, %v; want one", log, err)
	}
}

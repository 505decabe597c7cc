package room

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/cloudevents/sdk-go/v2/event"

	"nightcage/metrics"
	"nightcage/phases"
	"nightcage/vision"
	"nightcage/vision/clip"
	"nightcage/vision/solve"
	"nightcage/vision/truth"
	"nightcage/worker"
	"nightcage/worker/analysis"
)

const clips = "../../../testdata/clips"

// measured is a swing of a clip of the Cinder Creek Comets, an invented team: marks
// from the renderer's truth file, all that follows made by the stages.
type measured struct {
	track    vision.Track
	timeline phases.Timeline
	swing    metrics.Swing
}

var rookCalder = sync.OnceValues(func() (measured, error) {
	ctx := context.Background()
	var m measured
	f, err := truth.Read(filepath.Join(clips, "s77001_00.json.gz"))
	if err != nil {
		return m, err
	}
	tr, err := truth.Track(f, truth.Options{NoisePx: 1.5, Seed: 1})
	if err != nil {
		return m, err
	}
	subject := vision.Subject{Hitter: "Rook Calder", Team: "Cinder Creek Comets", HeightIn: 67.9, InseamIn: 34.4, BatIn: 33.5, Level: vision.LevelCollege}
	if tr.Clip, err = clip.Probe(ctx, filepath.Join(clips, "s77001_00.mp4"), subject); err != nil {
		return m, err
	}
	tr.Subject, tr.Window = subject, [2]int{0, len(tr.Frames)}
	if m.track, err = solve.Run(ctx, *tr); err != nil {
		return m, err
	}
	if m.timeline, err = phases.Find(m.track); err != nil {
		return m, err
	}
	_, m.swing, err = analysis.Measure(ctx, m.track, m.timeline, metrics.Options{})
	return m, err
})

// playedHome is a home in which a night has passed: a swing that was measured, with a
// finding, a clip that could not be, and one that waits.
func playedHome(t testing.TB) (dir, jobID string) {
	t.Helper()
	ctx := context.Background()
	m, err := rookCalder()
	if err != nil {
		t.Fatal(err)
	}
	dir = t.TempDir()
	home, err := worker.OpenHome(dir)
	if err != nil {
		t.Fatal(err)
	}
	ledger, err := worker.OpenLedger(ctx, home.LedgerPath())
	if err != nil {
		t.Fatal(err)
	}
	defer ledger.Close()
	add := func(path, hitter string) string {
		s := m.track.Subject
		s.Hitter = hitter
		j, err := worker.NewJob(ctx, path, s, analysis.PipelineVersion, time.Now())
		if err == nil {
			_, _, err = ledger.Add(ctx, j)
		}
		if err == nil {
			err = ledger.Queued(ctx, j.ID, 1)
		}
		if err != nil {
			t.Fatal(err)
		}
		return j.ID
	}
	jobID = add(filepath.Join(clips, "s77001_00.mp4"), "Rook Calder")
	swing := m.swing
	swing.Findings = []metrics.Finding{finding(swing)}
	putRecord(t, home, jobID, m.track, m.timeline, swing)
	if err := ledger.Measured(ctx, jobID, 1); err != nil {
		t.Fatal(err)
	}
	bad := filepath.Join(t.TempDir(), "dugout.mp4")
	if err := os.WriteFile(bad, []byte("not a clip"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := ledger.Dead(ctx, add(bad, "Juniper Sable"), worker.Kind(clip.NotAVideo), "The file is not a video."); err != nil {
		t.Fatal(err)
	}
	add(filepath.Join(clips, "s77001_04.mp4"), "Ozzie Marlow")
	return dir, jobID
}

// finding is a chain over two measures that the swing has.
func finding(s metrics.Swing) metrics.Finding {
	f := metrics.Finding{ID: "head_drifts", Name: "The head drifts and the spine follows", LeadsTo: "a flatter swing", Cue: "Keep your head over your belly button.",
		Caution: "Stop on pain.", Surety: .91, First: true, Why: "It begins earliest in the swing.", Sources: []string{"common practice, no source"}}
	for _, id := range []string{"head_travel_contact", "spine_tilt_contact"} {
		if m, ok := s.Find(id); ok && m.Value != nil {
			f.Links = append(f.Links, metrics.Link{Measure: id, Says: "it moves", Side: metrics.Above, Limit: 1, Source: "common practice, no source",
				Value: *m.Value, Sigma: *m.Sigma, Low95: *m.Low95, High95: *m.High95, Unit: m.Unit, Surety: .95})
		}
	}
	return f
}

// putRecord stores a swing as a worker does.
func putRecord(t testing.TB, home worker.Home, jobID string, track vision.Track, tl phases.Timeline, s metrics.Swing) {
	t.Helper()
	records, err := worker.OpenRecords(home.RecordsDir())
	if err != nil {
		t.Fatal(err)
	}
	e := event.New()
	e.SetID(worker.RecordID(jobID, 1))
	e.SetSource("/nightcage/teams/cinder-creek-comets")
	e.SetType(worker.TypeMeasured)
	e.SetTime(time.Now())
	e.SetSubject(s.Subject.Hitter)
	if err := e.SetData(event.ApplicationJSON, s); err != nil {
		t.Fatal(err)
	}
	var packed bytes.Buffer
	z := gzip.NewWriter(&packed)
	z.Write(marshal(t, track))
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	err = records.Put(jobID, []worker.File{{Name: "1/record.json", Bytes: marshal(t, e)}, {Name: "1/track.json.gz", Bytes: packed.Bytes()},
		{Name: "1/timeline.json", Bytes: marshal(t, tl)}})
	if err != nil {
		t.Fatal(err)
	}
}

func marshal(t testing.TB, v any) []byte {
	t.Helper()
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// openHome opens the stores of a home until the test is over.
func openHome(t testing.TB, dir string) (worker.Home, *worker.Records, *worker.Ledger) {
	t.Helper()
	home, err := worker.OpenHome(dir)
	if err != nil {
		t.Fatal(err)
	}
	records, err := worker.OpenRecords(home.RecordsDir())
	if err != nil {
		t.Fatal(err)
	}
	ledger, err := worker.OpenLedger(context.Background(), home.LedgerPath())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { ledger.Close() })
	return home, records, ledger
}

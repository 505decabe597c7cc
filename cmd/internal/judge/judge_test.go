package judge

import (
	"context"
	"errors"
	"math"
	"path/filepath"
	"reflect"
	"slices"
	"testing"

	"nightcage/metrics"
	"nightcage/phases"
	"nightcage/vision"
	"nightcage/vision/truth"
)

const clips = "../../../testdata/clips"

// perfect gives the truth itself, moved by a known number of px.
func perfect(t *testing.T, shiftPx float64) Pipeline {
	return func(ctx context.Context, path string, subject vision.Subject) (Measured, error) {
		name, err := truth.Find(path)
		if err != nil {
			t.Fatal(err)
		}
		f, err := truth.Read(name)
		if err != nil {
			t.Fatal(err)
		}
		tr, err := truth.Track(f, truth.Options{})
		if err != nil {
			t.Fatal(err)
		}
		for i := range tr.Frames {
			tr.Frames[i].Tip.X += shiftPx
			tr.Frames[i].Tip.SigmaPx = 1
		}
		tl, err := phases.Find(*tr)
		if err != nil {
			t.Fatal(err)
		}
		s, err := metrics.Measure(ctx, *tr, tl, metrics.Options{Draws: 50, Joints: metrics.JointErrors{}})
		return Measured{Track: *tr, Timeline: tl, Swing: s}, err
	}
}

func find(t *testing.T, qs []Quantity, id string) Quantity {
	t.Helper()
	for _, q := range qs {
		if q.ID == id {
			return q
		}
	}
	t.Fatalf("no quantity %s", id)
	return Quantity{}
}

func TestFolderCountsEveryFrame(t *testing.T) {
	rep, err := Folder(t.Context(), clips, []Pipeline{perfect(t, 5)}, func(int, int, string) {})
	if err != nil {
		t.Fatal(err)
	}
	files, err := filepath.Glob(filepath.Join(clips, "*.mp4"))
	if err != nil || rep.Clips != len(files) || len(rep.Failed) != 0 {
		t.Fatalf("%d clips judged of %d, %d failed, %v", rep.Clips, len(files), len(rep.Failed), err)
	}
	knob := find(t, rep.Quantities, "knob_in")
	if knob.Median > 0.01 || knob.Unavailable != 0 || *knob.Coverage95 < 0.99 {
		t.Errorf("perfect knob judged %+v", knob)
	}
	// 5 px are 5 standard errors, and at some 6 px an inch most of an inch.
	tip := find(t, rep.Quantities, "tip_in")
	if tip.Median < 0.5 || tip.Median > 1.5 || *tip.Coverage95 != 0 || tip.Bias != nil {
		t.Errorf("tip 5 px off judged %+v", tip)
	}
	if q := find(t, rep.Quantities, "event.contact_frames"); q.N != rep.Clips || q.P95 > 0.5 {
		t.Errorf("contact on exact tracks judged %+v", q)
	}
	if q := find(t, rep.Quantities, "hand_wrong"); q.P95 != 0 || q.N != rep.Clips {
		t.Errorf("sides judged %+v", q)
	}
	// A record's bars are in the table, all of them once together and once apart.
	apart := 0
	for _, r := range rep.Reliability[1:] {
		apart += r.N
	}
	if all := rep.Reliability[0]; all.N != apart || apart < 100 {
		t.Errorf("%d error bars together, %d apart", all.N, apart)
	}
	total := 0
	for _, s := range rep.Splits {
		if s.By == "view" {
			total += find(t, s.Quantities, "knob_in").N
		}
	}
	if total != knob.N {
		t.Errorf("views together hold %d knobs of %d", total, knob.N)
	}
}

// Pictures that nobody looked at are judged by what the track tells of them, which is
// nothing in a stretch too long.
func TestPicturesNobodyLookedAtAreJudged(t *testing.T) {
	f, err := truth.Read(filepath.Join(clips, "s77001_04.json.gz"))
	if err != nil {
		t.Fatal(err)
	}
	whole, err := truth.Track(f, truth.Options{})
	if err != nil {
		t.Fatal(err)
	}
	contact, _ := f.EventMs(string(phases.Contact))
	some := truth.Sparse(*whole, contact)
	gone := len(f.Frames) - 1 - some.Frames[len(some.Frames)-1].Index // after the last
	gone += some.Frames[9].Index - some.Frames[3].Index - 1
	some.Frames = slices.Delete(some.Frames, 4, 9)
	ts := newTallies()
	ts.compareTrack(some, f)
	knob := find(t, ts.quantities(), "knob_in")
	if knob.N+knob.Unavailable != len(f.Frames) || knob.Unavailable != gone || knob.P95 > 4/25.4 {
		t.Errorf("%d of %d pictures looked at, %d of which nothing is known: %+v", len(some.Frames), len(f.Frames), gone, knob)
	}
}

func TestFailedClipsAreUnavailable(t *testing.T) {
	full, err := Folder(t.Context(), clips, []Pipeline{perfect(t, 0)}, func(int, int, string) {})
	if err != nil {
		t.Fatal(err)
	}
	rep, err := Folder(t.Context(), clips, []Pipeline{func(context.Context, string, vision.Subject) (Measured, error) {
		return Measured{}, errors.New("no")
	}}, func(int, int, string) {})
	if err != nil {
		t.Fatal(err)
	}
	if len(rep.Failed) != rep.Clips {
		t.Errorf("%d of %d clips reported as failed", len(rep.Failed), rep.Clips)
	}
	for _, id := range []string{"tip_in", "landmark_in", "bat_angle_deg", "event.contact_frames", "measure.bat_speed_contact", "hand_wrong"} {
		q, want := find(t, rep.Quantities, id), find(t, full.Quantities, id)
		if q.N != 0 || q.Unavailable != want.N+want.Unavailable {
			t.Errorf("%s: n %d, unavailable %d of %d", id, q.N, q.Unavailable, want.N+want.Unavailable)
		}
	}
}

func TestNoClips(t *testing.T) {
	if _, err := Folder(t.Context(), t.TempDir(), nil, nil); !errors.Is(err, ErrNoClips) {
		t.Errorf("empty folder: %v", err)
	}
}

// R's default quantile (type 7), from its documentation's own example set:
// quantile(c(1, 2, 3, 4, 10), .95) = 8.8; from memory, and by the definition.
func TestQuantile(t *testing.T) {
	if q := quantile([]float64{10, 1, 4, 2, 3}, 0.95); math.Abs(q-8.8) > 1e-12 {
		t.Errorf("quantile = %v, want 8.8", q)
	}
}

func TestSeveralPipelinesReportAsOne(t *testing.T) {
	one, err := Folder(t.Context(), clips, []Pipeline{perfect(t, 5)}, func(int, int, string) {})
	if err != nil {
		t.Fatal(err)
	}
	counts := []int{}
	three, err := Folder(t.Context(), clips, []Pipeline{perfect(t, 5), perfect(t, 5), perfect(t, 5)}, func(i, n int, _ string) { counts = append(counts, i) })
	if err != nil {
		t.Fatal(err)
	}
	if len(counts) != one.Clips || !slices.IsSorted(counts) {
		t.Errorf("progress came as %v for %d clips", counts, one.Clips)
	}
	if !reflect.DeepEqual(one, three) {
		t.Error("three clips at a time give another report than one")
	}
}

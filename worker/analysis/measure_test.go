package analysis

import (
	"encoding/json"
	"path/filepath"
	"slices"
	"testing"

	"nightcage/metrics"
	"nightcage/phases"
	"nightcage/vision"
)

// kept is what a store keeps of a swing: its track and timeline as JSON.
type kept struct{ track, timeline []byte }

func keep(t testing.TB, res *Result) (k kept) {
	t.Helper()
	var err error
	if k.track, err = json.Marshal(res.Seen); err == nil {
		k.timeline, err = json.Marshal(res.Timeline)
	}
	if err != nil {
		t.Fatal(err)
	}
	return k
}

func (k kept) measure(t testing.TB) (vision.Track, []byte) {
	t.Helper()
	var tr vision.Track
	var tl phases.Timeline
	err := json.Unmarshal(k.track, &tr)
	if err == nil {
		err = json.Unmarshal(k.timeline, &tl)
	}
	if err != nil {
		t.Fatal(err)
	}
	read, swing, err := Measure(t.Context(), tr, tl, metrics.Options{})
	if err != nil {
		t.Fatal(err)
	}
	b, err := json.Marshal(swing)
	if err != nil {
		t.Fatal(err)
	}
	return read, b
}

// What is measured from a stored track is, byte for byte, what was measured from
// the clip; and a later contact, corrected by hand, gives another record.
func TestStoredTrackGivesTheSameRecord(t *testing.T) {
	a := analyser(t)
	for _, name := range []string{"s77001_00", "s77001_04"} {
		found, err := a.Run(t.Context(), filepath.Join(clips, name+".mp4"), vision.Subject{HeightIn: 66}, Options{NoStills: true}, nil)
		if err != nil {
			t.Fatal(err)
		}
		res := found[0]
		want, err := json.Marshal(res.Swing)
		if err != nil {
			t.Fatal(err)
		}
		read, got := keep(t, res).measure(t)
		if string(got) != string(want) {
			t.Errorf("%s: %d bytes from the stored track differ from %d bytes from the clip", name, len(got), len(want))
		}
		x, errX := json.Marshal(read)
		y, errY := json.Marshal(res.Track)
		if errX != nil || errY != nil || string(x) != string(y) {
			t.Errorf("%s: the track that was read differs (%v, %v)", name, errX, errY)
		}
		if s := res.Swing; s.Vision != VisionVersion || s.Pipeline != PipelineVersion || len(s.Models) != len(a.nets) || s.Clip.Swing != 1 || s.Clip.Swings != 1 {
			t.Errorf("%s: record of vision %q, pipeline %q, %d networks, swing %d of %d", name, s.Vision, s.Pipeline, len(s.Models), s.Clip.Swing, s.Clip.Swings)
		}
		moved := *res
		moved.Timeline.Events = slices.Clone(res.Timeline.Events)
		for i := range moved.Timeline.Events {
			if e := &moved.Timeline.Events[i]; e.ID == phases.Contact {
				e.Ms, e.Frame = e.Ms+8, e.Frame+8*res.Track.Clip.Clock.CaptureFPS/1000
			}
		}
		if _, got := keep(t, &moved).measure(t); string(got) == string(want) {
			t.Errorf("%s: a contact moved by 8 ms changes nothing", name)
		}
	}
}

// What a record costs once its track is stored: reading it, the bat's path about
// contact, and the measures with their error bars.
func BenchmarkMeasureStored(b *testing.B) {
	a, err := New(b.Context())
	if err != nil {
		b.Fatal(err)
	}
	defer a.Close()
	found, err := a.Run(b.Context(), filepath.Join(clips, "s77001_00.mp4"), vision.Subject{HeightIn: 66}, Options{NoStills: true}, nil)
	if err != nil {
		b.Fatal(err)
	}
	k := keep(b, found[0])
	for b.Loop() {
		k.measure(b)
	}
	b.ReportMetric(float64(len(k.track)), "track-bytes")
}

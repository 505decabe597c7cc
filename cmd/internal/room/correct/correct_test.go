package correct

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"nightcage/metrics"
	"nightcage/phases"
	"nightcage/vision"
	"nightcage/vision/solve"
	"nightcage/vision/truth"
)

// rendered is a swing whose marks are those of a renderer's truth file, solved and
// timed as a clip's would be.
func rendered(t *testing.T) (vision.Track, phases.Timeline) {
	t.Helper()
	f, err := truth.Read(filepath.Join("../../../../testdata/clips", "s77001_00.json.gz"))
	if err != nil {
		t.Fatal(err)
	}
	tr, err := truth.Track(f, truth.Options{})
	if err != nil {
		t.Fatal(err)
	}
	out, err := solve.Run(context.Background(), *tr)
	if err != nil {
		t.Fatal(err)
	}
	tl, err := phases.Find(out)
	if err != nil {
		t.Fatal(err)
	}
	return out, tl
}

func value(t *testing.T, s metrics.Swing, id string) float64 {
	t.Helper()
	m, ok := s.Find(id)
	if !ok || m.Value == nil {
		t.Fatalf("%s has no value: %s", id, m.ReasonText)
	}
	return *m.Value
}

func frameOf(t *testing.T, tl phases.Timeline, id phases.EventID) float64 {
	t.Helper()
	for _, e := range tl.Events {
		if e.ID == id && e.Found {
			return e.Frame
		}
	}
	t.Fatalf("no %s", id)
	return 0
}

// A knee that was seen 60 px off for a while is measured right again once a person
// has put its first and its last wrong frame right.
func TestMovedPointIsMeasuredAnew(t *testing.T) {
	ctx := context.Background()
	right, tl := rendered(t)
	_, _, want, err := Measure(ctx, right, tl, Correction{Instants: []Instant{{Event: phases.Contact, Frame: frameOf(t, tl, phases.Contact)}}}, metrics.Options{})
	if err != nil {
		t.Fatal(err)
	}
	const id = "lead_knee_angle_contact"
	knee := right.Hand.Lead(vision.LeftKnee)
	wrong := right
	wrong.Frames = slices.Clone(right.Frames)
	contact := int(math.Round(frameOf(t, tl, phases.Contact)))
	var places []Place
	for i := range wrong.Frames {
		f := &wrong.Frames[i]
		if d := f.Index - contact; d < -8 || d > 8 {
			continue
		}
		at := f.Body[knee]
		own(f)
		f.Body[knee].X -= 60
		if d := f.Index - contact; d == -8 || d == 8 {
			places = append(places, Place{Frame: f.Index, Point: Point(knee.String()), X: at.X, Y: at.Y})
		}
	}
	before := cmp.Diff(wrong, vision.Track{})
	fault, err := solve.Run(ctx, wrong)
	if err != nil {
		t.Fatal(err)
	}
	faultTL, err := phases.Find(fault)
	if err != nil {
		t.Fatal(err)
	}
	_, _, bad, err := Measure(ctx, fault, faultTL, Correction{Instants: []Instant{{Event: phases.Contact, Frame: frameOf(t, tl, phases.Contact)}}}, metrics.Options{})
	if err != nil {
		t.Fatal(err)
	}
	track, _, got, err := Measure(ctx, wrong, faultTL, Correction{Places: places}, metrics.Options{})
	if err != nil {
		t.Fatal(err)
	}
	off, left := math.Abs(value(t, bad, id)-value(t, want, id)), math.Abs(value(t, got, id)-value(t, want, id))
	t.Logf("%s: %.1f, seen wrong %.1f, corrected %.1f", id, value(t, want, id), value(t, bad, id), value(t, got, id))
	if off < 5 || left > off/4 {
		t.Errorf("%s was %.1f off and is %.1f off after the correction", id, off, left)
	}
	if diff := cmp.Diff(wrong, vision.Track{}); diff != before {
		t.Error("the machine's track has changed")
	}
	hands := 0
	for _, f := range track.Frames {
		if len(f.Body) > 0 && f.Body[knee].How == vision.HowHand {
			hands++
		}
	}
	if hands != 2 {
		t.Errorf("%d marks say that a person set them, want 2", hands)
	}
}

// An event that is moved moves what is read at it, and says who placed it.
func TestMovedEventIsMeasuredAnew(t *testing.T) {
	track, tl := rendered(t)
	touch := frameOf(t, tl, phases.ToeTouch)
	_, got, s, err := Measure(context.Background(), track, tl, Correction{Instants: []Instant{{Event: phases.ToeTouch, Frame: touch + 3}}}, metrics.Options{})
	if err != nil {
		t.Fatal(err)
	}
	raw, err := json.Marshal(s)
	if err == nil {
		err = metrics.Validate(raw)
	}
	if err != nil {
		t.Errorf("the corrected record: %v", err)
	}
	if f := frameOf(t, got, phases.ToeTouch); f != touch+3 {
		t.Errorf("toe touch at frame %g, want %g", f, touch+3)
	}
	m, _ := s.Find("shoulder_tilt_toe_touch")
	if len(m.Events) != 1 || math.Abs(m.Events[0].Frame-touch-3) > 1e-3 {
		t.Errorf("shoulder tilt was read at %+v, want frame %g", m.Events, touch+3)
	}
	if f := frameOf(t, tl, phases.ToeTouch); f != touch {
		t.Error("the machine's timeline has changed")
	}
}

// On a picture that nobody had looked at a person can set a point and an event: the point
// gets a frame, between two places the frames follow, and the event's time is the
// picture's own.
func TestPictureNobodyLookedAtIsCorrected(t *testing.T) {
	whole, tl := rendered(t)
	some := truth.Sparse(whole, whole.Clip.Times[int(frameOf(t, tl, phases.Contact))].Ms)
	n := len(some.Frames)
	first := some.Frames[2].Index + 1
	if _, looked := some.LookedAt(first); looked {
		t.Fatalf("frame %d was looked at", first)
	}
	until := some.Frames[5].Index - 1
	put := func(frame int) Place {
		f, _ := whole.At(frame)
		return Place{Frame: frame, Point: Tip, X: f.Tip.X + 30, Y: f.Tip.Y}
	}
	moved, err := Move(some, []Place{put(until), put(first)})
	if err != nil {
		t.Fatal(err)
	}
	if len(moved.Frames) != n+2 || len(moved.Solution.Frames) != n+2 || len(some.Frames) != n {
		t.Fatalf("%d frames, %d poses; %d before", len(moved.Frames), len(moved.Solution.Frames), len(some.Frames))
	}
	for _, f := range moved.Frames {
		was, _ := whole.At(f.Index)
		want, how := 0.0, was.Tip.How
		if f.Index >= first && f.Index <= until {
			want = 30
		}
		if f.Index == first || f.Index == until {
			how = vision.HowHand
			if f.Knob.How != vision.HowModel {
				t.Errorf("frame %d: nobody set the knob, which rests on %q", f.Index, f.Knob.How)
			}
		}
		if d := f.Tip.X - was.Tip.X; math.Abs(d-want) > 0.5 || f.Tip.How != how {
			t.Errorf("frame %d: the tip moved by %.1f px and rests on %q, want %g and %q", f.Index, d, f.Tip.How, want, how)
		}
	}
	at := float64(first) + 0.25
	_, got, s, err := Measure(context.Background(), some, tl, Correction{Places: []Place{put(first)}, Instants: []Instant{{Event: phases.LoadStart, Frame: at}}}, metrics.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if raw, err := json.Marshal(s); err != nil || metrics.Validate(raw) != nil {
		t.Errorf("the corrected record: %v, %v", err, metrics.Validate(raw))
	}
	gap := 1000 / whole.Clip.Clock.CaptureFPS
	for _, e := range got.Events {
		if want := whole.Clip.Times[first].Ms + gap/4; e.ID == phases.LoadStart && (e.Frame != at || math.Abs(e.Ms-want) > 0.01 || math.Abs(e.SigmaMs-gap/2) > 0.01) {
			t.Errorf("load at frame %g, %g ± %g ms; want %g, %g ± %g", e.Frame, e.Ms, e.SigmaMs, at, want, gap/2)
		}
	}
	// Far from all pictures that were looked at there is nothing to add to.
	some.Frames, some.Solution.Frames = slices.Delete(some.Frames, 3, 6), slices.Delete(some.Solution.Frames, 3, 6)
	_, err = Move(some, []Place{put(first)})
	if want := fmt.Sprintf("the nearest that was is %d", some.Frames[2].Index); !errors.Is(err, ErrBad) || !strings.HasSuffix(err.Error(), want) {
		t.Errorf("%v, want ErrBad and %q", err, want)
	}
}

func TestBadCorrectionsAreRefused(t *testing.T) {
	track, tl := rendered(t)
	first := track.Frames[0].Index
	for name, c := range map[string]Correction{
		"nothing":          {},
		"a frame too far":  {Places: []Place{{Frame: 1 << 20, Point: Knob, X: 1, Y: 1}}},
		"beside the frame": {Places: []Place{{Frame: first, Point: Knob, X: -4, Y: 1}}},
		"no number":        {Places: []Place{{Frame: first, Point: Knob, X: math.NaN(), Y: 1}}},
		"no such point":    {Places: []Place{{Frame: first, Point: "antenna", X: 1, Y: 1}}},
		"no such event":    {Instants: []Instant{{Event: "apex", Frame: 5}}},
		"before the clip":  {Instants: []Instant{{Event: phases.Contact, Frame: -1}}},
	} {
		if _, _, _, err := Measure(context.Background(), track, tl, c, metrics.Options{}); !errors.Is(err, ErrBad) {
			t.Errorf("%s: %v, want ErrBad", name, err)
		}
	}
}

func TestStoreKeepsBoth(t *testing.T) {
	s := OpenStore(t.TempDir())
	const job = "00000000000000000000000000000001"
	for i, by := range []string{"Tamsin Vale", "Ozzie Marlow"} {
		n, err := s.Add(job, 1, Kept{Correction: Correction{By: by, Upon: i}})
		if err != nil || n != i+1 {
			t.Fatalf("correction %d got number %d: %v", i+1, n, err)
		}
	}
	all, err := s.List(job, 1)
	if err != nil || len(all) != 2 || all[0].By != "Tamsin Vale" || all[1].By != "Ozzie Marlow" || all[1].Number != 2 {
		t.Errorf("kept %+v, %v", all, err)
	}
	if _, err := s.Get("../x", 1, 1); err == nil {
		t.Error("read outside of the store")
	}
}

func TestMergeLastOneHolds(t *testing.T) {
	at := func(frame int, x float64) Place { return Place{Frame: frame, Point: Knob, X: x, Y: x} }
	ps, ns := Merge([]Place{at(1, 1), at(2, 2)}, []Place{at(2, 3)}, []Instant{{Event: phases.Contact, Frame: 5}}, []Instant{{Event: phases.Contact, Frame: 6}})
	if diff := cmp.Diff([]Place{at(1, 1), at(2, 3)}, ps); diff != "" {
		t.Error(diff)
	}
	if len(ns) != 1 || ns[0].Frame != 6 {
		t.Errorf("%+v", ns)
	}
}

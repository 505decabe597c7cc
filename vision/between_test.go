package vision_test

import (
	"math"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"

	"nightcage/vision"
	"nightcage/vision/truth"
)

// sparse is a rendered swing at 240 pictures a second, whole and with the pictures
// that an analysis looks at.
func sparse(t *testing.T) (whole, some vision.Track) {
	t.Helper()
	f, err := truth.Read(filepath.Join("..", "testdata", "clips", "s77001_04.json.gz"))
	if err != nil {
		t.Fatal(err)
	}
	tr, err := truth.Track(f, truth.Options{})
	if err != nil {
		t.Fatal(err)
	}
	contact, ok := f.EventMs("contact")
	if !ok {
		t.Fatal("no contact")
	}
	some = truth.Sparse(*tr, contact)
	if len(some.Frames) > len(tr.Frames)*4/5 {
		t.Fatalf("%d of %d frames are left: nothing is thinned", len(some.Frames), len(tr.Frames))
	}
	return *tr, some
}

// Where nobody looked, marks and places are where the hitter was all the same, and
// none says that it was seen there.
func TestAtIsWhereTheHitterWas(t *testing.T) {
	whole, some := sparse(t)
	between, bat, body := 0, 0.0, 0.0
	for i, want := range whole.Frames {
		got, ok := some.At(want.Index)
		pose, posed := some.PoseAt(want.Index)
		if k, looked := some.LookedAt(want.Index); looked {
			if diff := cmp.Diff(want, got); !ok || diff != "" || some.Frames[k].Index != want.Index {
				t.Fatalf("picture %d was looked at: %s", want.Index, diff)
			}
			continue
		}
		if want.Index > some.Frames[len(some.Frames)-1].Index {
			if ok || posed {
				t.Errorf("picture %d, after the last, has marks", want.Index)
			}
			continue
		}
		between++
		if !ok || !posed || got.Index != want.Index || got.Ms != want.Ms {
			t.Fatalf("picture %d: %v, %v, index %d at %g ms", want.Index, ok, posed, got.Index, got.Ms)
		}
		for l, m := range got.Body {
			if m.How != vision.HowModel {
				if m.Found() {
					t.Fatalf("picture %d: %v rests on %q", want.Index, vision.Landmark(l), m.How)
				}
				continue
			}
			body = max(body, math.Hypot(m.X-want.Body[l].X, m.Y-want.Body[l].Y)/whole.Scale.PxPerIn)
		}
		if got.Tip.Found() && want.Tip.Found() {
			bat = max(bat, math.Hypot(got.Tip.X-want.Tip.X, got.Tip.Y-want.Tip.Y)/whole.Scale.PxPerIn)
		}
		w := whole.Solution.Frames[i]
		if p, q := pose.Tip, w.Tip; !p.Valid || math.Abs(p.X-q.X)+math.Abs(p.Y-q.Y)+math.Abs(p.Z-q.Z) > 2 {
			t.Errorf("picture %d: the tip is at %+v, was at %+v", want.Index, p, q)
		}
	}
	t.Logf("%d pictures between: the tip is at most %.2f in off, a landmark %.2f in", between, bat, body)
	const most = 4 / 25.4 // in: what betweenMs allows
	if between == 0 || body > most || bat > most {
		t.Errorf("%d pictures between, tip %.2f in off, landmarks %.2f in", between, bat, body)
	}
}

// Between two frames that are too far apart nothing is known, nor outside.
func TestBetweenKnowsItsLimits(t *testing.T) {
	for _, c := range []struct {
		name  string
		fps   float64
		times []float64
		ms    float64
		i, j  int
		share float64
		ok    bool
	}{
		{"a frame's own time", 240, []float64{0, 10, 20}, 10.004, 1, 1, 0, true},
		{"the first", 240, []float64{0, 10, 20}, 0, 0, 0, 0, true},
		{"the last", 240, []float64{0, 10, 20}, 20, 2, 2, 0, true},
		{"a quarter of the way", 240, []float64{0, 10, 20}, 12.5, 1, 2, 0.25, true},
		{"before the first", 240, []float64{0, 10, 20}, -1, 0, 0, 0, false},
		{"after the last", 240, []float64{0, 10, 20}, 21, 0, 0, 0, false},
		{"too far apart", 240, []float64{0, 26}, 13, 0, 1, 0.5, false},
		{"neighbours of a slow clip", 30, []float64{0, 40}, 10, 0, 1, 0.25, true},
		{"one of a slow clip is missing", 30, []float64{0, 66}, 33, 0, 1, 0.5, false},
		{"no clock", 0, []float64{0, 33}, 11, 0, 1, 1. / 3, false},
		{"no frames", 60, nil, 0, 0, 0, 0, false},
	} {
		tr := vision.Track{Clip: vision.Clip{Clock: vision.Clock{CaptureFPS: c.fps}}}
		for i, ms := range c.times {
			tr.Frames = append(tr.Frames, vision.Frame{Index: i, Ms: ms})
		}
		i, j, share, ok := tr.Between(c.ms)
		if i != c.i || j != c.j || math.Abs(share-c.share) > 1e-9 || ok != c.ok {
			t.Errorf("%s: %d, %d, %g, %v; want %d, %d, %g, %v", c.name, i, j, share, ok, c.i, c.j, c.share, c.ok)
		}
	}
}

// What one of the neighbours lacks is not found between them, and a ball that the bat
// met between them is on neither straight line.
func TestBetweenMakesNothingUp(t *testing.T) {
	at := func(x float64) vision.Mark { return vision.Mark{X: x, SigmaPx: x, Seen: x / 10, How: vision.HowEdges} }
	tr := vision.Track{Frames: []vision.Frame{{Index: 4, Ms: 40, Knob: at(2), Tip: at(1), Ball: at(1)}, {Index: 6, Ms: 60, Knob: at(4), Ball: at(9)}}}
	tr.Clip.Times = make([]vision.FrameTime, 8)
	tr.Clip.Times[5].Ms, tr.Clip.Times[7].Ms = 55, 70
	f, ok := tr.At(5)
	want := vision.Mark{X: 3.5, SigmaPx: 4, Seen: 0.2, How: vision.HowModel}
	if !ok || f.Knob != want || f.Tip.Found() || f.Ball.X != 7 || len(f.Body) > 0 {
		t.Errorf("between: %+v", f)
	}
	tr.Ball = &vision.BallFlight{MeetMs: 50, MeetSigmaMs: 1}
	if f, _ := tr.At(5); f.Ball.Found() {
		t.Errorf("the ball met the bat between the two and lies at %+v", f.Ball)
	}
	for _, index := range []int{-1, 7, 8} {
		if f, ok := tr.At(index); ok {
			t.Errorf("picture %d has %+v", index, f)
		}
	}
	if _, ok := tr.PoseAt(4); ok {
		t.Error("a pose without a solution")
	}
}

// A picture that is added has frame and pose in its place; the track stays as it was.
func TestWithAddsAPicture(t *testing.T) {
	_, some := sparse(t)
	n := len(some.Frames)
	index := some.Frames[0].Index + 1
	if _, looked := some.LookedAt(index); looked {
		t.Fatalf("picture %d was looked at", index)
	}
	more, ok := some.With(index)
	if !ok || len(more.Frames) != n+1 || len(more.Solution.Frames) != n+1 || len(some.Frames) != n || len(some.Solution.Frames) != n {
		t.Fatalf("%v: %d frames, %d poses; the track itself has %d, %d", ok, len(more.Frames), len(more.Solution.Frames), len(some.Frames), len(some.Solution.Frames))
	}
	if i, ok := more.LookedAt(index); !ok || i != 1 || cmp.Diff(more.Solution.Frames[2], some.Solution.Frames[1]) != "" {
		t.Errorf("picture %d is frame %d, %v", index, i, ok)
	}
	if same, ok := some.With(some.Frames[3].Index); !ok || len(same.Frames) != n {
		t.Errorf("a picture that was looked at: %v, %d frames", ok, len(same.Frames))
	}
	if _, ok := some.With(1 << 20); ok {
		t.Error("a picture that the clip does not have was added")
	}
}

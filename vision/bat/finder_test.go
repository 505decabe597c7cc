package bat

import (
	"context"
	"math"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"testing"

	"gocv.io/x/gocv"

	"nightcage/vision"
	"nightcage/vision/bat/path"
	"nightcage/vision/truth"
)

// swing is one rendered clip around its contact with its truth.
type swing struct {
	file    *truth.File
	first   int        // index of frames[0]
	frames  []gocv.Mat // from 250 ms before contact to 120 after
	contact float64    // ms
	height  float64    // of the hitter in the picture, px
}

func (s *swing) close() {
	for _, m := range s.frames {
		m.Close()
	}
}

func swings(t testing.TB) []*swing {
	t.Helper()
	names, err := filepath.Glob("../../testdata/clips/*.mp4")
	if err != nil || len(names) == 0 {
		t.Fatalf("no clips: %v", err)
	}
	var all []*swing
	for _, n := range names {
		at, err := truth.Find(n)
		if err != nil {
			t.Fatal(err)
		}
		f, err := truth.Read(at)
		if err != nil {
			t.Fatal(err)
		}
		s := &swing{file: f, first: -1, height: f.Hitter.HeightIn * f.PxPerIn(0, f.Frames[0].Joints["pelvis_centre"].XYZ)}
		s.contact, _ = f.EventMs("contact")
		v, err := gocv.VideoCaptureFile(n)
		if err != nil {
			t.Fatal(err)
		}
		for i := range f.Frames {
			m := gocv.NewMat()
			ms := f.Frames[i].Ms - s.contact
			if !v.Read(&m) {
				t.Fatalf("%s: frame %d does not decode", f.Name, i)
			}
			if ms < -250 || ms > 120 {
				m.Close()
				continue
			}
			if s.first < 0 {
				s.first = i
			}
			s.frames = append(s.frames, m)
		}
		v.Close()
		t.Cleanup(s.close)
		all = append(all, s)
	}
	return all
}

// body is the truth's hands with a pose network's errors: 1.5 % of standing
// height at rest, 6 % at full speed, holding for some 30 ms.
func (s *swing) body(i int, rng *rand.Rand, slow *[2]float64) []vision.Mark {
	f := s.file
	keep := math.Exp(-1 / f.FPS / 0.03)
	for j := range slow {
		slow[j] = keep*slow[j] + math.Sqrt(1-keep*keep)*rng.NormFloat64()
	}
	speed := 0.0 // heights per second
	if i > 0 {
		a, b := f.Frames[i-1].Tip, f.Frames[i].Tip
		speed = math.Hypot(b.X-a.X, b.Y-a.Y) / s.height * f.FPS
	}
	sigma := (0.015 + 0.045*min(1, speed/10)) * s.height
	body := make([]vision.Mark, vision.NumLandmarks)
	for _, l := range []vision.Landmark{vision.LeftHand, vision.RightHand} {
		p, _ := f.Landmark(i, l)
		body[l] = vision.Mark{X: p.X + sigma*slow[0], Y: p.Y + sigma*slow[1], SigmaPx: sigma, Seen: 1, How: vision.HowNetwork}
	}
	return body
}

// track runs finder and smoother over a swing.
func (s *swing) track(t testing.TB, f *Finder, seed uint64) path.Result {
	t.Helper()
	rng, slow := rand.New(rand.NewPCG(seed, 4)), [2]float64{}
	none := gocv.NewMat()
	defer none.Close()
	var sights []path.Sight
	for k, cur := range s.frames {
		prev, next := none, none
		if k > 0 {
			prev = s.frames[k-1]
		}
		if k+1 < len(s.frames) {
			next = s.frames[k+1]
		}
		g, err := f.Look(context.Background(), prev, cur, next, s.body(s.first+k, rng, &slow), s.height)
		if err != nil {
			t.Fatal(err)
		}
		g.Index, g.Ms = s.first+k, s.file.Frames[s.first+k].Ms
		sights = append(sights, g)
	}
	r, err := path.Smooth(sights, path.Options{BatIn: s.file.Bat.LengthIn, PxPerIn: s.height / s.file.Hitter.HeightIn, ScaleSigmaRel: 0.02})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

type errorsOf struct {
	tip, knob, angle []float64 // in, in, deg
	over             []float64 // coordinates over sigma
	absent           int
}

func (e *errorsOf) add(s *swing, r path.Result) {
	for _, fr := range r.Frames {
		t := &s.file.Frames[fr.Index]
		if ms := t.Ms - s.contact; ms < -150 || ms > 60 {
			continue
		}
		if !fr.Tip.Found() || !fr.Knob.Found() {
			e.absent++
			continue
		}
		e.tip = append(e.tip, math.Hypot(fr.Tip.X-t.Tip.X, fr.Tip.Y-t.Tip.Y)/s.file.PxPerIn(fr.Index, t.Tip.XYZ))
		e.knob = append(e.knob, math.Hypot(fr.Knob.X-t.Knob.X, fr.Knob.Y-t.Knob.Y)/s.file.PxPerIn(fr.Index, t.Knob.XYZ))
		a := math.Atan2(fr.Tip.Y-fr.Knob.Y, fr.Tip.X-fr.Knob.X) - math.Atan2(t.Tip.Y-t.Knob.Y, t.Tip.X-t.Knob.X)
		e.angle = append(e.angle, math.Abs(math.Remainder(a, 2*math.Pi))*180/math.Pi)
		e.over = append(e.over, math.Abs(fr.Tip.X-t.Tip.X)/fr.Tip.SigmaPx, math.Abs(fr.Tip.Y-t.Tip.Y)/fr.Tip.SigmaPx,
			math.Abs(fr.Knob.X-t.Knob.X)/fr.Knob.SigmaPx, math.Abs(fr.Knob.Y-t.Knob.Y)/fr.Knob.SigmaPx)
	}
}

func (e *errorsOf) expect(t *testing.T, what string, tip, knob, angle [2]float64, held, absent float64) {
	t.Helper()
	for _, q := range []struct {
		name string
		v    []float64
		want [2]float64
	}{{"tip (in)", e.tip, tip}, {"knob (in)", e.knob, knob}, {"angle (deg)", e.angle, angle}} {
		v := slices.Sorted(slices.Values(q.v))
		m, p := v[len(v)/2], v[int(0.95*float64(len(v)-1)+0.5)]
		t.Logf("%s: %s median %.2f, p95 %.2f, n %d", what, q.name, m, p, len(v))
		if m > q.want[0] || p > q.want[1] {
			t.Errorf("%s: %s off by %.2f at the median, %.2f at the 95th percentile, want %.2f and %.2f", what, q.name, m, p, q.want[0], q.want[1])
		}
	}
	in := 0
	for _, z := range e.over {
		if z <= 1.96 {
			in++
		}
	}
	share := float64(in) / float64(len(e.over))
	t.Logf("%s: %.0f %% of the sigmas hold", what, 100*share)
	if share < held {
		t.Errorf("%s: %.0f %% of the sigmas hold the truth, want %.0f", what, 100*share, 100*held)
	}
	if share := float64(e.absent) / float64(e.absent+len(e.tip)); share > absent {
		t.Errorf("%s: no bat in %.1f %% of the swing's frames", what, 100*share)
	}
}

// TestTrackSwings holds the finder and the smoother to the targets for a swing:
// tip and knob 0.7 in at the median and 2.5 at the 95th percentile, the angle
// 1.5 and 4 degrees, sigmas that hold.
func TestTrackSwings(t *testing.T) {
	f, err := NewFinder(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var e errorsOf
	for i, s := range swings(t) {
		e.add(s, s.track(t, f, uint64(i)))
	}
	e.expect(t, "network and motion", [2]float64{0.7, 2.5}, [2]float64{0.7, 2.5}, [2]float64{1.5, 4}, 0.9, 0)
}

// TestTrackSwingsByMotionAlone: from the open side, motion alone must carry the
// tip through a swing in which the network sees nothing, to somewhat more than
// its targets; the knob then rests on the hands.
func TestTrackSwingsByMotionAlone(t *testing.T) {
	f := newEdgeFinder()
	defer f.Close()
	var e errorsOf
	for i, s := range swings(t) {
		if s.file.View == vision.ViewOpenSide {
			e.add(s, s.track(t, f, uint64(i)))
		}
	}
	e.expect(t, "motion alone", [2]float64{1, 3}, [2]float64{3, 7}, [2]float64{1.5, 6}, 0.85, 0.05)
}

func TestLookRefuses(t *testing.T) {
	f := newEdgeFinder()
	defer f.Close()
	none := gocv.NewMat()
	defer none.Close()
	frame := gocv.NewMatWithSize(100, 100, gocv.MatTypeCV8UC3)
	defer frame.Close()
	ctx := context.Background()
	if _, err := f.Look(ctx, none, none, none, nil, 50); err == nil {
		t.Error("an empty picture: no error")
	}
	for _, h := range []float64{0, -3, math.NaN()} {
		if _, err := f.Look(ctx, none, frame, none, nil, h); err == nil {
			t.Errorf("a hitter %v px tall: no error", h)
		}
	}
	for _, body := range [][]vision.Mark{nil, make([]vision.Mark, vision.NumLandmarks)} {
		s, err := f.Look(ctx, frame, frame, frame, body, 50)
		if err != nil || len(s.Lines)+len(s.Tips)+len(s.Knobs) != 0 {
			t.Errorf("a body without hands: %+v, %v", s, err)
		}
	}
	// Hands far outside the picture: nothing there, and nothing breaks.
	body := make([]vision.Mark, vision.NumLandmarks)
	body[vision.LeftHand] = vision.Mark{X: 4000, Y: -3000, SigmaPx: 5, Seen: 1, How: vision.HowNetwork}
	if s, err := f.Look(ctx, frame, frame, frame, body, 50); err != nil || len(s.Lines) != 0 {
		t.Errorf("hands outside the picture: %+v, %v", s, err)
	}
}

// The wrist stands in for a fist that was not found.
func TestHandsFallBackOnWrists(t *testing.T) {
	body := make([]vision.Mark, vision.NumLandmarks)
	body[vision.LeftWrist] = vision.Mark{X: 10, Y: 20, SigmaPx: 1, How: vision.HowNetwork}
	body[vision.RightHand] = vision.Mark{X: 30, Y: 40, SigmaPx: 1, How: vision.HowNetwork}
	if x, y, ok := middle(Hands(body)); !ok || x != 20 || y != 30 {
		t.Errorf("middle (%v, %v) %v, want (20, 30)", x, y, ok)
	}
}

// A pose network that loses the hands in the blur must not take the crop with
// it.
func TestCentreHoldsOnToTheGrip(t *testing.T) {
	f := &Finder{last: grip{x: 100, y: 100, age: 2}}
	if x, y := f.centre(110, 100, 400); x != 110 || y != 100 {
		t.Errorf("hands near the grip: centre (%v, %v)", x, y)
	}
	if x, y := f.centre(300, 100, 400); x != 100+strayShare*400 || y != 100 {
		t.Errorf("hands that jumped half a height: centre (%v, %v)", x, y)
	}
	f.last.age = gripFrames + 1
	if x, _ := f.centre(300, 100, 400); x != 300 {
		t.Errorf("an old grip still holds: %v", x)
	}
}

func BenchmarkLook(b *testing.B) {
	f, err := NewFinder(context.Background())
	if err != nil {
		b.Fatal(err)
	}
	defer f.Close()
	benchmarkLook(b, f)
}

func BenchmarkLookMotionAlone(b *testing.B) {
	f := newEdgeFinder()
	defer f.Close()
	benchmarkLook(b, f)
}

func benchmarkLook(b *testing.B, f *Finder) {
	s := swings(b)[0]
	rng, slow := rand.New(rand.NewPCG(1, 4)), [2]float64{}
	k := len(s.frames) / 2
	body := s.body(s.first+k, rng, &slow)
	for b.Loop() {
		if _, err := f.Look(context.Background(), s.frames[k-1], s.frames[k], s.frames[k+1], body, s.height); err != nil {
			b.Fatal(err)
		}
	}
}

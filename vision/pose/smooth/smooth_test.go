package smooth

import (
	"math"
	"path/filepath"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"

	"nightcage/vision"
	"nightcage/vision/truth"
)

func readTruth(t *testing.T, name string) *truth.File {
	t.Helper()
	f, err := truth.Read(filepath.Join("..", "..", "..", "testdata", "clips", name))
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func noisyTrack(t *testing.T, f *truth.File, o truth.Options) []vision.Frame {
	t.Helper()
	o.No3D = true
	track, err := truth.Track(f, o)
	if err != nil {
		t.Fatal(err)
	}
	for i := range track.Frames { // the truth file has no ears; heads stand in
		b := track.Frames[i].Body
		if len(b) > 0 {
			b[vision.LeftEar], b[vision.RightEar] = track.Frames[i].Head, track.Frames[i].Head
		}
	}
	return track.Frames
}

// errors of a landmark against truth: rms of place (px) and of speed by central
// difference (px/s), over frames where it was found.
func rmsErrors(f *truth.File, frames []vision.Frame, l vision.Landmark) (place, speed float64) {
	var sp, ss []float64
	for i := 1; i+1 < len(frames); i++ {
		at := func(k int) (dx, dy float64, ok bool) {
			p, _ := f.Landmark(k, l)
			if len(frames[k].Body) == 0 || !frames[k].Body[l].Found() || !p.InFrame {
				return 0, 0, false
			}
			return frames[k].Body[l].X - p.X, frames[k].Body[l].Y - p.Y, true
		}
		x, y, ok := at(i)
		if !ok {
			continue
		}
		sp = append(sp, x*x+y*y)
		ax, ay, oka := at(i - 1)
		bx, by, okb := at(i + 1)
		if oka && okb {
			dt := (frames[i+1].Ms - frames[i-1].Ms) / 1000
			ss = append(ss, ((bx-ax)*(bx-ax)+(by-ay)*(by-ay))/dt/dt)
		}
	}
	return math.Sqrt(mean(sp)), math.Sqrt(mean(ss))
}

func mean(v []float64) float64 {
	sum := 0.0
	for _, x := range v {
		sum += x
	}
	return sum / float64(len(v))
}

var clips = []string{"s77001_00.json.gz", "s77001_04.json.gz", "s77001_06.json.gz", "s77001_09.json.gz"}

// With noise on the truth, the smoother must on the whole do better than a
// Butterworth filter whose cut-off was chosen for each landmark, and for place
// and speed apart, knowing the truth; and nowhere much worse.
func TestNoWorseThanBestButterworth(t *testing.T) {
	const noise = 1.5 // px
	var logPlace, logSpeed []float64
	for _, name := range clips {
		f := readTruth(t, name)
		frames := noisyTrack(t, f, truth.Options{Seed: 7, NoisePx: noise})
		smoothed, _ := Bodies(frames)
		for _, l := range []vision.Landmark{vision.LeftHand, vision.RightWrist, vision.LeftElbow, vision.LeftShoulder, vision.RightHip, vision.LeftAnkle, vision.RightToe} {
			place, speed := rmsErrors(f, smoothed, l)
			bestPlace, bestSpeed := math.Inf(1), math.Inf(1)
			for _, hz := range []float64{2, 3, 4, 6, 8, 10, 12, 15, 20, 25, 30} {
				if hz >= f.FPS/2 {
					continue
				}
				p, s := rmsErrors(f, butterworth(frames, l, hz, f.FPS), l)
				bestPlace, bestSpeed = min(bestPlace, p), min(bestSpeed, s)
			}
			t.Logf("%s %-14v place %.2f px (best Butterworth %.2f, raw %.2f), speed %.0f px/s (best %.0f)", f.Name, l, place, bestPlace, noise*math.Sqrt2, speed, bestSpeed)
			logPlace, logSpeed = append(logPlace, math.Log(place/bestPlace)), append(logSpeed, math.Log(speed/bestSpeed))
			if place > 1.4*bestPlace {
				t.Errorf("%s %v: place off by %.2f px, a Butterworth filter by %.2f", f.Name, l, place, bestPlace)
			}
			if speed > 1.4*bestSpeed {
				t.Errorf("%s %v: speed off by %.0f px/s, a Butterworth filter by %.0f", f.Name, l, speed, bestSpeed)
			}
		}
	}
	if p, v := math.Exp(mean(logPlace)), math.Exp(mean(logSpeed)); p > 0.95 || v > 0.9 {
		t.Errorf("on the whole %.2f of a Butterworth filter's error in place, %.2f in speed", p, v)
	}
}

func TestKeepsPeakHandSpeed(t *testing.T) {
	f := readTruth(t, "s77001_00.json.gz")
	peak := func(frames []vision.Frame) float64 {
		best := 0.0
		for i := 1; i+1 < len(frames); i++ {
			a, b := frames[i-1].Body[vision.LeftHand], frames[i+1].Body[vision.LeftHand]
			best = max(best, math.Hypot(b.X-a.X, b.Y-a.Y)/(frames[i+1].Ms-frames[i-1].Ms)*1000)
		}
		return best
	}
	want := peak(noisyTrack(t, f, truth.Options{}))
	smoothed, _ := Bodies(noisyTrack(t, f, truth.Options{Seed: 3, NoisePx: 1.5}))
	if got := peak(smoothed); math.Abs(got/want-1) > 0.05 {
		t.Errorf("peak speed of the hand %.0f px/s, truth %.0f", got, want)
	}
}

func TestOutliersDoNotPull(t *testing.T) {
	f := readTruth(t, "s77001_04.json.gz")
	clean, _ := Bodies(noisyTrack(t, f, truth.Options{Seed: 5, NoisePx: 1}))
	dirty, _ := Bodies(noisyTrack(t, f, truth.Options{Seed: 5, NoisePx: 1, OutlierShare: 0.03, OutlierPx: 60}))
	for _, l := range []vision.Landmark{vision.LeftKnee, vision.RightHand, vision.LeftShoulder} {
		a, _ := rmsErrors(f, clean, l)
		b, _ := rmsErrors(f, dirty, l)
		if b > 1.5*a {
			t.Errorf("%v: rms error %.2f px with outliers, %.2f without", l, b, a)
		}
	}
}

func TestPutsExchangedSidesBack(t *testing.T) {
	for _, name := range clips {
		f := readTruth(t, name)
		frames := noisyTrack(t, f, truth.Options{Seed: 1, NoisePx: 1})
		n := len(frames)
		for i := range frames {
			frames[i].Relief = &vision.Relief{Shoulders: vision.Heading{Dir: vision.Vec3{X: 1}, ScaleRad: .1}}
		}
		want, report := Bodies(frames)
		if report.Exchanged != 0 {
			t.Errorf("%s: exchanged %d frames of the truth", f.Name, report.Exchanged)
		}
		// a quarter of the clip with the arms, an overlapping stretch with the legs
		for i := n / 4; i < n/2; i++ {
			for _, l := range groups[1] {
				frames[i].Body[l], frames[i].Body[l+1] = frames[i].Body[l+1], frames[i].Body[l]
			}
		}
		for i := n / 3; i < n/3+5; i++ {
			for _, l := range groups[3] {
				frames[i].Body[l], frames[i].Body[l+1] = frames[i].Body[l+1], frames[i].Body[l]
			}
		}
		// the reliefs, which know their sides, are to stay
		got, report := Bodies(frames)
		if report.Exchanged != n/2-n/4 {
			t.Errorf("%s: exchanged %d frames, want %d", f.Name, report.Exchanged, n/2-n/4)
		}
		if d := cmp.Diff(want, got); d != "" {
			t.Errorf("%s: sides not as they were:\n%.600s", f.Name, d)
		}
	}
}

func TestGaps(t *testing.T) {
	f := readTruth(t, "s77001_00.json.gz")
	frames := noisyTrack(t, f, truth.Options{Seed: 9, NoisePx: 1})
	step := 1000 / f.FPS
	short, long := int(60/step), int(250/step)
	from := len(frames) / 4
	for i := from; i < from+short; i++ {
		frames[i].Body[vision.LeftKnee] = vision.Mark{}
	}
	for i := 2 * from; i < 2*from+long; i++ {
		frames[i].Body = nil
	}
	got, report := Bodies(frames)
	for i := from; i < from+short; i++ {
		m := got[i].Body[vision.LeftKnee]
		p, _ := f.Landmark(i, vision.LeftKnee)
		if m.How != vision.HowModel || m.SigmaPx <= 1 || math.Hypot(m.X-p.X, m.Y-p.Y) > 5*m.SigmaPx {
			t.Fatalf("frame %d of a 60 ms gap: %+v, truth %.1f, %.1f", i, m, p.X, p.Y)
		}
	}
	if report.Bridged != short {
		t.Errorf("bridged %d marks, want %d", report.Bridged, short)
	}
	for i := 2 * from; i < 2*from+long; i++ {
		for l, m := range got[i].Body {
			if m.Found() {
				t.Fatalf("frame %d, %v: filled in across 250 ms", i, vision.Landmark(l))
			}
		}
	}
	for i := range got {
		if m := got[i].Body; len(frames[i].Body) > 0 && m[vision.RightKnee].SigmaPx != frames[i].Body[vision.RightKnee].SigmaPx {
			t.Fatalf("frame %d: the standard error of a seen mark changed", i)
		}
	}
}

// The same motion and noise a second, filmed at 240 and at 60 frames a second:
// the smoother's answer at the shared instants must agree about as well as the
// coarser one's own error allows.
func TestFrameRateDoesNotSetSmoothing(t *testing.T) {
	f := readTruth(t, "s77001_09.json.gz")
	if f.FPS < 200 {
		t.Fatalf("the clip is filmed at %v frames a second", f.FPS)
	}
	frames := noisyTrack(t, f, truth.Options{Seed: 11, NoisePx: 1.5})
	fine, _ := Bodies(frames)
	var every []vision.Frame
	for i := 0; i < len(frames); i += 4 {
		every = append(every, frames[i])
	}
	coarse, _ := Bodies(every)
	for _, l := range []vision.Landmark{vision.LeftHip, vision.RightAnkle} {
		var d []float64
		for k := range coarse {
			a, b := coarse[k].Body[l], fine[4*k].Body[l]
			d = append(d, (a.X-b.X)*(a.X-b.X)+(a.Y-b.Y)*(a.Y-b.Y))
		}
		if rms := math.Sqrt(mean(d)); rms > 1.5 {
			t.Errorf("%v: 60 and 240 frames a second differ by %.2f px rms", l, rms)
		}
	}
}

func TestInputIsNotChanged(t *testing.T) {
	f := readTruth(t, "s77001_06.json.gz")
	frames := noisyTrack(t, f, truth.Options{Seed: 2, NoisePx: 1, MissShare: 0.05})
	before := noisyTrack(t, f, truth.Options{Seed: 2, NoisePx: 1, MissShare: 0.05})
	out, _ := Bodies(frames)
	if d := cmp.Diff(before, frames); d != "" {
		t.Errorf("input changed:\n%.600s", d)
	}
	if cmp.Equal(out, frames) {
		t.Error("nothing was smoothed")
	}
}

func TestTooLittleToSmooth(t *testing.T) {
	if out, r := Bodies(nil); len(out) != 0 || r != (Report{}) {
		t.Errorf("no frames: %v %+v", out, r)
	}
	empty := []vision.Frame{{Index: 3, Ms: 0}, {Index: 4, Ms: 8}}
	if out, r := Bodies(empty); !cmp.Equal(out, empty) || r != (Report{}) {
		t.Errorf("frames without bodies: %v %+v", out, r)
	}
	f := readTruth(t, "s77001_06.json.gz")
	few := noisyTrack(t, f, truth.Options{Seed: 2, NoisePx: 1})[:minSeen-1]
	out, r := Bodies(few)
	if r.Refused == 0 || !cmp.Equal(out, few) {
		t.Errorf("%d frames were smoothed: %+v", len(few), r)
	}
	// two frames of the same instant, as a repeated picture gives
	same := slices.Clone(noisyTrack(t, f, truth.Options{Seed: 2, NoisePx: 1})[:40])
	same[20].Ms = same[19].Ms
	out, _ = Bodies(same)
	for i := range out {
		for l, m := range out[i].Body {
			if math.IsNaN(m.X) || math.IsNaN(m.SigmaPx) {
				t.Fatalf("frame %d, %v: %+v", i, vision.Landmark(l), m)
			}
		}
	}
}

package clip

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"testing"

	"gocv.io/x/gocv"

	"nightcage/vision"
)

var scans = map[string]func() (vision.Clip, *Scan){}

// scanned reads a clip through, once, and returns it with what the scan found.
func scanned(t testing.TB, path string) (vision.Clip, *Scan) {
	t.Helper()
	if again, ok := scans[path]; ok {
		return again()
	}
	c := probe(t, path)
	r := open(t, c, path)
	s := NewScan(vision.Box{})
	t.Cleanup(func() { s.Close() })
	for {
		f, err := r.Next(context.Background())
		if errors.Is(err, io.EOF) {
			c = s.Apply(r.Clip())
			scans[path] = func() (vision.Clip, *Scan) { return c, s }
			return c, s
		}
		if err != nil {
			t.Fatal(err)
		}
		if err := s.Add(f.Index, r.Gray()); err != nil {
			t.Fatal(err)
		}
	}
}

func countRepeats(c vision.Clip) (n int) {
	for _, ft := range c.Times {
		if ft.Repeat {
			n++
		}
	}
	return n
}

func TestTrueClipsDoNotRepeat(t *testing.T) {
	for _, name := range []string{"s77001_00", "s77001_04", "s77001_06"} {
		c, _ := scanned(t, filepath.Join(clips, name+".mp4"))
		if n := countRepeats(c); !c.Clock.Known || n > 1 {
			t.Errorf("%s: clock %+v, %d pictures marked", name, c.Clock, n)
		}
	}
}

// The same swing, thinned and filled up again by repeating, as converters do.
func TestRepeatedPicturesLoseTheClock(t *testing.T) {
	for _, c := range []struct {
		name      string
		rate, crf int
	}{{"every second", 60, 23}, {"every second, poorly coded", 60, 34}, {"three of four", 30, 34}, {"every fifth", 96, 23}} {
		t.Run(c.name, func(t *testing.T) {
			path := media(t, fmt.Sprintf("filled%d-%d.mp4", c.rate, c.crf), func(p string) {
				ffmpeg(t, "-ss", "0.9", "-t", "0.6", "-i", filepath.Join(clips, "s77001_04.mp4"), "-vf", fmt.Sprintf("scale=640:-2,fps=%d,fps=120", c.rate),
					"-c:v", "libx264", "-preset", "veryfast", "-crf", fmt.Sprint(c.crf), p)
			})
			got, _ := scanned(t, path)
			if got.Clock.Known || got.Clock.Source != vision.ClockUnknown || got.Clock.Conflict == "" || len(got.Notes) == 0 {
				t.Errorf("clock %+v, notes %q, %d repeats", got.Clock, got.Notes, countRepeats(got))
			}
		})
	}
}

func TestRepeatsOnNumbers(t *testing.T) {
	rng := rand.New(rand.NewPCG(6, 0))
	swing := func(n int, zero func(i int) bool) []float64 {
		out := make([]float64, n)
		for i := range out {
			out[i] = 0.3 * rng.Float64()
			if i > n/3 && i < 2*n/3 {
				out[i] = 40 + 15*rng.Float64()
			}
			if zero(i) {
				out[i] = 2 * rng.Float64()
			}
		}
		return out
	}
	for _, c := range []struct {
		name   string
		change []float64
		byRule bool
		marked int // at least
	}{
		{"a swing", swing(180, func(int) bool { return false }), false, 0},
		{"every second", swing(180, func(i int) bool { return i%2 == 1 }), true, 25},
		{"one in six", swing(180, func(i int) bool { return i%6 == 5 }), true, 8},
		{"24 made into 60", swing(180, func(i int) bool { return i*2%5 >= 2 }), true, 25},
		{"one lone repeat", swing(180, func(i int) bool { return i == 90 }), false, 1},
		{"now and then, by no rule", swing(180, func(i int) bool { return slices.Contains([]int{65, 66, 70, 79, 82, 95, 106}, i) }), false, 5},
		{"nothing moves", make([]float64, 100), false, 0},
		{"an encoder freezing still pictures", func() []float64 {
			out := make([]float64, 120)
			for i := range out {
				if i%4 == 0 {
					out[i] = 6
				}
			}
			return out
		}(), false, 0},
		{"a few pictures", []float64{0, 50, 0, 50}, false, 0},
	} {
		marks, byRule := repeats(c.change)
		n := 0
		for _, m := range marks {
			if m {
				n++
			}
		}
		if byRule != c.byRule || n < c.marked || c.marked == 0 && n > 0 {
			t.Errorf("%s: by rule %v, %d marked", c.name, byRule, n)
		}
	}
}

func TestApplyLeavesItsArgumentAlone(t *testing.T) {
	change, index := make([]float64, 60), make([]int, 60)
	times := make([]vision.FrameTime, 120)
	for i := range change {
		change[i], index[i] = float64(50*(i%2)), 2*i
	}
	c := vision.Clip{Times: times, Clock: vision.Clock{Known: true, StoredFPS: 60}}
	got := withRepeats(c, index, change)
	if countRepeats(c) != 0 || !c.Clock.Known || len(c.Notes) != 0 {
		t.Errorf("argument changed: %+v", c)
	}
	if countRepeats(got) < 20 || got.Clock.Known || got.Clock.StoredFPS != 60 {
		t.Errorf("%d repeats, clock %+v", countRepeats(got), got.Clock)
	}
	for i, ft := range got.Times {
		if ft.Repeat && i%4 != 0 {
			t.Errorf("picture %d marked, but no even change led to it", i)
		}
	}
}

func TestWhole(t *testing.T) {
	clip := func(n int, fps float64, known bool) vision.Clip {
		c := vision.Clip{Clock: vision.Clock{Known: known}}
		for i := range n {
			c.Times = append(c.Times, vision.FrameTime{Ms: float64(i) * 1000 / fps})
		}
		return c
	}
	for _, c := range []struct {
		name string
		clip vision.Clip
		want bool
	}{
		{"2 s at 240", clip(480, 240, true), true},
		{"10 s at 30", clip(300, 30, true), false},
		{"5 s at 240", clip(1200, 240, true), false},
		{"10 s at 30, no clock", clip(300, 30, false), true},
		{"a minute, no clock", clip(1800, 30, false), false},
		{"nothing", vision.Clip{}, true},
	} {
		if got := Whole(c.clip); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
}

func TestScanMeasuresInsideItsBox(t *testing.T) {
	a := gocv.NewMatWithSizeFromScalar(gocv.NewScalar(60, 0, 0, 0), 720, 1280, gocv.MatTypeCV8UC1)
	defer a.Close()
	b := a.Clone()
	defer b.Close()
	// A block of 80 x 80 px, 100 levels brighter, at (400, 160).
	for y := range 80 {
		for x := range 80 {
			b.SetUCharAt(160+y, 400+x, 160)
		}
	}
	energy := func(box vision.Box) float64 {
		s := NewScan(box)
		defer s.Close()
		for i, m := range []gocv.Mat{a, b} {
			if err := s.Add(i, m); err != nil {
				t.Fatal(err)
			}
		}
		return s.Energy()[1]
	}
	// 100 cells of 14400 changed by 100 levels, 3 of them noise.
	if got, want := energy(vision.Box{}), 100.*97/14400; math.Abs(got-want) > 1e-9 {
		t.Errorf("whole picture %v, want %v", got, want)
	}
	if got := energy(vision.Box{X0: 400, Y0: 160, X1: 479, Y1: 239}); got != 97 {
		t.Errorf("just the block %v, want 97", got)
	}
	if got := energy(vision.Box{X0: 0, Y0: 0, X1: 300, Y1: 719}); got != 0 {
		t.Errorf("beside the block %v", got)
	}
	s := NewScan(vision.Box{})
	defer s.Close()
	bgr := gocv.NewMatWithSize(10, 10, gocv.MatTypeCV8UC3)
	defer bgr.Close()
	if err := s.Add(0, bgr); err == nil {
		t.Error("a colour picture: accepted")
	}
}

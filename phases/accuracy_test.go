package phases

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"nightcage/vision"
	"nightcage/vision/truth"
)

// look is one way of making a track from a truth file.
type look struct {
	name string
	make func(f *truth.File, seed uint64) (*vision.Track, error)
}

func noBall(tr *vision.Track, err error) (*vision.Track, error) {
	if err == nil {
		for i := range tr.Frames {
			tr.Frames[i].Ball = vision.Mark{}
		}
	}
	return tr, err
}

var looks = []look{
	{"exact, solved", func(f *truth.File, s uint64) (*vision.Track, error) {
		return noBall(truth.Track(f, truth.Options{Seed: s, NoisePx: 0.1, BatNoisePx: 0.1}))
	}},
	{"rough, solved", func(f *truth.File, s uint64) (*vision.Track, error) { return rough(f, s, true) }},
	{"rough, planar", func(f *truth.File, s uint64) (*vision.Track, error) { return rough(f, s, false) }},
	{"rough, planar, bat smoothed", func(f *truth.File, s uint64) (*vision.Track, error) {
		tr, err := rough(f, s, false)
		if err == nil {
			smoothTracked(tr)
		}
		return tr, err
	}},
	{"1.5 px, planar", func(f *truth.File, s uint64) (*vision.Track, error) {
		return noBall(truth.Track(f, truth.Options{Seed: s, NoisePx: 1.5, BatNoisePx: 1.5, No3D: true}))
	}},
	{"1.5 px, planar, ball", func(f *truth.File, s uint64) (*vision.Track, error) {
		return truth.Track(f, truth.Options{Seed: s, NoisePx: 1.5, BatNoisePx: 1.5, No3D: true})
	}},
}

// tally collects the errors of one event.
type tally struct {
	ms, frames, ratio []float64 // error; its size in frames; its size over the standard error
	absent            int
}

func (a *tally) add(e Event, want, fps float64) {
	if !e.Found {
		a.absent++
		return
	}
	d := e.Ms - want
	a.ms, a.frames = append(a.ms, d), append(a.frames, math.Abs(d)*fps/1000)
	a.ratio = append(a.ratio, math.Abs(d)/e.SigmaMs)
}

func (a *tally) covered() float64 {
	n := 0
	for _, r := range a.ratio {
		if r <= 1.96 {
			n++
		}
	}
	return float64(n) / float64(len(a.ratio))
}

func (a *tally) String() string {
	if len(a.ms) == 0 {
		return fmt.Sprintf("none found, %d absent", a.absent)
	}
	size := make([]float64, len(a.ms))
	for i, d := range a.ms {
		size[i] = math.Abs(d)
	}
	return fmt.Sprintf("n %3d absent %2d | ms: bias %6.1f median %5.1f p95 %5.1f | frames: median %.2f p95 %.2f | 95 %% intervals hold %.0f %%",
		len(a.ms), a.absent, mean(a.ms), median(size), quantile(size, 0.95), median(a.frames), quantile(a.frames, 0.95), 100*a.covered())
}

// measure finds the events of every clip of the given views, seeds times over.
func measure(t *testing.T, l look, files []*truth.File, seeds uint64, views ...vision.View) map[EventID]*tally {
	out := map[EventID]*tally{}
	for _, id := range Events() {
		out[id] = &tally{}
	}
	watch := os.Getenv("NIGHTCAGE_WATCH_EVENT") // prints every error of one event
	for _, f := range files {
		if !slices.Contains(views, f.View) {
			continue
		}
		for seed := uint64(1); seed <= seeds; seed++ {
			tr, err := l.make(f, seed)
			if err != nil {
				t.Fatal(err)
			}
			got, err := Find(*tr)
			if err != nil {
				t.Fatal(err)
			}
			if got.Kind != KindSwing {
				t.Errorf("%s %s seed %d: kind %q (%s)", l.name, f.Name, seed, got.Kind, got.Why)
			}
			for _, e := range got.Events {
				want := eventMs(t, f, e.ID)
				out[e.ID].add(e, want, f.FPS)
				if watch == string(e.ID) {
					t.Logf("%s %s seed %d %g fps: off %.1f ms, standard error %.1f, %v %s", l.name, f.Name, seed, f.FPS, e.Ms-want, e.SigmaMs, e.Evidence, e.Reason)
				}
			}
		}
	}
	return out
}

// TestAccuracy holds the finder against rendered truth. The clips in the
// repository are always used; NIGHTCAGE_TRUTH_DIR adds a folder of truth files
// for a larger table. Bars are loose enough for four clips.
func TestAccuracy(t *testing.T) {
	files, seeds := committed(t), uint64(3)
	if dir := os.Getenv("NIGHTCAGE_TRUTH_DIR"); dir != "" {
		files, seeds = nil, 2
		paths, err := filepath.Glob(filepath.Join(dir, "*.json*"))
		if err != nil || len(paths) == 0 {
			t.Fatalf("no truth files in %q (%v)", dir, err)
		}
		for _, p := range paths {
			f, err := truth.Read(p)
			if err != nil {
				t.Fatal(err)
			}
			files = append(files, f)
		}
	}
	for _, l := range looks {
		for _, views := range [][]vision.View{{vision.ViewOpenSide}, {vision.ViewRear, vision.ViewFront}} {
			got := measure(t, l, files, seeds, views...)
			if got[Contact].absent+len(got[Contact].ms) == 0 {
				continue
			}
			var table strings.Builder
			for _, id := range Events() {
				fmt.Fprintf(&table, "\n  %-15s %s", id, got[id])
			}
			t.Logf("%s, %v%s", l.name, views, table.String())
			if views[0] != vision.ViewOpenSide {
				continue
			}
			c := got[Contact]
			if m, p := median(c.frames), quantile(c.frames, 0.95); m > 0.5 || p > 2 {
				t.Errorf("%s: contact off by %.2f frames at the median, %.2f at the 95th percentile", l.name, m, p)
			}
			for _, id := range []EventID{StrideStart, ToeTouch, HeelPlant} {
				if m := median(got[id].frames); m > 1.5 {
					t.Errorf("%s: %s off by %.2f frames at the median", l.name, id, m)
				}
			}
			held, all := 0.0, 0.0
			for _, id := range Events() {
				a := got[id]
				if n := float64(len(a.ratio)); n > 0 {
					held, all = held+n*a.covered(), all+n
					if a.covered() < 0.6 {
						t.Errorf("%s: 95 %% intervals of %s hold the truth in %.0f %%", l.name, id, 100*a.covered())
					}
				}
			}
			if held/all < 0.88 {
				t.Errorf("%s: 95 %% intervals hold the truth in %.0f %%, want about 95", l.name, 100*held/all)
			}
		}
	}
}

func BenchmarkFind(b *testing.B) {
	for _, f := range committed(b) {
		for _, no3d := range []bool{false, true} {
			tr, err := truth.Track(f, truth.Options{Seed: 1, NoisePx: 1, BatNoisePx: 1, No3D: no3d})
			if err != nil {
				b.Fatal(err)
			}
			b.Run(fmt.Sprintf("%s/%dframes/planar=%v", f.Name, len(tr.Frames), no3d), func(b *testing.B) {
				for range b.N {
					if got, err := Find(*tr); err != nil || got.Kind != KindSwing {
						b.Fatal(got.Kind, err)
					}
				}
			})
		}
	}
}

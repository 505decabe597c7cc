package clip

import (
	"slices"
	"testing"
)

func TestPace(t *testing.T) {
	at := func(fps, seconds float64) (ms []float64) {
		for i := 0; float64(i) < fps*seconds; i++ {
			ms = append(ms, 1000*float64(i)/fps)
		}
		return ms
	}
	count := func(ms []float64, of []int, from, to float64) (n int) {
		for _, i := range of {
			if ms[i] >= from && ms[i] < to {
				n++
			}
		}
		return n
	}
	for _, c := range []struct {
		fps               float64
		swing, step, rest int // pictures in the .1 s at the burst, .7 s before it, 1.1 s before it
	}{
		{30, 3, 3, 3}, {60, 6, 6, 6}, {120, 12, 12, 6}, {240, 24, 12, 6}, {480, 24, 12, 6}, {960, 24, 12, 6},
	} {
		ms := at(c.fps, 2.5)
		got := Pace(ms, []float64{1500})
		if !slices.IsSorted(got) || got[0] != 0 {
			t.Errorf("%v fps: %v", c.fps, got)
		}
		for _, w := range []struct {
			from float64
			want int
		}{{1500, c.swing}, {800, c.step}, {400, c.rest}, {2000, c.rest}} {
			if n := count(ms, got, w.from, w.from+100); n < w.want-1 || n > w.want+1 {
				t.Errorf("%v fps: %d pictures in the .1 s from %v ms, want %d", c.fps, n, w.from, w.want)
			}
		}
	}
	ms := at(240, 2)
	if got := Pace(ms, nil); len(got) != len(ms) {
		t.Errorf("without a burst %d of %d pictures", len(got), len(ms))
	}
	if got := Pace(nil, []float64{1}); got != nil {
		t.Errorf("of no pictures %v", got)
	}
}

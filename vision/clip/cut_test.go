package clip

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"gocv.io/x/gocv"

	"nightcage/vision"
)

// scene is a made-up ground: smooth light and dark of a few sizes, which the
// seed decides, at a place that the camera looks at.
type scene struct{ a [6][4]float64 }

func newScene(seed uint64) (s scene) {
	rng := rand.New(rand.NewPCG(seed, 0))
	for i := range s.a {
		size := 40 * math.Pow(1.7, float64(i)) // px of a wave, from a post's width to a tree line's
		turn := 2 * math.Pi * rng.Float64()
		s.a[i] = [4]float64{math.Cos(turn) / size, math.Sin(turn) / size, 2 * math.Pi * rng.Float64(), 8 + 8*rng.Float64()}
	}
	return s
}

// picture is the scene seen from x, y, px, at gain, with noise of some levels.
func (s scene) picture(x, y, gain float64, rng *rand.Rand) []byte {
	out := make([]byte, 640*360)
	for v := range 360 {
		for u := range 640 {
			level := 110.0
			for _, a := range s.a {
				level += a[3] * math.Sin(2*math.Pi*(a[0]*(float64(u)+x)+a[1]*(float64(v)+y))+a[2])
			}
			out[v*640+u] = byte(min(max(gain*level+6*rng.NormFloat64(), 0), 255))
		}
	}
	return out
}

// block puts a bright body w px wide into a picture.
func block(p []byte, x, w int) []byte {
	for v := 60; v < 300; v++ {
		for u := max(x, 0); u < min(x+w, 640); u++ {
			p[v*640+u] = 220
		}
	}
	return p
}

func TestCuts(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 0))
	one, two := newScene(1), newScene(2)
	still := func(i int) []byte { return one.picture(0, 0, 1, rng) }
	for _, c := range []struct {
		name string
		n    int
		at   func(i int) []byte
		want []int
	}{
		{"nothing happens", 20, still, nil},
		{"a cut", 20, func(i int) []byte {
			if i < 9 {
				return one.picture(0, 0, 1, rng)
			}
			return two.picture(0, 0, 1, rng)
		}, []int{9}},
		{"two cuts, there and back, with a hand-held camera", 30, func(i int) []byte {
			s, x := one, 6*math.Sin(float64(i)/2)
			if i >= 10 && i < 21 {
				s = two
			}
			return s.picture(x, -x/2, 1, rng)
		}, []int{10, 21}},
		{"a flash", 20, func(i int) []byte {
			if i == 8 {
				return one.picture(0, 0, 2.2, rng)
			}
			return still(i)
		}, nil},
		{"somebody's cap before the lens for one picture", 20, func(i int) []byte {
			if i == 8 {
				return two.picture(0, 0, 0.3, rng)
			}
			return still(i)
		}, nil},
		{"the exposure steps", 20, func(i int) []byte {
			if i < 8 {
				return one.picture(0, 0, 0.7, rng)
			}
			return one.picture(0, 0, 1.2, rng)
		}, nil},
		{"the camera sweeps round", 30, func(i int) []byte { return one.picture(45*float64(max(0, i-8)), 0, 1, rng) }, nil},
		{"the camera is knocked", 20, func(i int) []byte {
			if i < 8 {
				return still(i)
			}
			return one.picture(23, 11, 1, rng)
		}, nil},
		{"somebody runs past close by", 30, func(i int) []byte { return block(still(i), 40*i-300, 200) }, nil},
		{"the lens cap is on", 20, func(int) []byte { return scene{}.picture(0, 0, 0, rng) }, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := NewScan(vision.Box{})
			defer s.Close()
			for i := range c.n {
				m, err := gocv.NewMatFromBytes(360, 640, gocv.MatTypeCV8UC1, c.at(i))
				if err != nil {
					t.Fatal(err)
				}
				if err := s.Add(i, m); err != nil {
					t.Fatal(err)
				}
				m.Close()
			}
			if got := s.Cuts(); !slices.Equal(got, c.want) {
				t.Errorf("cuts at %v, want %v; steps %.3f", got, c.want, s.step)
			}
		})
	}
}

package sound

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"
)

const rate = 48000

// scene is a second and a half of sound being made up.
type scene struct {
	x   []float64
	rng *rand.Rand
}

func newScene(seed uint64, noise float64) *scene {
	s := &scene{make([]float64, rate*3/2), rand.New(rand.NewPCG(seed, 0x736f756e64))}
	for i := range s.x {
		s.x[i] = noise * s.rng.NormFloat64()
	}
	return s
}

// crack adds a burst over the whole range that rises at once and dies over
// decayMs.
func (s *scene) crack(ms, amplitude, decayMs float64) *scene {
	from := int(ms / 1000 * rate)
	for i := from; i < len(s.x); i++ {
		u := float64(i-from) / rate * 1000
		s.x[i] += amplitude * math.Exp(-u/decayMs) * s.rng.NormFloat64()
	}
	return s
}

// voice adds syllables: pitch pulses that ring at three formants, and between
// them hissing, each fading in over some tens of milliseconds as mouths do.
func (s *scene) voice(amplitude float64) *scene {
	const syllableMs, pitchHz = 180.0, 130.0
	for i := range s.x {
		ms := float64(i) / rate * 1000
		in := math.Mod(ms, syllableMs) / syllableMs
		swell := math.Pow(math.Sin(math.Pi*in), 2)
		u := math.Mod(ms, 1000/pitchHz) // since the last pulse
		v := 0.0
		for k, f := range []float64{700, 1400, 2600} {
			v += math.Exp(-u/3) * math.Sin(2*math.Pi*f*u/1000) / float64(k+1)
		}
		hiss := 0.2 * math.Pow(math.Sin(math.Pi*math.Mod(in+0.5, 1)), 4) * s.rng.NormFloat64()
		s.x[i] += amplitude * (swell*v + hiss)
	}
	return s
}

// ring adds a tone that comes up within two milliseconds.
func (s *scene) ring(ms, amplitude, hz float64) *scene {
	from := int(ms / 1000 * rate)
	for i := from; i < len(s.x); i++ {
		u := float64(i-from) / rate
		s.x[i] += amplitude * (1 - math.Exp(-u/0.002)) * math.Exp(-u/0.1) * math.Sin(2*math.Pi*hz*u)
	}
	return s
}

func (s *scene) samples() []int16 {
	out := make([]int16, len(s.x))
	for i, v := range s.x {
		out[i] = int16(32767 * math.Max(-1, math.Min(1, v)))
	}
	return out
}

func TestOnsets(t *testing.T) {
	for _, c := range []struct {
		name string
		make func(seed uint64) *scene
		want []float64 // ms
	}{
		{"crack in quiet", func(s uint64) *scene { return newScene(s, 0).crack(700.3, 0.4, 6) }, []float64{700.3}},
		{"crack in noise", func(s uint64) *scene { return newScene(s, 0.01).crack(700.3, 0.25, 6) }, []float64{700.3}},
		{"crack that overloads", func(s uint64) *scene { return newScene(s, 0.01).crack(512, 4, 8) }, []float64{512}},
		{"crack among voices", func(s uint64) *scene { return newScene(s, 0.003).voice(0.05).crack(640, 0.5, 5) }, []float64{640}},
		{"crack, its echo, and the mitt", func(s uint64) *scene {
			return newScene(s, 0.003).crack(640, 0.5, 4).crack(668, 0.2, 4).crack(702, 0.3, 4)
		}, []float64{640, 668, 702}},
		{"crack and the ring of a metal bat", func(s uint64) *scene { return newScene(s, 0.003).crack(640, 0.4, 4).ring(640, 0.2, 2200) }, []float64{640}},
		{"silence", func(s uint64) *scene { return newScene(s, 0) }, nil},
		{"noise alone", func(s uint64) *scene { return newScene(s, 0.1) }, nil},
		{"voices alone", func(s uint64) *scene { return newScene(s, 0.003).voice(0.4) }, nil},
		{"a tone", func(s uint64) *scene { return newScene(s, 0.003).ring(500, 0.5, 1500) }, nil},
		{"a thud", func(s uint64) *scene { return newScene(s, 0.003).ring(500, 0.9, 150) }, nil},
		{"a gust", func(s uint64) *scene {
			g := newScene(s, 0.003)
			for i := range g.x {
				g.x[i] += 0.3 * math.Exp(-math.Pow((float64(i)/rate-0.7)/0.01, 2)) * g.rng.NormFloat64()
			}
			return g
		}, nil},
	} {
		for seed := range uint64(8) {
			got, err := Onsets(c.make(seed).samples(), rate)
			if err != nil {
				t.Fatal(err)
			}
			if len(got) != len(c.want) {
				t.Errorf("%s seed %d: %+v, want %v", c.name, seed, got, c.want)
				continue
			}
			for i, o := range got {
				if math.Abs(o.Ms-c.want[i]) > 0.5 || o.Strength < minDB || !(o.SigmaMs > 0) {
					t.Errorf("%s seed %d: onset %+v, want at %g ms", c.name, seed, o, c.want[i])
				}
			}
		}
	}
}

func TestOnsetsRefuseLowRates(t *testing.T) {
	if _, err := Onsets(make([]int16, 8000), 16000); err == nil {
		t.Error("16000 samples a second were taken")
	}
	for _, n := range []int{0, 1, 100} {
		if got, err := Onsets(make([]int16, n), rate); err != nil || len(got) != 0 {
			t.Errorf("%d samples: %v, %v", n, got, err)
		}
	}
}

// A Butterworth filter passes half the power at its corner, all far on one side,
// and 40 dB less a decade further on the other (Butterworth 1930, Experimental
// Wireless 7:536; the slope of order two).
func TestFilters(t *testing.T) {
	power := func(f biquad, hz float64) float64 {
		z := cmplx.Exp(complex(0, -2*math.Pi*hz/rate))
		h := (complex(f.b0, 0) + complex(f.b1, 0)*z + complex(f.b2, 0)*z*z) / (1 + complex(f.a1, 0)*z + complex(f.a2, 0)*z*z)
		return 20 * math.Log10(cmplx.Abs(h))
	}
	for _, c := range []struct {
		name     string
		f        biquad
		hz, want float64
		tol      float64
	}{
		{"high-pass, corner", highPass(1000, rate), 1000, -3.01, 0.01},
		{"high-pass, far above", highPass(1000, rate), 12000, 0, 0.01},
		{"high-pass, a decade below", highPass(1000, rate), 100, -40, 0.2},
		{"low-pass, corner", lowPass(4000, rate), 4000, -3.01, 0.01},
		{"low-pass, far below", lowPass(4000, rate), 100, 0, 0.01},
	} {
		if got := power(c.f, c.hz); math.Abs(got-c.want) > c.tol {
			t.Errorf("%s: %.2f dB, want %.2f", c.name, got, c.want)
		}
	}
}

func BenchmarkOnsets(b *testing.B) {
	x := newScene(1, 0.01).voice(0.05).crack(640, 0.5, 5).samples()
	for range b.N {
		if got, err := Onsets(x, rate); err != nil || len(got) != 1 {
			b.Fatal(got, err)
		}
	}
}

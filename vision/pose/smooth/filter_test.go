package smooth

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"

	"nightcage/vision"
)

// butterworthCoefficients are those of a second-order low-pass filter by the
// bilinear transform; cutoff is over the Nyquist frequency.
func butterworthCoefficients(cutoff float64) (b, a [3]float64) {
	k := math.Tan(math.Pi / 2 * cutoff)
	d := 1 + math.Sqrt2*k + k*k
	b[0] = k * k / d
	b[1], b[2] = 2*b[0], b[0]
	return b, [3]float64{1, 2 * (k*k - 1) / d, (1 - math.Sqrt2*k + k*k) / d}
}

// The coefficients printed for order 2, cut-off 0.1 of Nyquist, in the
// "Data filtering" notebook of the BMC course in biomechanics and motor control
// (Duarte), there computed with SciPy.
func TestButterworthReference(t *testing.T) {
	b, a := butterworthCoefficients(0.1)
	wantB := [3]float64{0.02008337, 0.04016673, 0.02008337}
	wantA := [3]float64{1, -1.56101808, 0.64135154}
	for i := range b {
		if math.Abs(b[i]-wantB[i]) > 5e-9 || math.Abs(a[i]-wantA[i]) > 5e-9 {
			t.Fatalf("b %v a %v, want %v %v", b, a, wantB, wantA)
		}
	}
}

// butterworth filters one landmark forward and backward, the ends held by
// reflection. Two passes at cut-off f/C act as one at f, C = (sqrt2-1)^(1/4) =
// .802 for order 2 (Winter 2009, Biomechanics and Motor Control, ch. 3).
func butterworth(frames []vision.Frame, l vision.Landmark, hz, fps float64) []vision.Frame {
	b, a := butterworthCoefficients(min(hz/math.Pow(math.Sqrt2-1, 0.25)/(fps/2), 0.99))
	pass := func(v []float64) []float64 {
		out := make([]float64, len(v))
		for i := range v {
			at := func(s []float64, k int, before float64) float64 {
				if i-k < 0 {
					return before
				}
				return s[i-k]
			}
			out[i] = b[0]*v[i] + b[1]*at(v, 1, v[0]) + b[2]*at(v, 2, v[0]) - a[1]*at(out, 1, v[0]) - a[2]*at(out, 2, v[0])
		}
		return out
	}
	reversed := func(v []float64) []float64 {
		out := make([]float64, len(v))
		for i, x := range v {
			out[len(v)-1-i] = x
		}
		return out
	}
	both := func(get func(vision.Mark) float64) []float64 {
		const pad = 40
		n := len(frames)
		v := make([]float64, n+2*pad)
		for i := range v {
			k := i - pad
			switch {
			case k < 0:
				v[i] = 2*get(frames[0].Body[l]) - get(frames[-k].Body[l])
			case k >= n:
				v[i] = 2*get(frames[n-1].Body[l]) - get(frames[2*n-2-k].Body[l])
			default:
				v[i] = get(frames[k].Body[l])
			}
		}
		return reversed(pass(reversed(pass(v))))[pad : pad+n]
	}
	x, y := both(func(m vision.Mark) float64 { return m.X }), both(func(m vision.Mark) float64 { return m.Y })
	out := make([]vision.Frame, len(frames))
	for i := range frames {
		out[i] = frames[i]
		out[i].Body = append([]vision.Mark(nil), frames[i].Body...)
		out[i].Body[l].X, out[i].Body[l].Y = x[i], y[i]
	}
	return out
}

// The forward-backward filter must give the posterior of the linear model that
// it stands for. Here that posterior comes from one dense solve: states at n
// instants, information from the start, the steps and the values seen.
func TestSmoothIsThePosterior(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	const n = 12
	s := series{scale: 100, t: make([]float64, n), values: make([][]float64, n), noise: make([]float64, n)}
	q := make([]float64, n)
	for i := range n {
		if i > 0 {
			s.t[i] = s.t[i-1] + 0.004 + 0.03*rng.Float64()
		}
		s.noise[i] = 0.5 + rng.Float64()
		q[i] = 1e6 * math.Exp(3*rng.NormFloat64())
		if i != 4 && i != 5 && i != 9 {
			s.values[i] = []float64{50 + 300*s.t[i] + rng.NormFloat64()}
		}
	}
	states, variance := s.smooth(q)

	info := mat.NewDense(3*n, 3*n, nil)
	rhs := mat.NewVecDense(3*n, nil)
	addBlock := func(row, col int, m mat.Matrix, sign float64) {
		for i := range 3 {
			for j := range 3 {
				info.Set(row+i, col+j, info.At(row+i, col+j)+sign*m.At(i, j))
			}
		}
	}
	inverse := func(p sym) *mat.Dense {
		f := p.full()
		var inv mat.Dense
		if err := inv.Inverse(mat.NewDense(3, 3, []float64{f[0][0], f[0][1], f[0][2], f[1][0], f[1][1], f[1][2], f[2][0], f[2][1], f[2][2]})); err != nil {
			t.Fatal(err)
		}
		return &inv
	}
	// the first value is the start's mean; it is not seen a second time
	start := inverse(s.start(0))
	addBlock(0, 0, start, 1)
	for i := range 3 {
		rhs.SetVec(i, start.At(i, 0)*s.values[0][0])
	}
	for i := 1; i < n; i++ {
		dt := s.t[i] - s.t[i-1]
		w := inverse(sym{}.step(dt, q[i])) // information of the step's noise
		f := mat.NewDense(3, 3, []float64{1, dt, dt * dt / 2, 0, 1, dt, 0, 0, 1})
		var wf, fwf mat.Dense
		wf.Mul(w, f)
		fwf.Mul(f.T(), &wf)
		addBlock(3*i, 3*i, w, 1)
		addBlock(3*i-3, 3*i-3, &fwf, 1)
		addBlock(3*i, 3*i-3, &wf, -1)
		addBlock(3*i-3, 3*i, wf.T(), -1)
		if v := s.values[i]; v != nil {
			info.Set(3*i, 3*i, info.At(3*i, 3*i)+1/s.noise[i])
			rhs.SetVec(3*i, rhs.AtVec(3*i)+v[0]/s.noise[i])
		}
	}
	var cov mat.Dense
	if err := cov.Inverse(info); err != nil {
		if _, bad := err.(mat.Condition); !bad {
			t.Fatal(err)
		}
	}
	var want mat.VecDense
	want.MulVec(&cov, rhs)
	for i := range n {
		if d := math.Abs(states[i][0][0] - want.AtVec(3*i)); d > 1e-4 {
			t.Errorf("instant %d: place %.6f, posterior %.6f", i, states[i][0][0], want.AtVec(3*i))
		}
		if r := variance[i] / cov.At(3*i, 3*i); math.Abs(r-1) > 1e-3 {
			t.Errorf("instant %d: variance %.6f, posterior %.6f", i, variance[i], cov.At(3*i, 3*i))
		}
	}
}

// White noise of known size, on a path that a jerk model can follow.
func TestFindsTheNoise(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	const n, sd = 400, 0.8
	s := series{scale: 400, t: make([]float64, n), values: make([][]float64, n), noise: make([]float64, n)}
	for i := range n {
		s.t[i] = float64(i) / 240
		s.noise[i] = 25 // five times too much: only ratios count
		s.values[i] = []float64{200*math.Sin(4*s.t[i]) + sd*rng.NormFloat64(), 100*s.t[i]*s.t[i] + sd*rng.NormFloat64()}
	}
	s.fitNoise()
	if got := math.Sqrt(s.noise[0]); math.Abs(got/sd-1) > 0.1 {
		t.Errorf("noise %.3f px, want %.3f", got, sd)
	}
}

func BenchmarkPath(b *testing.B) {
	rng := rand.New(rand.NewPCG(5, 6))
	const n = 300
	s := series{scale: 400, t: make([]float64, n), values: make([][]float64, n), noise: make([]float64, n)}
	for i := range n {
		s.t[i] = float64(i) / 240
		s.values[i] = []float64{200*math.Sin(4*s.t[i]) + rng.NormFloat64(), rng.NormFloat64()}
	}
	for b.Loop() {
		for i := range s.noise {
			s.noise[i] = 1
		}
		if places, _ := s.path(); len(places) != n {
			b.Fatal("no path")
		}
	}
}

package solve

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"
)

// The banded solver with its border must agree with gonum's dense one, in the
// step and in every covariance it can give.
func TestNormalAgainstDense(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	const n, band, m = 37, 5, 3
	s := newNormal(n, band, m)
	dense := mat.NewSymDense(n+m, nil)
	grad := mat.NewVecDense(n+m, nil)
	for range 400 {
		at := rng.IntN(n)
		idx := []int{at, min(n-1, at+rng.IntN(band)+1), n + rng.IntN(m)}
		if idx[0] == idx[1] {
			idx = idx[1:]
		}
		jac := make([]float64, len(idx))
		for i := range jac {
			jac[i] = rng.NormFloat64()
		}
		res, w := rng.NormFloat64(), 0.1+rng.Float64()
		s.add(idx, jac, res, w)
		for p, i := range idx {
			grad.SetVec(i, grad.AtVec(i)+w*jac[p]*res)
			for q, j := range idx {
				if j <= i {
					dense.SetSym(i, j, dense.At(i, j)+w*jac[p]*jac[q])
				}
			}
		}
	}
	f, err := s.factorise(0)
	if err != nil {
		t.Fatal(err)
	}
	var inv mat.Dense
	if err := inv.Inverse(dense); err != nil {
		t.Fatal(err)
	}
	var want mat.VecDense
	want.MulVec(&inv, grad)
	for i, got := range f.step(s.g) {
		if d := got + want.AtVec(i); math.Abs(d) > 1e-9 {
			t.Fatalf("step %d off by %g", i, d)
		}
	}
	c := f.inverse()
	for i := range n + m {
		for j := range n + m {
			if i < n && j < n && max(i-j, j-i) > band {
				continue
			}
			if d := c.at(i, j) - inv.At(i, j); math.Abs(d) > 1e-9 {
				t.Fatalf("covariance %d,%d off by %g", i, j, d)
			}
		}
	}
}

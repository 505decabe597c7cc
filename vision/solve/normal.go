package solve

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/mat"
)

// normal is the normal matrix J'WJ of a least-squares problem and its gradient
// J'Wr. The first n unknowns stand in a row and are tied only to neighbours at
// most band places away; the last m (the border) may be tied to anything.
type normal struct {
	n, band, m int
	a          []float64 // lower band, row i holds columns i-band .. i
	b          []float64 // m x n
	c          []float64 // m x m
	g          []float64 // n + m
	cost       float64   // sum of w*r*r
}

func newNormal(n, band, m int) *normal {
	return &normal{n: n, band: band, m: m,
		a: make([]float64, n*(band+1)), b: make([]float64, n*m), c: make([]float64, m*m), g: make([]float64, n+m)}
}

func (s *normal) reset() {
	clear(s.a)
	clear(s.b)
	clear(s.c)
	clear(s.g)
	s.cost = 0
}

// add takes one residual with its weight (1/sigma^2 times any robust weight)
// and its derivatives jac by the unknowns idx.
func (s *normal) add(idx []int, jac []float64, res, w float64) {
	s.cost += w * res * res
	for p, i := range idx {
		wi := w * jac[p]
		if wi == 0 {
			continue
		}
		s.g[i] += wi * res
		for q, j := range idx[:p+1] {
			v := wi * jac[q]
			r, c := i, j
			if r < c {
				r, c = c, r
			}
			switch {
			case r < s.n:
				s.a[r*(s.band+1)+s.band-(r-c)] += v
			case c < s.n:
				s.b[(r-s.n)*s.n+c] += v
			default:
				s.c[(r-s.n)*s.m+c-s.n] += v
				if r != c {
					s.c[(c-s.n)*s.m+r-s.n] += v
				}
			}
		}
	}
}

var errSingular = errors.New("normal matrix is not positive definite")

// factor is a Cholesky factorisation of a damped normal matrix.
type factor struct {
	n, band, m int
	l          []float64     // lower band of L, A = L*L'
	x          []float64     // L^-1 * B, m x n
	y          []float64     // A^-1 * B, n x m; only after inverse
	schur      *mat.Cholesky // of C - B'A^-1B
}

// factorise factors the matrix with its diagonal multiplied by 1+damp.
func (s *normal) factorise(damp float64) (*factor, error) {
	w := s.band + 1
	f := &factor{n: s.n, band: s.band, m: s.m, l: append([]float64(nil), s.a...)}
	for i := range s.n {
		f.l[i*w+s.band] *= 1 + damp
		lo := max(0, i-s.band)
		row := f.l[i*w+s.band-(i-lo) : (i+1)*w] // columns lo .. i
		above := func(j int) []float64 { return f.l[j*w+s.band-(j-lo) : (j+1)*w] }
		j := 0
		for ; j+4 <= i-lo; j += 4 {
			c0, c1, c2, c3 := above(lo+j), above(lo+j+1), above(lo+j+2), above(lo+j+3)
			s0, s1, s2, s3 := dot4(row[:j], c0, c1, c2, c3)
			v0 := (row[j] - s0) / c0[j]
			v1 := (row[j+1] - s1 - v0*c1[j]) / c1[j+1]
			v2 := (row[j+2] - s2 - v0*c2[j] - v1*c2[j+1]) / c2[j+2]
			row[j], row[j+1], row[j+2] = v0, v1, v2
			row[j+3] = (row[j+3] - s3 - v0*c3[j] - v1*c3[j+1] - v2*c3[j+2]) / c3[j+3]
		}
		for ; j < i-lo; j++ {
			col := above(lo + j)
			row[j] = (row[j] - dot(row[:j], col)) / col[j]
		}
		sum := row[j] - dot(row[:j], row)
		if !(sum > 0) {
			return nil, errSingular
		}
		row[j] = math.Sqrt(sum)
	}
	if s.m == 0 {
		return f, nil
	}
	f.x = append([]float64(nil), s.b...)
	k := 0
	for ; k+4 <= s.m; k += 4 {
		f.forward4(f.column(k), f.column(k+1), f.column(k+2), f.column(k+3))
	}
	for ; k < s.m; k++ {
		f.forward(f.column(k))
	}
	sc := mat.NewSymDense(s.m, nil)
	for p := range s.m {
		xp := f.column(p)
		for q := range p {
			sc.SetSym(p, q, s.c[p*s.m+q]-dot(f.column(q), xp))
		}
		sc.SetSym(p, p, s.c[p*s.m+p]*(1+damp)-dot(xp, xp))
	}
	f.schur = new(mat.Cholesky)
	if !f.schur.Factorize(sc) {
		return nil, errSingular
	}
	return f, nil
}

// dot is the inner product of a and as much of b; four sums at once keep the adder
// busy.
func dot(a, b []float64) float64 {
	b = b[:len(a)]
	var s0, s1, s2, s3 float64
	k := 0
	for ; k+4 <= len(a); k += 4 {
		s0 += a[k] * b[k]
		s1 += a[k+1] * b[k+1]
		s2 += a[k+2] * b[k+2]
		s3 += a[k+3] * b[k+3]
	}
	for ; k < len(a); k++ {
		s0 += a[k] * b[k]
	}
	return s0 + s1 + s2 + s3
}

// dot4 is the inner products of a and as much of four others.
func dot4(a, b0, b1, b2, b3 []float64) (s0, s1, s2, s3 float64) {
	n := len(a)
	b0, b1, b2, b3 = b0[:n], b1[:n], b2[:n], b3[:n]
	for k, v := range a {
		s0 += v * b0[k]
		s1 += v * b1[k]
		s2 += v * b2[k]
		s3 += v * b3[k]
	}
	return s0, s1, s2, s3
}

// forward replaces v by L^-1 * v.
func (f *factor) forward(v []float64) {
	w := f.band + 1
	for i := range v {
		lo := max(0, i-f.band)
		v[i] = (v[i] - dot(v[lo:i], f.l[i*w+f.band-(i-lo):])) / f.l[i*w+f.band]
	}
}

// column is the k-th column of L^-1 * B.
func (f *factor) column(k int) []float64 { return f.x[k*f.n : (k+1)*f.n] }

// forward4 is forward of four columns at once.
func (f *factor) forward4(v0, v1, v2, v3 []float64) {
	w := f.band + 1
	for i := range v0 {
		lo, d := max(0, i-f.band), f.l[i*w+f.band]
		s0, s1, s2, s3 := dot4(f.l[i*w+f.band-(i-lo):i*w+f.band], v0[lo:], v1[lo:], v2[lo:], v3[lo:])
		v0[i], v1[i], v2[i], v3[i] = (v0[i]-s0)/d, (v1[i]-s1)/d, (v2[i]-s2)/d, (v3[i]-s3)/d
	}
}

// backward replaces v by L'^-1 * v.
func (f *factor) backward(v []float64) {
	w := f.band + 1
	for i := len(v) - 1; i >= 0; i-- {
		v[i] /= f.l[i*w+f.band]
		lo, by := max(0, i-f.band), v[i]
		row, to := f.l[i*w+f.band-(i-lo):i*w+f.band], v[lo:i]
		for k, l := range row {
			to[k] -= by * l
		}
	}
}

// step returns the Gauss-Newton step -(matrix)^-1 * gradient.
func (f *factor) step(g []float64) []float64 {
	x := make([]float64, f.n+f.m)
	for i := range x {
		x[i] = -g[i]
	}
	in := x[:f.n]
	f.forward(in)
	if f.m == 0 {
		f.backward(in)
		return x
	}
	// with X = L^-1 B: (C - X'X) z = h - X'L^-1 g, then x = L'^-1 (L^-1 g - X z)

	rhs := mat.NewVecDense(f.m, nil)
	for k := range f.m {
		rhs.SetVec(k, x[f.n+k]-dot(in, f.column(k)))
	}
	z := mat.NewVecDense(f.m, nil)
	// The error can only be a mat.Condition, with which the solution still
	// stands; minimise tests every step by its cost.
	_ = f.schur.SolveVecTo(z, rhs)
	for k := range f.m {
		by := z.AtVec(k)
		x[f.n+k] = by
		for i, v := range f.column(k) {
			in[i] -= by * v
		}
	}
	f.backward(in)
	return x
}

// covariance holds the in-band part of the inverse.
type covariance struct {
	f      *factor
	z      []float64 // lower band of A^-1
	border *mat.SymDense
}

// inverse computes the entries of the inverse that lie inside the band, by the
// recursion of Takahashi, Fagan and Chen (1973): with A = L*L',
// Z_ij = [i=j]/L_ii^2 - sum_{k>i} L_ki Z_kj / L_ii for j >= i.
func (f *factor) inverse() *covariance {
	w := f.band + 1
	c := &covariance{f: f, z: make([]float64, f.n*w)}
	at := func(i, j int) float64 {
		if i < j {
			i, j = j, i
		}
		return c.z[i*w+f.band-(i-j)]
	}
	for i := f.n - 1; i >= 0; i-- {
		lii := f.l[i*w+f.band]
		hi := min(f.n-1, i+f.band)
		for j := hi; j >= i; j-- {
			sum := 0.0
			for k := i + 1; k <= hi; k++ {
				sum += f.l[k*w+f.band-(k-i)] * at(k, j)
			}
			v := -sum / lii
			if i == j {
				v += 1 / (lii * lii)
			}
			c.z[j*w+f.band-(j-i)] = v
		}
	}
	if f.m > 0 {
		f.y = make([]float64, f.n*f.m)
		for k := range f.m {
			col := append([]float64(nil), f.column(k)...)
			f.backward(col)
			for i, v := range col {
				f.y[i*f.m+k] = v
			}
		}
		c.border = new(mat.SymDense)
		_ = f.schur.InverseTo(c.border) // a mat.Condition at most, as in step
	}
	return c
}

// at returns the covariance of unknowns i and j, which must lie within the band
// of each other or be of the border.
func (c *covariance) at(i, j int) float64 {
	n, m := c.f.n, c.f.m
	switch {
	case i >= n && j >= n:
		return c.border.At(i-n, j-n)
	case i >= n:
		return c.at(j, i)
	case j >= n:
		v := 0.0
		for k := range m {
			v -= c.f.y[i*m+k] * c.border.At(k, j-n)
		}
		return v
	}
	v := c.inner(i, j)
	for k := range m {
		yk := c.f.y[i*m+k]
		if yk == 0 {
			continue
		}
		for l := range m {
			v += yk * c.border.At(k, l) * c.f.y[j*m+l]
		}
	}
	return v
}

// consider replaces what the fit found out about border unknown k by its prior
// standard error sd: the others keep what is known of them at a given k, and
// follow k as the fit makes them (Schmidt's consider covariance). It is for an
// unknown whose apparent evidence is the model's, not the data's. The fit must
// have been made with unknown k all but fixed.
func (c *covariance) consider(k int, sd float64) {
	m := c.f.m
	// response of the border to a unit of k, read off the k-th column of the
	// inverse, in which everything but k is free
	full := mat.NewSymDense(m, nil)
	full.CopySym(c.border)
	vk := full.At(k, k)
	for p := range m {
		for q := p; q < m; q++ {
			zp, zq := full.At(p, k)/vk, full.At(q, k)/vk
			c.border.SetSym(p, q, full.At(p, q)-zp*zq*vk+zp*zq*sd*sd)
		}
	}
}

// inner is at for two unknowns of the band with the border's unknowns held.
func (c *covariance) inner(i, j int) float64 {
	if i < j {
		i, j = j, i
	}
	return c.z[i*(c.f.band+1)+c.f.band-(i-j)]
}

// problem is a nonlinear least-squares problem that minimise can work on.
type problem interface {
	linearise(s *normal)  // adds every residual at the present state
	advance(dx []float64) // moves the state
	mark()                // remembers the state
	revert()              // returns to the remembered state
}

// minimise runs Levenberg-Marquardt steps until the cost settles, and leaves s
// linearised at the final state.
func minimise(p problem, s *normal, steps int) error {
	return minimiseUnless(p, s, steps, func(float64, int) bool { return false })
}

// minimiseUnless is minimise that ends early when there is no hope, as told by what
// the last step lowered the cost by and how many steps are left.
func minimiseUnless(p problem, s *normal, steps int, hopeless func(gain float64, left int) bool) error {
	s.reset()
	p.linearise(s)
	damp := 1e-4
	for left := steps - 1; left >= 0; left-- {
		f, err := s.factorise(damp)
		if err != nil {
			if damp > 1e6 {
				return err
			}
			damp = max(damp*30, 1e-3)
			continue
		}
		was := s.cost
		p.mark()
		p.advance(f.step(s.g))
		s.reset()
		p.linearise(s)
		if s.cost <= was && !math.IsNaN(s.cost) {
			damp = max(damp/10, 1e-9)
			// costs are sums of squared standard errors: less than this is nothing
			if was-s.cost < 0.01 || hopeless(was-s.cost, left) {
				return nil
			}
			continue
		}
		p.revert()
		s.reset()
		p.linearise(s)
		damp *= 20
		if damp > 1e8 {
			return nil // no direction lowers the cost: this is the minimum
		}
	}
	return nil
}

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
	b          []float64 // n x m
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
				s.b[c*s.m+r-s.n] += v
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
	l          []float64 // lower band of L, A = L*L'
	y          []float64 // A^-1 * B, n x m
	schur      *mat.Cholesky
}

// factorise factors the matrix with its diagonal multiplied by 1+damp.
func (s *normal) factorise(damp float64) (*factor, error) {
	w := s.band + 1
	f := &factor{n: s.n, band: s.band, m: s.m, l: append([]float64(nil), s.a...)}
	for i := range s.n {
		row := f.l[i*w : (i+1)*w]
		row[s.band] *= 1 + damp
		lo := max(0, i-s.band)
		for j := lo; j <= i; j++ {
			col := f.l[j*w : (j+1)*w]
			sum := row[s.band-(i-j)]
			// columns k < j inside both bands
			k0 := max(lo, j-s.band)
			ri := row[s.band-(i-k0) : s.band-(i-j)]
			rj := col[s.band-(j-k0) : s.band]
			sum -= dot(ri, rj)
			if j < i {
				row[s.band-(i-j)] = sum / col[s.band]
				continue
			}
			if !(sum > 0) {
				return nil, errSingular
			}
			row[s.band] = math.Sqrt(sum)
		}
	}
	if s.m == 0 {
		return f, nil
	}
	f.y = append([]float64(nil), s.b...)
	f.bandSolve(f.y, s.m)
	sc := mat.NewSymDense(s.m, nil)
	for p := range s.m {
		for q := p; q < s.m; q++ {
			v := s.c[p*s.m+q]
			if p == q {
				v *= 1 + damp
			}
			for i := range s.n {
				v -= s.b[i*s.m+p] * f.y[i*s.m+q]
			}
			sc.SetSym(p, q, v)
		}
	}
	f.schur = new(mat.Cholesky)
	if !f.schur.Factorize(sc) {
		return nil, errSingular
	}
	return f, nil
}

// dot is the inner product of two slices of one length; four sums at once keep
// the adder busy.
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

// bandSolve replaces the m columns of v, stored by rows, by A^-1 * v.
func (f *factor) bandSolve(v []float64, m int) {
	w := f.band + 1
	less := func(to, by []float64, c float64) {
		by = by[:len(to)]
		for q := range to {
			to[q] -= c * by[q]
		}
	}
	for i := range f.n {
		lo := max(0, i-f.band)
		row, at := f.l[i*w:(i+1)*w], v[i*m:(i+1)*m]
		for k := lo; k < i; k++ {
			less(at, v[k*m:(k+1)*m], row[f.band-(i-k)])
		}
		for q := range at {
			at[q] /= row[f.band]
		}
	}
	for i := f.n - 1; i >= 0; i-- {
		row, at := f.l[i*w:(i+1)*w], v[i*m:(i+1)*m]
		for q := range at {
			at[q] /= row[f.band]
		}
		for k := max(0, i-f.band); k < i; k++ {
			less(v[k*m:(k+1)*m], at, row[f.band-(i-k)])
		}
	}
}

// step returns the Gauss-Newton step -(matrix)^-1 * gradient.
func (f *factor) step(g []float64) []float64 {
	x := make([]float64, f.n+f.m)
	for i := range x {
		x[i] = -g[i]
	}
	f.bandSolve(x[:f.n], 1)
	if f.m == 0 {
		return x
	}
	// (C - B'A^-1B) z = h - B'A^-1 g, then x = A^-1 g - Y z
	rhs := mat.NewVecDense(f.m, nil)
	for k := range f.m {
		v := -g[f.n+k]
		for i := range f.n {
			v += f.y[i*f.m+k] * g[i]
		}
		rhs.SetVec(k, v)
	}
	z := mat.NewVecDense(f.m, nil)
	// The error can only be a mat.Condition, with which the solution still
	// stands; minimise tests every step by its cost.
	_ = f.schur.SolveVecTo(z, rhs)
	for k := range f.m {
		x[f.n+k] = z.AtVec(k)
		for i := range f.n {
			x[i] -= f.y[i*f.m+k] * z.AtVec(k)
		}
	}
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

// minimise runs Levenberg-Marquardt steps until the cost settles and returns
// the last normal matrix, linearised at the final state.
func minimise(p problem, s *normal, steps int) error {
	s.reset()
	p.linearise(s)
	damp := 1e-4
	for range steps {
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
			if was-s.cost < 0.01 {
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

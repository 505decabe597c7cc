package path

// The state: knob x, y then bat vector x, y, each as place, speed and
// acceleration (inches, seconds).
const (
	kx = 0
	ky = 3
	dx = 6
	dy = 9
	n  = 12
)

type (
	vec [n]float64
	cov [n][n]float64
)

// row is one scalar measurement z = sum co[j]*x[at[j]] + noise of variance r.
type row struct {
	at   [4]int
	co   [4]float64
	z, r float64
}

func (w *row) predict(x *vec) float64 {
	var s float64
	for j, i := range w.at {
		s += w.co[j] * x[i]
	}
	return s
}

// gain returns P*h and the innovation's variance.
func (w *row) gain(p *cov) (ph vec, s float64) {
	for j, i := range w.at {
		if c := w.co[j]; c != 0 {
			for k := range ph {
				ph[k] += c * p[i][k]
			}
		}
	}
	s = w.r
	for j, i := range w.at {
		s += w.co[j] * ph[i]
	}
	return ph, s
}

// update folds one row into x and p and returns the innovation, its variance
// and the Kalman gain, which the backward pass needs.
func update(x *vec, p *cov, w *row) (innov, s float64, k vec) {
	innov = w.z - w.predict(x)
	ph, s := w.gain(p)
	for i := range k {
		k[i] = ph[i] / s
		x[i] += k[i] * innov
	}
	for i := range p {
		for j := 0; j <= i; j++ {
			p[i][j] -= k[i] * ph[j]
			p[j][i] = p[i][j]
		}
	}
	return innov, s, k
}

// step is the motion from one frame to the next: fk and fd carry a triple of
// place, speed, acceleration of the knob and of the bat vector; q is the noise
// they gain, which is white jerk of density qk, qd (in²/s⁵).
type step struct {
	fk, fd [3][3]float64
	q      [3][3]float64 // of unit density
	qk, qd float64
	kick   float64 // variance of a jump of the bat vector's speed, in²/s²
}

func (s *step) advance(x *vec, p *cov) {
	y := *x
	for b := 0; b < n; b += 3 {
		f := s.block(b)
		for i := range 3 {
			x[b+i] = f[i][0]*y[b] + f[i][1]*y[b+1] + f[i][2]*y[b+2]
		}
	}
	// P <- F P F' + Q, block by block, lower triangle mirrored.
	for bi := 0; bi < n; bi += 3 {
		fi := s.block(bi)
		for bj := 0; bj <= bi; bj += 3 {
			fj := s.block(bj)
			var t, u [3][3]float64
			for i := range 3 {
				for j := range 3 {
					t[i][j] = fi[i][0]*p[bi][bj+j] + fi[i][1]*p[bi+1][bj+j] + fi[i][2]*p[bi+2][bj+j]
				}
			}
			for i := range 3 {
				for j := range 3 {
					u[i][j] = t[i][0]*fj[j][0] + t[i][1]*fj[j][1] + t[i][2]*fj[j][2]
				}
			}
			if bi == bj {
				q := s.qk
				if bi >= dx {
					q = s.qd
				}
				for i := range 3 {
					for j := range 3 {
						u[i][j] += q * s.q[i][j]
					}
				}
				if bi >= dx {
					u[1][1] += s.kick
				}
			}
			for i := range 3 {
				for j := range 3 {
					p[bi+i][bj+j] = u[i][j]
					p[bj+j][bi+i] = u[i][j]
				}
			}
		}
	}
}

func (s *step) block(b int) *[3][3]float64 {
	if b >= dx {
		return &s.fd
	}
	return &s.fk
}

// back carries the backward pass's adjoint l and its information m from after
// the step to before it: l <- F'l, m <- F'mF.
func (s *step) back(l *vec, m *cov) {
	y := *l
	for b := 0; b < n; b += 3 {
		f := s.block(b)
		for i := range 3 {
			l[b+i] = f[0][i]*y[b] + f[1][i]*y[b+1] + f[2][i]*y[b+2]
		}
	}
	for bi := 0; bi < n; bi += 3 {
		fi := s.block(bi)
		for bj := 0; bj <= bi; bj += 3 {
			fj := s.block(bj)
			var t, u [3][3]float64
			for i := range 3 {
				for j := range 3 {
					t[i][j] = fi[0][i]*m[bi][bj+j] + fi[1][i]*m[bi+1][bj+j] + fi[2][i]*m[bi+2][bj+j]
				}
			}
			for i := range 3 {
				for j := range 3 {
					u[i][j] = t[i][0]*fj[0][j] + t[i][1]*fj[1][j] + t[i][2]*fj[2][j]
				}
			}
			for i := range 3 {
				for j := range 3 {
					m[bi+i][bj+j] = u[i][j]
					m[bj+j][bi+i] = u[i][j]
				}
			}
		}
	}
}

// seen is a row as the forward pass met it.
type seen struct {
	row
	innov, s float64
	k        vec
}

// pass is one forward-backward run over the frames: modified Bryson-Frazier
// form (G. J. Bierman, Fixed interval smoothing with discrete measurements,
// Int. J. Control 18, 1973), which needs no inverse of a covariance.
type pass struct {
	x    []vec // smoothed state at each frame
	p    []cov // its covariance
	rows [][]row

	// left[f][i] is what row i of frame f misses by when the path is fitted
	// without it, leftVar the variance expected of that (P. de Jong,
	// A cross-validation filter for time series models, Biometrika 75, 1988).
	left, leftVar [][]float64
}

// run smooths. steps[f] leads from frame f to f+1.
func run(x0 vec, p0 cov, steps []step, rows [][]row) pass {
	frames := len(rows)
	met := make([][]seen, frames)
	xp, pp := make([]vec, frames), make([]cov, frames) // predicted
	x, p := x0, p0
	for f := range rows {
		if f > 0 {
			steps[f-1].advance(&x, &p)
		}
		xp[f], pp[f] = x, p
		met[f] = make([]seen, len(rows[f]))
		for i := range rows[f] {
			m := &met[f][i]
			m.row = rows[f][i]
			m.innov, m.s, m.k = update(&x, &p, &m.row)
		}
	}
	out := pass{x: make([]vec, frames), p: make([]cov, frames), rows: rows, left: make([][]float64, frames), leftVar: make([][]float64, frames)}
	var l vec
	var m cov
	for f := frames - 1; f >= 0; f-- {
		out.left[f], out.leftVar[f] = make([]float64, len(met[f])), make([]float64, len(met[f]))
		for i := len(met[f]) - 1; i >= 0; i-- {
			w := &met[f][i]
			var mk vec // m*k
			var lk, kmk float64
			for a := range n {
				for b := range n {
					mk[a] += m[a][b] * w.k[b]
				}
				lk += l[a] * w.k[a]
			}
			for a := range n {
				kmk += w.k[a] * mk[a]
			}
			u, d := w.innov/w.s+lk, 1/w.s+kmk
			out.left[f][i], out.leftVar[f][i] = u/d, 1/d
			// l <- (I - k h)'l - h*innov/s ; m <- (I-kh)'m(I-kh) + hh'/s
			var h vec
			for j, a := range w.at {
				h[a] += w.co[j]
			}
			for a := range n {
				if h[a] != 0 {
					l[a] -= h[a] * (lk + w.innov/w.s)
				}
			}
			for a := range n {
				for b := 0; b <= a; b++ {
					m[a][b] += -h[a]*mk[b] - mk[a]*h[b] + h[a]*h[b]*d
					m[b][a] = m[a][b]
				}
			}
		}
		// x_s = x - P l, P_s = P - P m P
		px := &pp[f]
		var pm cov
		for a := range n {
			s := 0.0
			for b := range n {
				s += px[a][b] * l[b]
				var t float64
				for c := range n {
					t += px[a][c] * m[c][b]
				}
				pm[a][b] = t
			}
			out.x[f][a] = xp[f][a] - s
		}
		for a := range n {
			for b := 0; b <= a; b++ {
				t := px[a][b]
				for c := range n {
					t -= pm[a][c] * px[c][b]
				}
				out.p[f][a][b], out.p[f][b][a] = t, t
			}
		}
		if f > 0 {
			steps[f-1].back(&l, &m)
		}
	}
	return out
}

package metrics

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"
)

// maxDegree is the highest polynomial a line may have.
const maxDegree = 4

// windowMs bounds how far from the instant a line may reach. A swing's forward
// move takes about 150 ms; a window of 120 ms in all is as wide as one
// polynomial can be asked to follow.
const windowMs = 60

// maxPoints bounds the frames of one line: beyond it a wider window gains
// little and costs time.
const maxPoints = 25

// line is a polynomial in time fitted to one coordinate around an instant t0:
//
//	y(t) = sum over k of beta[k] * tau^k,  tau = (t-t0)/unitMs
//
// beta is linear in the data, beta[k] = sum over i of w[k][i]*y[i], which is
// what lets a Monte Carlo draw move the data and reuse the weights.
type line struct {
	*weights
	t0     float64
	frames []int // positions in the series the line was fitted to
	beta   [maxDegree + 1]float64
	bias   [maxDegree + 1]float64 // standard error from what the polynomial leaves out
	// inflate is the Birge ratio sqrt(max(1, chi2/nu)): how much more the data
	// scatter about the line than their sigmas say. 1 below three degrees of
	// freedom, where it says nothing.
	inflate float64
}

// weights are those of a line, which rest on times and standard errors alone.
type weights struct {
	degree int
	w      [maxDegree + 1][]float64
	cov    [maxDegree + 1][maxDegree + 1]float64 // of beta, from the data's own sigmas
}

// unitMs is the time unit of line coefficients.
const unitMs = 10

// pace bounds how a coordinate can change: its k-th derivative is taken to be
// about speed/keepMs^(k-1), a motion that keeps its speed for keepMs.
type pace struct {
	speed  float64 // units per ms
	keepMs float64
}

// left is the size of the first two terms a polynomial of a degree leaves out,
// in the coordinate's unit per tau^(degree+1) and tau^(degree+2): derivative over
// factorial.
func (p pace) left(degree int) (first, second float64) {
	first = p.speed * unitMs
	for k := 2; k <= degree+1; k++ {
		first *= unitMs / p.keepMs / float64(k)
	}
	return first, first * unitMs / p.keepMs / float64(degree+2)
}

// window picks how many of the frames nearest t0 (their tau and sigma given
// nearest first) and what degree estimate the order-th derivative at t0 with
// the least mean squared error
//
//	var + bias^2 = (M^-1)_qq + (l1 sum_i w_qi tau_i^(p+1))^2 + (l2 sum_i w_qi tau_i^(p+2))^2
//
// where M is the normal matrix of a degree p fit and l1, l2 are what it leaves
// out; in an even window one of the two sums is nought (local polynomial
// modelling, Fan and Gijbels 1996, chapter 3, with the pace in place of a pilot
// estimate of the next derivatives).
func window(tau, sigma []float64, order int, p pace) (n, degree int) {
	best := math.Inf(1)
	var left [maxDegree + 1][2]float64
	for d := range left {
		left[d][0], left[d][1] = p.left(d)
	}
	n, degree = 1, 0
	var sum [2*maxDegree + 3]float64
	for i := range tau {
		weight := 1 / (sigma[i] * sigma[i])
		for m := range sum {
			sum[m] += weight
			weight *= tau[i]
		}
		var f factor
		for d := 0; d <= min(maxDegree, i) && f.add(d, &sum); d++ {
			// An exact fit has no residual to warn of a bad mark.
			if d < max(order, 1) || i < d+1 && len(tau) > d+1 {
				continue
			}
			b1, b2 := 0.0, 0.0
			for c := 0; c <= d; c++ {
				v := f.inverse(d+1, max(order, c), min(order, c))
				b1 += v * sum[c+d+1]
				b2 += v * sum[c+d+2]
			}
			l1, l2 := left[d][0], left[d][1]
			b1, b2 = b1*l1, b2*l2
			if mse := f.inverse(d+1, order, order) + b1*b1 + b2*b2; mse < best {
				best, n, degree = mse, i+1, d
			}
		}
	}
	return n, degree
}

// fitLine fits a polynomial of a degree to values y with standard errors sigma
// at tau, by weighted least squares: beta = M^-1 X'Wy, cov = M^-1.
func fitLine(t0 float64, degree int, tau, y, sigma []float64, p pace) line {
	return weigh(degree, tau, sigma).line(t0, tau, y, sigma, p)
}

func weigh(degree int, tau, sigma []float64) *weights {
	var sum [2*maxDegree + 3]float64
	for i := range tau {
		weight := 1 / (sigma[i] * sigma[i])
		for m := range sum {
			sum[m] += weight
			weight *= tau[i]
		}
	}
	var f factor
	for d := 0; d <= degree; d++ {
		if !f.add(d, &sum) { // two frames at one time: fewer terms
			degree = d - 1
		}
	}
	v := &weights{degree: degree}
	for r := 0; r <= degree; r++ {
		for c := 0; c <= r; c++ {
			v.cov[r][c] = f.inverse(degree+1, r, c)
			v.cov[c][r] = v.cov[r][c]
		}
	}
	n := len(tau)
	all := make([]float64, (degree+1)*n)
	for k := 0; k <= degree; k++ {
		v.w[k] = all[k*n : (k+1)*n]
		for i := range tau {
			weight, power := 0.0, 1.0
			for c := 0; c <= degree; c++ {
				weight += v.cov[k][c] * power
				power *= tau[i]
			}
			v.w[k][i] = weight / (sigma[i] * sigma[i])
		}
	}
	return v
}

func (v *weights) line(t0 float64, tau, y, sigma []float64, p pace) line {
	l := line{weights: v, t0: t0, inflate: 1}
	var left1, left2 [maxPoints]float64 // what the polynomial leaves out of each value
	l1, l2 := p.left(v.degree)
	for i := range tau {
		power := 1.0
		for range v.degree + 1 {
			power *= tau[i]
		}
		left1[i], left2[i] = power*l1, power*tau[i]*l2
	}
	for k := 0; k <= v.degree; k++ {
		b1, b2 := 0.0, 0.0
		for i, weight := range v.w[k] {
			l.beta[k] += weight * y[i]
			b1 += weight * left1[i]
			b2 += weight * left2[i]
		}
		l.bias[k] = math.Copysign(math.Hypot(b1, b2), b1+b2)
	}
	if nu := len(tau) - v.degree - 1; nu >= 3 {
		chi2 := 0.0
		for i := range tau {
			r := (y[i] - polynomial(l.beta[:v.degree+1], tau[i])) / sigma[i]
			chi2 += r * r
		}
		l.inflate = math.Sqrt(max(1, chi2/float64(nu)))
	}
	return l
}

// shift adds to coefficients what errors e of the line's values do, and z standard
// errors of what the polynomial leaves out.
func (l *line) shift(beta *[maxDegree + 1]float64, e []float64, z float64) {
	for k := 0; k <= l.degree; k++ {
		b, w := beta[k], l.w[k][:len(e)]
		for i, x := range e {
			b += w[i] * x
		}
		beta[k] = b + z*l.bias[k]
	}
}

// shift3 is shift of three lines with the same weights.
func shift3(l *[3]line, beta *[3][maxDegree + 1]float64, e *[3][maxPoints]float64, z r3.Vec) {
	for k := 0; k <= l[0].degree; k++ {
		b0, b1, b2, ws := beta[0][k], beta[1][k], beta[2][k], l[0].w[k]
		e0, e1, e2 := e[0][:len(ws)], e[1][:len(ws)], e[2][:len(ws)]
		for i, w := range ws {
			b0 += w * e0[i]
			b1 += w * e1[i]
			b2 += w * e2[i]
		}
		beta[0][k], beta[1][k], beta[2][k] = b0+z.X*l[0].bias[k], b1+z.Y*l[1].bias[k], b2+z.Z*l[2].bias[k]
	}
}

// read evaluates coefficients at t: value in the coordinate's unit and slope in
// that unit per second.
func (l *line) read(beta *[maxDegree + 1]float64, t float64) (value, slope float64) {
	tau := (t - l.t0) / unitMs
	for k := l.degree; k >= 0; k-- {
		slope = slope*tau + value
		value = value*tau + beta[k]
	}
	return value, slope * 1000 / unitMs
}

func polynomial(beta []float64, x float64) float64 {
	v := 0.0
	for _, b := range slices.Backward(beta) {
		v = v*x + b
	}
	return v
}

// factor is the Cholesky factor of the normal matrix sum[r+c] and the factor's
// inverse, one row after another.
type factor struct {
	l, li [maxDegree + 1][maxDegree + 1]float64
}

// add works out row r. ok is false when the matrix so far is singular to working
// precision.
func (f *factor) add(r int, sum *[2*maxDegree + 3]float64) (ok bool) {
	for c := 0; c <= r; c++ {
		s := sum[r+c]
		for k := 0; k < c; k++ {
			s -= f.l[r][k] * f.l[c][k]
		}
		if r != c {
			f.l[r][c] = s / f.l[c][c]
			continue
		}
		if !(s > 1e-10*sum[r+r]) {
			return false
		}
		f.l[r][r] = math.Sqrt(s)
	}
	f.li[r][r] = 1 / f.l[r][r]
	for c := 0; c < r; c++ {
		s := 0.0
		for k := c; k < r; k++ {
			s -= f.l[r][k] * f.li[k][c]
		}
		f.li[r][c] = s / f.l[r][r]
	}
	return true
}

// inverse is an entry, r >= c, of the inverse of the first n rows and columns.
func (f *factor) inverse(n, r, c int) float64 {
	s := 0.0
	for k := r; k < n; k++ {
		s += f.li[k][r] * f.li[k][c]
	}
	return s
}

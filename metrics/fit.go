package metrics

import (
	"math"
	"slices"
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
	t0     float64
	degree int
	frames []int // positions in the series the line was fitted to
	w      [maxDegree + 1][]float64
	beta   [maxDegree + 1]float64
	cov    [maxDegree + 1][maxDegree + 1]float64 // of beta, from the data's own sigmas
	bias   [maxDegree + 1]float64                // standard error from what the polynomial leaves out
	// inflate is the Birge ratio sqrt(max(1, chi2/nu)): how much more the data
	// scatter about the line than their sigmas say. 1 below three degrees of
	// freedom, where it says nothing.
	inflate float64
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
	n, degree = 1, 0
	var sum [2*maxDegree + 3]float64
	for i := range tau {
		weight := 1 / (sigma[i] * sigma[i])
		for m := range sum {
			sum[m] += weight
			weight *= tau[i]
		}
		for d := max(order, 1); d <= min(maxDegree, i); d++ {
			// An exact fit has no residual to warn of a bad mark.
			if i < d+1 && len(tau) > d+1 {
				continue
			}
			inv, ok := invert(d+1, func(r, c int) float64 { return sum[r+c] })
			if !ok {
				continue
			}
			b1, b2 := 0.0, 0.0
			for c := 0; c <= d; c++ {
				b1 += inv[order][c] * sum[c+d+1]
				b2 += inv[order][c] * sum[c+d+2]
			}
			l1, l2 := p.left(d)
			b1, b2 = b1*l1, b2*l2
			if mse := inv[order][order] + b1*b1 + b2*b2; mse < best {
				best, n, degree = mse, i+1, d
			}
		}
	}
	return n, degree
}

// fitLine fits a polynomial of a degree to values y with standard errors sigma
// at tau, by weighted least squares: beta = M^-1 X'Wy, cov = M^-1.
func fitLine(t0 float64, degree int, tau, y, sigma []float64, p pace) line {
	l := line{t0: t0, degree: degree, inflate: 1}
	var sum [2*maxDegree + 3]float64
	for i := range tau {
		weight := 1 / (sigma[i] * sigma[i])
		for m := range sum {
			sum[m] += weight
			weight *= tau[i]
		}
	}
	inv, ok := invert(degree+1, func(r, c int) float64 { return sum[r+c] })
	for !ok { // two frames at one time: fewer terms
		degree--
		l.degree = degree
		inv, ok = invert(degree+1, func(r, c int) float64 { return sum[r+c] })
	}
	l.cov = inv
	l1, l2 := p.left(degree)
	for k := 0; k <= degree; k++ {
		l.w[k] = make([]float64, len(tau))
		b1, b2 := 0.0, 0.0
		for i := range tau {
			weight, power := 0.0, 1.0
			for c := 0; c <= degree; c++ {
				weight += inv[k][c] * power
				power *= tau[i]
			}
			weight /= sigma[i] * sigma[i]
			l.w[k][i] = weight
			l.beta[k] += weight * y[i]
			b1 += weight * power * l1
			b2 += weight * power * tau[i] * l2
		}
		l.bias[k] = math.Copysign(math.Hypot(b1, b2), b1+b2)
	}
	if nu := len(tau) - degree - 1; nu >= 3 {
		chi2 := 0.0
		for i := range tau {
			r := (y[i] - polynomial(l.beta[:degree+1], tau[i])) / sigma[i]
			chi2 += r * r
		}
		l.inflate = math.Sqrt(max(1, chi2/float64(nu)))
	}
	return l
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

// invert inverts a symmetric positive matrix of n <= maxDegree+1 rows by
// Cholesky factors. ok is false when it is singular to working precision.
func invert(n int, at func(r, c int) float64) (inv [maxDegree + 1][maxDegree + 1]float64, ok bool) {
	const N = maxDegree + 1
	var l [N][N]float64
	for r := 0; r < n; r++ {
		for c := 0; c <= r; c++ {
			s := at(r, c)
			for k := 0; k < c; k++ {
				s -= l[r][k] * l[c][k]
			}
			if r != c {
				l[r][c] = s / l[c][c]
				continue
			}
			if !(s > 1e-10*at(r, r)) {
				return inv, false
			}
			l[r][r] = math.Sqrt(s)
		}
	}
	var li [N][N]float64 // inverse of l
	for c := 0; c < n; c++ {
		li[c][c] = 1 / l[c][c]
		for r := c + 1; r < n; r++ {
			s := 0.0
			for k := c; k < r; k++ {
				s -= l[r][k] * li[k][c]
			}
			li[r][c] = s / l[r][r]
		}
	}
	for r := 0; r < n; r++ {
		for c := 0; c <= r; c++ {
			s := 0.0
			for k := r; k < n; k++ {
				s += li[k][r] * li[k][c]
			}
			inv[r][c], inv[c][r] = s, s
		}
	}
	return inv, true
}

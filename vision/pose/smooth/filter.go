package smooth

import "math"

// sym is a symmetric 3x3 covariance of place, speed, acceleration:
// pp pv pa vv va aa.
type sym [6]float64

// state is one coordinate's place, speed, acceleration.
type state [3]float64

// step moves a state dt seconds on.
func (s state) step(dt float64) state {
	return state{s[0] + dt*(s[1]+dt/2*s[2]), s[1] + dt*s[2], s[2]}
}

// step moves a covariance dt seconds on, with jerk density q.
func (p sym) step(dt, q float64) sym {
	h := dt * dt / 2
	// rows of F*P for F = [1 dt h; 0 1 dt; 0 0 1]
	a := [3]float64{p[0] + dt*p[1] + h*p[2], p[1] + dt*p[3] + h*p[4], p[2] + dt*p[4] + h*p[5]}
	b := [3]float64{p[1] + dt*p[2], p[3] + dt*p[4], p[4] + dt*p[5]}
	d2, d3 := dt*dt, dt*dt*dt
	return sym{
		a[0] + dt*a[1] + h*a[2] + q*d2*d3/20,
		a[1] + dt*a[2] + q*d2*d2/8,
		a[2] + q*d3/6,
		b[1] + dt*b[2] + q*d3/3,
		b[2] + q*d2/2,
		p[5] + q*dt,
	}
}

// gain is the Kalman gain for a place seen with variance r.
func (p sym) gain(r float64) [3]float64 {
	s := p[0] + r
	return [3]float64{p[0] / s, p[1] / s, p[2] / s}
}

// seen is the covariance after a place was seen with variance r.
func (p sym) seen(r float64) sym {
	k := p.gain(r)
	return sym{p[0] - k[0]*p[0], p[1] - k[0]*p[1], p[2] - k[0]*p[2],
		p[3] - k[1]*p[1], p[4] - k[1]*p[2], p[5] - k[2]*p[2]}
}

func (p sym) full() [3][3]float64 {
	return [3][3]float64{{p[0], p[1], p[2]}, {p[1], p[3], p[4]}, {p[2], p[4], p[5]}}
}

// inverse of a positive definite matrix; ok is false when it is not.
func (p sym) inverse() (inv [3][3]float64, ok bool) {
	m := p.full()
	c00 := m[1][1]*m[2][2] - m[1][2]*m[2][1]
	c01 := m[1][2]*m[2][0] - m[1][0]*m[2][2]
	c02 := m[1][0]*m[2][1] - m[1][1]*m[2][0]
	det := m[0][0]*c00 + m[0][1]*c01 + m[0][2]*c02
	if !(det > 0) || math.IsInf(det, 0) {
		return inv, false
	}
	inv = [3][3]float64{
		{c00 / det, (m[0][2]*m[2][1] - m[0][1]*m[2][2]) / det, (m[0][1]*m[1][2] - m[0][2]*m[1][1]) / det},
		{c01 / det, (m[0][0]*m[2][2] - m[0][2]*m[2][0]) / det, (m[0][2]*m[1][0] - m[0][0]*m[1][2]) / det},
		{c02 / det, (m[0][1]*m[2][0] - m[0][0]*m[2][1]) / det, (m[0][0]*m[1][1] - m[0][1]*m[1][0]) / det},
	}
	return inv, true
}

// series is one landmark's path as seen: values[i] has one entry a coordinate,
// nil where nothing was seen.
type series struct {
	t      []float64   // seconds, ascending
	values [][]float64 // px (or metres), nil for a gap
	noise  []float64   // variance of each value's white noise
	scale  float64     // the body's height in the unit of the values
}

func (s *series) coords() int {
	for _, v := range s.values {
		if v != nil {
			return len(v)
		}
	}
	return 0
}

// Nothing on a body is likely to start a clip faster than bodySpeed heights a
// second or to speed up faster than bodyAccel heights a second squared: hands
// reach 5 and 70 in a swing. Standard deviations, wide on purpose.
const (
	bodySpeed = 10
	bodyAccel = 200
)

// start is the covariance at the first value.
func (s *series) start(i int) sym {
	v, a := bodySpeed*s.scale, bodyAccel*s.scale
	return sym{s.noise[i], 0, 0, v * v, 0, a * a}
}

// predictions runs a filter of fixed jerk density over the series, forward or
// backward, and adds each instant's log likelihood under its prediction to
// into. Surprises count as at most three standard deviations and draw the filter
// no further, so that single wild points do not decide which filter is right.
func (s *series) predictions(q float64, backward bool, into []float64) {
	n, c := len(s.t), s.coords()
	x := make([]state, c)
	var p sym
	last := -1
	for k := range n {
		i := k
		if backward {
			i = n - 1 - k
		}
		if s.values[i] == nil {
			continue
		}
		if last < 0 {
			p = s.start(i)
			for j, v := range s.values[i] {
				x[j] = state{v}
			}
			last = i
			continue
		}
		dt := math.Abs(s.t[i] - s.t[last])
		p = p.step(dt, q)
		total := p[0] + s.noise[i]
		var d2 float64
		for j, v := range s.values[i] {
			x[j] = x[j].step(dt)
			d2 += (v - x[j][0]) * (v - x[j][0])
		}
		d2 /= total * float64(c)
		into[i] -= float64(c) / 2 * (min(d2, surprise*surprise) + math.Log(total))
		gain := p.gain(s.noise[i])
		pull := min(1, surprise/math.Sqrt(max(d2, 1e-12)))
		for j, v := range s.values[i] {
			e := pull * (v - x[j][0])
			for m := range gain {
				x[j][m] += gain[m] * e
			}
		}
		p = p.seen(s.noise[i])
		last = i
	}
}

const surprise = 3

// smooth runs forward and backward over the series with jerk density q[i] on
// the way to instant i. It returns the states of every coordinate at every
// instant and the variance of the place; instants before the first and after
// the last value seen are extrapolated and their variance grows accordingly.
func (s *series) smooth(q []float64) (states [][]state, variance []float64) {
	n, c := len(s.t), s.coords()
	first := 0
	for s.values[first] == nil {
		first++
	}
	states, variance = make([][]state, n), make([]float64, n)
	before, after := make([]sym, n), make([]sym, n) // covariances before and after the value at i
	predicted := make([][]state, n)
	for i := first; i < n; i++ {
		x := make([]state, c)
		if i == first {
			before[i] = s.start(i)
			after[i] = before[i]
			for j, v := range s.values[i] {
				x[j] = state{v}
			}
			states[i] = x
			predicted[i] = x
			continue
		}
		dt := s.t[i] - s.t[i-1]
		before[i] = after[i-1].step(dt, q[i])
		after[i] = before[i]
		for j := range x {
			x[j] = states[i-1][j].step(dt)
		}
		predicted[i] = append([]state(nil), x...)
		if v := s.values[i]; v != nil {
			gain := before[i].gain(s.noise[i])
			for j := range x {
				e := v[j] - x[j][0]
				for m := range gain {
					x[j][m] += gain[m] * e
				}
			}
			after[i] = before[i].seen(s.noise[i])
		}
		states[i] = x
	}
	cov := after[n-1]
	variance[n-1] = cov[0]
	for i := n - 2; i >= first; i-- {
		inv, ok := before[i+1].inverse()
		if !ok {
			cov = after[i]
			variance[i] = cov[0]
			continue
		}
		g := backGain(after[i], s.t[i+1]-s.t[i], inv)
		for j := range c {
			var d state
			for m := range d {
				d[m] = states[i+1][j][m] - predicted[i+1][j][m]
			}
			for m := range d {
				states[i][j][m] += g[m][0]*d[0] + g[m][1]*d[1] + g[m][2]*d[2]
			}
		}
		cov = backCov(after[i], g, cov, before[i+1])
		variance[i] = max(cov[0], 0)
	}
	s.extrapolateBack(first, states, variance, cov, q)
	return states, variance
}

// extrapolateBack fills the instants before the first value.
func (s *series) extrapolateBack(first int, states [][]state, variance []float64, cov sym, q []float64) {
	for i := first - 1; i >= 0; i-- {
		dt := s.t[i+1] - s.t[i]
		states[i] = make([]state, len(states[i+1]))
		for j, x := range states[i+1] {
			states[i][j] = x.step(-dt)
		}
		cov = sym{cov[0], -cov[1], cov[2], cov[3], -cov[4], cov[5]}.step(dt, q[i+1])
		cov[1], cov[4] = -cov[1], -cov[4]
		variance[i] = cov[0]
	}
}

// backGain is after * F' * inv(before next), the gain of the backward pass.
func backGain(after sym, dt float64, inv [3][3]float64) (g [3][3]float64) {
	p, h := after.full(), dt*dt/2
	for i := range 3 {
		row := [3]float64{p[i][0] + dt*p[i][1] + h*p[i][2], p[i][1] + dt*p[i][2], p[i][2]}
		for j := range 3 {
			g[i][j] = row[0]*inv[0][j] + row[1]*inv[1][j] + row[2]*inv[2][j]
		}
	}
	return g
}

// backCov is after + g * (next - beforeNext) * g'.
func backCov(after sym, g [3][3]float64, next, beforeNext sym) sym {
	n, b := next.full(), beforeNext.full()
	var gd [3][3]float64
	for i := range 3 {
		for j := range 3 {
			for k := range 3 {
				gd[i][j] += g[i][k] * (n[k][j] - b[k][j])
			}
		}
	}
	at := func(i, j int) float64 { return gd[i][0]*g[j][0] + gd[i][1]*g[j][1] + gd[i][2]*g[j][2] }
	return sym{after[0] + at(0, 0), after[1] + at(0, 1), after[2] + at(0, 2),
		after[3] + at(1, 1), after[4] + at(1, 2), after[5] + at(2, 2)}
}

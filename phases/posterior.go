package phases

import "math"

// posterior is a density over the time of one event, on an even grid.
// The zero value knows nothing.
type posterior struct {
	t    []float64 // ms
	logp []float64 // log density, any constant
}

// grid returns a flat posterior over [lo, hi] with the given step, ms.
func grid(lo, hi, step float64) posterior {
	n := int((hi-lo)/step) + 1
	p := posterior{make([]float64, max(n, 1)), make([]float64, max(n, 1))}
	for i := range p.t {
		p.t[i] = lo + float64(i)*step
	}
	return p
}

// step is the spacing of the grid, ms.
func (p posterior) step() float64 {
	if len(p.t) < 2 {
		return 0
	}
	return p.t[1] - p.t[0]
}

// normal multiplies p by a normal density, whose peak log density is 0.
func (p posterior) normal(mean, sd float64) {
	for i, t := range p.t {
		z := (t - mean) / sd
		p.logp[i] -= z * z / 2
	}
}

// moments returns mean, standard deviation and most probable time. The grid's
// own rounding, step/sqrt12, is added to the deviation.
func (p posterior) moments() (mean, sd, mode float64) {
	top := math.Inf(-1)
	for i, l := range p.logp {
		if l > top {
			top, mode = l, p.t[i]
		}
	}
	var w, m1, m2 float64
	for i, l := range p.logp {
		k := math.Exp(l - top)
		w += k
		m1 += k * p.t[i]
		m2 += k * p.t[i] * p.t[i]
	}
	mean = m1 / w
	return mean, math.Sqrt(max(m2/w-mean*mean, 0) + p.step()*p.step()/12), mode
}

// frameRounding is the standard error of an event time known only to the
// nearest frame, dt/sqrt12 (4.81, 2.41, 1.20 ms at 60, 120, 240 fps).
func frameRounding(dt float64) float64 { return dt / math.Sqrt(12) }

// floorSigma bounds the standard error of an interpolated time from below:
// n frames that bear on it, each rounding independently, leave frame rounding
// over the root of n. n below 1 counts as 1.
func floorSigma(sd, dt float64, n int) float64 {
	return max(sd, frameRounding(dt)/math.Sqrt(float64(max(n, 1))))
}

// logNormalCDF is log of the standard normal distribution function.
func logNormalCDF(z float64) float64 {
	if z < -6 { // asymptote; erfc underflows further down
		return -z*z/2 - math.Log(-z*math.Sqrt(2*math.Pi))
	}
	return math.Log(math.Erfc(-z/math.Sqrt2) / 2)
}

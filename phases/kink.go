package phases

import "math"

// smoothWay is the prior of the angle swept, for kink: about a constant turn
// rate (prior deviation trend, rad/ms) the angle departs by some tenths of a
// radian, over length scales from half the 100 ms up in which a swing's turn
// rate rises and falls. All are averaged over by their evidence.
var (
	kinkSizes  = []float64{0.2, 0.6, 1.8}    // rad
	kinkScales = []float64{45, 70, 110, 170} // ms
	kinkNoises = []float64{0.5, 0.8, 1.2, 1.8}
)

const kinkTrend, kinkLevel = 0.05, 10

// kink multiplies p by how well a sudden loss of slowing +- slowingS of the
// bat's turn rate at each time explains the angle swept. The smooth way is a
// Gaussian process with Matern 5/2 covariance (twice differentiable: a bat is
// driven by forces, not by formulas).
func kink(swept series, p posterior) bool {
	if swept.len() < 6 {
		return false
	}
	var ratios [][]float64
	var weights []float64
	for _, size := range kinkSizes {
		for _, scale := range kinkScales {
			for _, noise := range kinkNoises {
				l, ev, ok := kinkRatio(swept, size, scale, noise, p.t)
				if ok {
					ratios, weights = append(ratios, l), append(weights, ev)
				}
			}
		}
	}
	if len(ratios) == 0 {
		return false
	}
	top := math.Inf(-1)
	for _, w := range weights {
		top = math.Max(top, w)
	}
	for i := range p.t {
		sum := 0.0
		for k := range ratios {
			sum += math.Exp(ratios[k][i] + weights[k] - top)
		}
		p.logp[i] += math.Log(math.Max(sum, 1e-300))
	}
	return true
}

// kinkRatio returns, for each time in at, the log likelihood ratio of a kink
// there against none, and the log evidence of the smooth way with the given
// size (rad), length scale (ms) and noise factor.
//
// With a = sqrt(5)/scale, d = |t-t'|,
// K = size^2*(1+a*d+a^2*d^2/3)*exp(-a*d) + level^2 + trend^2*t*t' and
// (noise*sd)^2 on its diagonal, and u = v*(t-tau)+ the extra way an unslowed
// bat would have gone, the data's mean shifts by -k*u with
// k ~ N(slowing, slowingS^2). With S = u'K^-1 u and z = -u'K^-1 y:
//
//	log ratio = (z + k0/s^2)^2 / (2*(S+1/s^2)) - k0^2/(2*s^2) - log(1+S*s^2)/2
//
// v is the way's own rate at tau as the smooth process has it.
func kinkRatio(y series, size, scale, noise float64, at []float64) (ratio []float64, evidence float64, ok bool) {
	n := y.len()
	mid := y.t[n/2]
	a := math.Sqrt(5) / scale
	k := newMatrix(n)
	for i := range n {
		for j := 0; j <= i; j++ {
			d := a * math.Abs(y.t[i]-y.t[j])
			k[i][j] = size*size*(1+d+d*d/3)*math.Exp(-d) + kinkLevel*kinkLevel + kinkTrend*kinkTrend*(y.t[i]-mid)*(y.t[j]-mid)
		}
		k[i][i] += noise * noise * y.sd[i] * y.sd[i]
	}
	if !cholesky(k) {
		return nil, 0, false
	}
	half, alpha := halfSolve(k, y.x), cholSolve(k, y.x)
	for i := range n {
		evidence -= half[i]*half[i]/2 + math.Log(k[i][i])
	}
	ratio = make([]float64, len(at))
	iv := 1 / (slowingS * slowingS)
	u := make([]float64, n)
	for g, tau := range at {
		for i := range n {
			u[i] = math.Max(0, y.t[i]-tau)
		}
		h := halfSolve(k, u)
		var v, uu, uy float64
		for i := range n {
			d := tau - y.t[i]
			ad := a * math.Abs(d)
			v += (kinkTrend*kinkTrend*(y.t[i]-mid) - size*size*a*a/3*d*(1+ad)*math.Exp(-ad)) * alpha[i]
			uu += h[i] * h[i]
			uy += h[i] * half[i]
		}
		q := slowing*iv - v*uy
		ratio[g] = q*q/(2*(v*v*uu+iv)) - slowing*slowing*iv/2 - math.Log(1+v*v*uu/iv)/2
	}
	return ratio, evidence, true
}

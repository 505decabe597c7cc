package phases

import "math"

// A bat is slowed by the ball within a millisecond. The struck point of a free
// bat loses r(1+e)/(1+r) of the closing speed (Nathan 2003, Am J Phys 71:134,
// with ball-bat mass ratio r = .25 and e = .5: 0.3 of it), from 30 % of its own
// speed off a tee to 60 % against a pitch; balls hit thick and soft balls take
// less.
const slowing, slowingS = 0.25, 0.15

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
// bat's turn rate at each time explains the angle swept, when there is such a
// loss with the given probability. The smooth way is a Gaussian process with
// Matern 5/2 covariance (twice differentiable: a bat is driven by forces, not
// by formulas).
func kink(swept series, p posterior, probability float64) bool {
	if swept.len() < 6 || probability == 0 {
		return false
	}
	var ways []smoothWay
	top := math.Inf(-1)
	for _, size := range kinkSizes {
		for _, scale := range kinkScales {
			for _, noise := range kinkNoises {
				if w, ok := newSmoothWay(swept, size, scale, noise); ok {
					ways = append(ways, w)
					top = math.Max(top, w.evidence)
				}
			}
		}
	}
	if len(ways) == 0 {
		return false
	}
	sum, all := make([]float64, len(p.t)), 0.0
	u := make([]float64, swept.len())
	for _, w := range ways {
		if w.evidence < top-6 { // a weight under 1/400
			continue
		}
		all += math.Exp(w.evidence - top)
		for i, tau := range p.t {
			sum[i] += math.Exp(w.kinkRatio(swept, tau, u) + w.evidence - top)
		}
	}
	for i := range p.t {
		p.logp[i] += math.Log(probability*sum[i]/all + 1 - probability)
	}
	return true
}

// smoothWay is the Gaussian process of one size (rad), length scale (ms) and
// noise factor, given the angles swept. With a = sqrt(5)/scale and d = |t-t'|
// its covariance is
//
//	K = size^2*(1+a*d+a^2*d^2/3)*exp(-a*d) + level^2 + trend^2*t*t'
//
// with (noise*sd)^2 more on the diagonal.
type smoothWay struct {
	size, a, mid float64
	l            [][]float64 // Cholesky factor of K
	half, alpha  []float64   // L^-1*y and K^-1*y
	evidence     float64     // log likelihood of the angles, less a constant
}

func newSmoothWay(y series, size, scale, noise float64) (smoothWay, bool) {
	n := y.len()
	w := smoothWay{size: size, a: math.Sqrt(5) / scale, mid: y.t[n/2], l: newMatrix(n)}
	for i := range n {
		for j := 0; j <= i; j++ {
			d := w.a * math.Abs(y.t[i]-y.t[j])
			w.l[i][j] = size*size*(1+d+d*d/3)*math.Exp(-d) + kinkLevel*kinkLevel + kinkTrend*kinkTrend*(y.t[i]-w.mid)*(y.t[j]-w.mid)
		}
		w.l[i][i] += noise * noise * y.sd[i] * y.sd[i]
	}
	if !cholesky(w.l) {
		return w, false
	}
	w.half, w.alpha = halfSolve(w.l, y.x), cholSolve(w.l, y.x)
	for i := range n {
		w.evidence -= w.half[i]*w.half[i]/2 + math.Log(w.l[i][i])
	}
	return w, true
}

// kinkRatio is the log likelihood ratio of a kink at tau against none. An
// unslowed bat would have gone u = v*(t-tau)+ more, v being the way's own rate
// at tau, so the data's mean shifts by -k*u with k ~ N(slowing, slowingS^2).
// With S = u'K^-1 u and z = -u'K^-1 y:
//
//	log ratio = (z + k0/s^2)^2 / (2*(S+1/s^2)) - k0^2/(2*s^2) - log(1+S*s^2)/2
//
// h is room for y.len() numbers.
func (w *smoothWay) kinkRatio(y series, tau float64, h []float64) float64 {
	var v, uu, uy float64
	first := len(y.t)
	for i, t := range y.t {
		d := tau - t
		ad := w.a * math.Abs(d)
		v += (kinkTrend*kinkTrend*(t-w.mid) - w.size*w.size*w.a*w.a/3*d*(1+ad)*math.Exp(-ad)) * w.alpha[i]
		if t > tau && i < first {
			first = i // u, and L^-1 u with it, is zero before
		}
	}
	for i := first; i < len(y.t); i++ {
		h[i] = y.t[i] - tau
		row := w.l[i]
		for k := first; k < i; k++ {
			h[i] -= row[k] * h[k]
		}
		h[i] /= row[i]
		uu += h[i] * h[i]
		uy += h[i] * w.half[i]
	}
	const iv = 1 / (slowingS * slowingS)
	q := slowing*iv - v*uy
	return q*q/(2*(v*v*uu+iv)) - slowing*slowing*iv/2 - math.Log(1+v*v*uu/iv)/2
}

package metrics

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
)

// DefaultDraws is how many draws a record's error bars rest on. The standard
// uncertainty is then known to 1/sqrt(2*DefaultDraws) = 3.5 % of itself and an
// end of the 95 % interval to about 0.13 of a standard uncertainty.
const DefaultDraws = 400

// sampleOf is the outcome of a Monte Carlo propagation (JCGM 101:2008, 7).
// Values are kept in the order drawn.
type sampleOf struct {
	values []float64
}

// mean and sd are the estimate and standard uncertainty of JCGM 101, 7.6.
func (s sampleOf) mean() float64 {
	sum := 0.0
	for _, v := range s.values {
		sum += v
	}
	return sum / float64(len(s.values))
}

func (s sampleOf) sd() float64 {
	m, sum := s.mean(), 0.0
	for _, v := range s.values {
		sum += (v - m) * (v - m)
	}
	return math.Sqrt(sum / float64(len(s.values)-1))
}

// central is the probabilistically symmetric coverage interval of JCGM 101,
// 7.7.2 note 1: it leaves (1-p)/2 of the draws on either side.
func (s sampleOf) central(p float64) (low, high float64) {
	v := slices.Sorted(slices.Values(s.values))
	q := coverageCount(p, len(v))
	r := (len(v) - q + 1) / 2 // 1-based rank of the lower end
	return v[max(r, 1)-1], v[min(r+q, len(v))-1]
}

// corrected is the bias-corrected percentile interval of an estimate (Efron
// 1981; Davison and Hinkley 1997, section 5.3.2): with z0 the normal quantile of
// the share of draws below the estimate, its ends are the draws' quantiles at
// Phi(2*z0 -+ z). It equals the central interval when half the draws lie on
// either side, and undoes a scatter that pushes draws, as it pushed the estimate
// before them, to one side. |z0| is held to 1, beyond which ends fall among the
// last few draws.
func (s sampleOf) corrected(estimate, p float64) (low, high float64) {
	v := slices.Sorted(slices.Values(s.values))
	below := 0
	for below < len(v) && v[below] < estimate {
		below++
	}
	std := distuv.UnitNormal
	z0 := max(-1, min(1, std.Quantile((float64(below)+.5)/float64(len(v)+1))))
	z := std.Quantile((1 + p) / 2)
	at := func(q float64) float64 { return stat.Quantile(q, stat.LinInterp, v, nil) }
	return at(std.CDF(2*z0 - z)), at(std.CDF(2*z0 + z))
}

// coverageCount is how many of n draws an interval of probability p spans:
// p*n rounded (JCGM 101, 7.7.2).
func coverageCount(p float64, n int) int {
	return int(math.Floor(p*float64(n) + .5))
}

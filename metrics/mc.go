package metrics

import (
	"context"
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
	other  []bool // whether the draw read an arm the other way
}

// output is one quantity under the draw in force: its value, whether an arm was
// read the other way for it, or why it has none.
type output func() (value float64, other bool, why *missing)

// repeat is the propagation of distributions (JCGM 101:2008, 7): n times it
// makes a draw of the inputs and reads every output of it, so that outputs keep
// the correlations that common inputs give them. An output that a draw does not
// have is left out of its sample and the reason kept; a nil output is not read.
func repeat(ctx context.Context, n int, draw func(), outputs []output) ([]sampleOf, []*missing, error) {
	samples, whys := make([]sampleOf, len(outputs)), make([]*missing, len(outputs))
	for range n {
		if err := ctx.Err(); err != nil {
			return nil, nil, err
		}
		draw()
		for i, read := range outputs {
			if read == nil {
				continue
			}
			v, other, why := read()
			if why != nil {
				whys[i] = why
				continue
			}
			samples[i].values = append(samples[i].values, v)
			samples[i].other = append(samples[i].other, other)
		}
	}
	return samples, whys, nil
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
// 7.7.2 note 1: it leaves (1-p)/2 of the draws on either side. It is preferred to
// the shortest one (5.3.4): it says the same of a quantity and of its logarithm or
// inverse, and its ends rest on ranks, not on a search that a few hundred draws
// leave noisy.
func (s sampleOf) central(p float64) (low, high float64) {
	v := slices.Sorted(slices.Values(s.values))
	q := coverageCount(p, len(v))
	r := (len(v) - q + 1) / 2 // 1-based rank of the lower end
	return v[max(r, 1)-1], v[min(r+q, len(v))-1]
}

// corrected is the bias-corrected percentile interval of an estimate (Efron
// 1981; Davison and Hinkley 1997, section 5.3.2): with z0 the normal quantile of
// the share of draws below the estimate, a draw at the quantile Phi(x) stands for
// the one at Phi(x + 2*z0). It equals the central interval when half the draws
// lie on either side, and undoes a scatter that pushes draws, as it pushed the
// estimate before them, to one side. |z0| is held to 1, beyond which ends fall
// among the last few draws. Draws of an arm's other reading are no scatter about
// this one: they stay as they are.
func (s sampleOf) corrected(estimate, p float64) (low, high float64) {
	var own []float64
	fixed := sampleOf{}
	for i, v := range s.values {
		if s.other[i] {
			fixed.values = append(fixed.values, v)
		} else {
			own = append(own, v)
		}
	}
	slices.Sort(own)
	below := 0
	for below < len(own) && own[below] < estimate {
		below++
	}
	std, n := distuv.UnitNormal, float64(len(own))
	z0 := max(-1, min(1, std.Quantile((float64(below)+.5)/(n+1))))
	for i := range own {
		q := std.CDF(std.Quantile((float64(i)+.5)/n) + 2*z0)
		fixed.values = append(fixed.values, stat.Quantile(q, stat.LinInterp, own, nil))
	}
	return fixed.central(p)
}

// coverageCount is how many of n draws an interval of probability p spans:
// p*n rounded (JCGM 101, 7.7.2).
func coverageCount(p float64, n int) int {
	return int(math.Floor(p*float64(n) + .5))
}

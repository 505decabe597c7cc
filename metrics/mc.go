package metrics

import (
	"math"
	"slices"
)

// DefaultDraws is how many draws a record's error bars rest on. The standard
// uncertainty is then known to 1/sqrt(2*DefaultDraws) = 3.5 % of itself and an
// end of the 95 % interval to about 0.13 of a standard uncertainty.
const DefaultDraws = 400

// sample is the outcome of a Monte Carlo propagation (JCGM 101:2008, 7).
// Values are kept in the order drawn.
type sampleOf struct {
	values []float64
}

// monteCarlo evaluates a model n times; model is given the number of the draw.
func monteCarlo(n int, model func(i int) float64) sampleOf {
	s := sampleOf{values: make([]float64, n)}
	for i := range s.values {
		s.values[i] = model(i)
	}
	return s
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

// shortest is the shortest coverage interval of JCGM 101, 7.7.3.
func (s sampleOf) shortest(p float64) (low, high float64) {
	v := slices.Sorted(slices.Values(s.values))
	q := min(coverageCount(p, len(v)), len(v)-1)
	best := 0
	for r := 1; r+q < len(v); r++ {
		if v[r+q]-v[r] < v[best+q]-v[best] {
			best = r
		}
	}
	return v[best], v[best+q]
}

func coverageCount(p float64, n int) int {
	return int(math.Floor(p*float64(n) + .5))
}

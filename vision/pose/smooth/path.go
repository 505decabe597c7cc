package smooth

import (
	"math"
	"slices"
)

const (
	// The grid of jerk densities, in body heights squared per s^5: 1e-4 keeps a
	// point still to a thousandth of a height for a second, 1e6 lets it go
	// where it likes from frame to frame at 240 a second. A swinging hand comes
	// to some 1e4.
	leastJerk   = 1e-4
	jerkStep    = 10
	jerkFilters = 11

	// windowS and windowFrames are the standard deviation of the weights with
	// which predictions around an instant choose its jerk density: long enough
	// to tell the filters apart, short against a swing of 150 to 200 ms. The
	// larger of the two holds, by how far apart the frames about the instant lie.
	windowS      = 0.03
	windowFrames = 3

	// tails is the degrees of freedom of the Student t by which values lose
	// weight for lying off the path; 4 is the usual choice of robust fits
	// (Lange, Little, Taylor 1989, JASA 84:881).
	tails = 4

	// rounds of reweighting; the weights settle in two or three.
	rounds = 3
)

// path draws a smooth path through s, whose noise is given up to a common
// factor on entry and scaled on return. It returns place and its variance at
// every instant. The series has at least minSeen values.
func (s *series) path() (places [][]float64, variance []float64) {
	s.fitNoise()
	q := s.jerk()
	stated := slices.Clone(s.noise)
	var states [][]state
	for range rounds {
		states, variance = s.smooth(q)
		for i, v := range s.values {
			if v == nil {
				continue
			}
			var d2 float64
			for j := range v {
				d2 += (v[j] - states[i][j][0]) * (v[j] - states[i][j][0])
			}
			c := float64(len(v))
			s.noise[i] = stated[i] * (tails + d2/(stated[i]+variance[i])) / (tails + c)
		}
	}
	copy(s.noise, stated)
	places = make([][]float64, len(states))
	for i, x := range states {
		places[i] = make([]float64, len(x))
		for j := range x {
			places[i][j] = x[j][0]
		}
	}
	return places, variance
}

// minSeen is the least number of values that a path is drawn through.
const minSeen = 8

// fitNoise scales the noise variances to the spread of third divided differences
// of neighbouring values, which a smooth motion hardly touches: for white noise of
// variance r and even steps they have 20 r times the square of the last one's
// weight. The median keeps out the moments when it does touch them.
func (s *series) fitNoise() {
	var seen []int
	for i, v := range s.values {
		if v != nil {
			seen = append(seen, i)
		}
	}
	var ratios []float64
	for k := 3; k < len(seen); k++ {
		four := seen[k-3 : k+1]
		weights := s.third(four)
		expected := 0.0
		for m, i := range four {
			expected += weights[m] * weights[m] * s.noise[i]
		}
		for j := range s.values[four[0]] {
			third := 0.0
			for m, i := range four {
				third += weights[m] * s.values[i][j]
			}
			ratios = append(ratios, math.Abs(third)/math.Sqrt(expected))
		}
	}
	const gaussian = 0.6745 // median of |N(0,1)|
	sd := 0.0
	if len(ratios) > 0 {
		slices.Sort(ratios)
		sd = ratios[len(ratios)/2] / gaussian
	}
	// A picture still to the last bit has no third differences; a path still
	// needs some noise to be seen in.
	floor := 1e-5 * s.scale
	for i := range s.noise {
		s.noise[i] = max(s.noise[i]*sd*sd, floor*floor)
	}
}

// third is the weights of a third divided difference over four instants, up to a
// common factor.
func (s *series) third(of []int) (w [4]float64) {
	span := s.t[of[3]] - s.t[of[0]]
	for m, i := range of {
		w[m] = 1
		for _, j := range of {
			if j != i {
				w[m] *= span / (s.t[i] - s.t[j])
			}
		}
	}
	return w
}

// jerk finds the jerk density on the way to each instant: the mean, in
// logarithms, of the grid's values weighted by how well each one's filters,
// forward and backward, predicted the values around.
func (s *series) jerk() []float64 {
	n := len(s.t)
	var fits [jerkFilters][]float64
	for k := range fits {
		fits[k] = make([]float64, n)
		s.predictions(s.gridJerk(k), false, fits[k])
		s.predictions(s.gridJerk(k), true, fits[k])
	}
	out := make([]float64, n)
	for i := range n {
		lo, hi := max(0, i-windowFrames), min(n-1, i+windowFrames)
		window := max(windowS, windowFrames*(s.t[hi]-s.t[lo])/float64(max(1, hi-lo)))
		var score [jerkFilters]float64
		for j := i; j >= 0 && s.t[i]-s.t[j] < 3*window; j-- {
			s.addScores(&score, &fits, i, j, window)
		}
		for j := i + 1; j < n && s.t[j]-s.t[i] < 3*window; j++ {
			s.addScores(&score, &fits, i, j, window)
		}
		best := slices.Max(score[:])
		var sum, log float64
		for k, v := range score {
			w := math.Exp((v - best) / 2) // both directions see the same values
			sum += w
			log += w * math.Log(s.gridJerk(k))
		}
		out[i] = math.Exp(log / sum)
	}
	return out
}

func (s *series) addScores(score *[jerkFilters]float64, fits *[jerkFilters][]float64, i, j int, window float64) {
	z := (s.t[j] - s.t[i]) / window
	w := math.Exp(-z * z / 2)
	for k := range score {
		score[k] += w * fits[k][j]
	}
}

func (s *series) gridJerk(k int) float64 {
	return s.scale * s.scale * leastJerk * math.Pow(jerkStep, float64(k))
}

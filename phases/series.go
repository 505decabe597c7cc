package phases

import (
	"cmp"
	"math"
	"slices"
	"sort"
)

// series is one coordinate over time: only frames in which it was seen.
// Times ms, ascending; x and sd in the same length unit (inches at the body
// for image coordinates). sd is the standard error of one sample taken as
// independent of its neighbours.
type series struct {
	t, x, sd []float64
}

func (s series) len() int { return len(s.t) }

// between returns the samples with a <= t <= b, sharing memory with s.
func (s series) between(a, b float64) series {
	i := sort.SearchFloat64s(s.t, a)
	j := sort.Search(len(s.t), func(k int) bool { return s.t[k] > b })
	if j < i {
		j = i
	}
	return series{s.t[i:j], s.x[i:j], s.sd[i:j]}
}

// minus subtracts o where both were sampled at the same instant.
func (s series) minus(o series) series { return s.plus(o, -1) }

// plus adds k*o where both were sampled at the same instant.
func (s series) plus(o series, k float64) series {
	var out series
	j := 0
	for i, t := range s.t {
		for j < len(o.t) && o.t[j] < t {
			j++
		}
		if j < len(o.t) && o.t[j] == t {
			out.t = append(out.t, t)
			out.x = append(out.x, s.x[i]+k*o.x[j])
			out.sd = append(out.sd, math.Hypot(s.sd[i], k*o.sd[j]))
		}
	}
	return out
}

// scaled multiplies values and errors by k.
func (s series) scaled(k float64) series {
	out := series{slices.Clone(s.t), make([]float64, len(s.x)), make([]float64, len(s.x))}
	for i := range s.x {
		out.x[i], out.sd[i] = k*s.x[i], math.Abs(k)*s.sd[i]
	}
	return out
}

// offset adds c to every value.
func (s series) offset(c float64) series {
	out := series{s.t, make([]float64, len(s.x)), s.sd}
	for i := range s.x {
		out.x[i] = s.x[i] + c
	}
	return out
}

// at interpolates linearly; NaN outside the sampled span.
func (s series) at(t float64) float64 {
	i := sort.SearchFloat64s(s.t, t)
	switch {
	case i < len(s.t) && s.t[i] == t:
		return s.x[i]
	case i == 0 || i == len(s.t):
		return math.NaN()
	}
	f := (t - s.t[i-1]) / (s.t[i] - s.t[i-1])
	return s.x[i-1] + f*(s.x[i]-s.x[i-1])
}

// local fits a polynomial of the given degree (1 or 2) to the samples within
// half ms of t, weighted by 1/sd^2 and the tricube of distance, and returns
// value and slope (per ms) at t with their standard errors. ok is false with
// fewer than degree+2 samples or with all of them on one side of t.
func (s series) local(t, half float64, degree int) (v, slope, sv, sslope float64, ok bool) {
	w := s.between(t-half, t+half)
	if w.len() < degree+2 || w.t[0] > t || w.t[w.len()-1] < t {
		return 0, 0, 0, 0, false
	}
	n := degree + 1
	a, b := newMatrix(n), make([]float64, n)
	m := newMatrix(n) // sum of k^2 * basis*basis / sd^2, for the sandwich variance
	var p [3]float64
	for i := range w.t {
		u := (w.t[i] - t) / half
		d := 1 - math.Abs(u*u*u)
		k := d * d * d
		p[0], p[1], p[2] = 1, u, u*u
		iv := 1 / (w.sd[i] * w.sd[i])
		for r := range n {
			b[r] += k * iv * p[r] * w.x[i]
			for c := range n {
				a[r][c] += k * iv * p[r] * p[c]
				m[r][c] += k * k * iv * p[r] * p[c]
			}
		}
	}
	if !cholesky(a) {
		return 0, 0, 0, 0, false
	}
	x := cholSolve(a, b)
	variance := func(e int) float64 {
		g := make([]float64, n)
		g[e] = 1
		g = cholSolve(a, g)
		q := 0.0
		for r := range n {
			for c := range n {
				q += g[r] * m[r][c] * g[c]
			}
		}
		return q
	}
	return x[0], x[1] / half, math.Sqrt(variance(0)), math.Sqrt(variance(1)) / half, true
}

// smoothed replaces every sample by the local line through
// it; samples without enough neighbours stay as they are.
func (s series) smoothed(half window) series {
	out := series{s.t, make([]float64, s.len()), make([]float64, s.len())}
	for i, t := range s.t {
		v, _, sv, _, ok := s.local(t, half(t), 1)
		if !ok {
			v, sv = s.x[i], s.sd[i]
		}
		out.x[i], out.sd[i] = v, sv
	}
	return out
}

// whiteNoise estimates the standard error that, taken as independent from
// frame to frame, explains the scatter of s about smooth motion. White noise of
// deviation n leaves in the second difference of the means of three
// neighbouring blocks of m samples a variance of 6*n^2/m; noise that is
// correlated over a few frames shows a larger n at larger m, so the largest
// over m = 1, 2, 4 is taken, as long as three blocks span no more than
// blocksMs, beyond which a body's own motion would be read as noise, for most of
// the time. The median over time makes it blind to the swing, which fills a small
// part of a clip, though most frames may be there. Zero with fewer than 12
// samples.
func (s series) whiteNoise() float64 {
	const blocksMs = 55
	if s.len() < 12 {
		return 0
	}
	best, whole := 0.0, 0.0
	for _, m := range []int{1, 2, 4} {
		d := make([]weighed, 0, s.len())
		sum := 0.0
		for i := 0; i+3*m <= s.len(); i++ {
			long := (s.t[i+3*m-1] - s.t[i]) / float64(3*m-1) // a sample
			if m > 1 && float64(3*m)*long > blocksMs {
				continue
			}
			a, b, c := mean(s.x[i:i+m]), mean(s.x[i+m:i+2*m]), mean(s.x[i+2*m:i+3*m])
			// The middle block against the line through the others, at its own time.
			ta, tb, tc := mean(s.t[i:i+m]), mean(s.t[i+m:i+2*m]), mean(s.t[i+2*m:i+3*m])
			p := 2 * (tc - tb) / (tc - ta)
			q := 2 - p
			d = append(d, weighed{math.Abs(p*a-2*b+q*c) / math.Sqrt((p*p+4+q*q)/float64(m)), long})
			sum += long
		}
		if m == 1 {
			whole = sum
		} else if sum < whole/2 {
			break
		}
		// The median of |N(0,1)| is 0.6745.
		best = max(best, weightedMedian(d, sum)/0.6745)
	}
	return best
}

type weighed struct{ x, weight float64 }

// weightedMedian is where half of the whole weight of x lies below, NaN when
// empty; it sorts x.
func weightedMedian(x []weighed, whole float64) float64 {
	slices.SortFunc(x, func(a, b weighed) int { return cmp.Compare(a.x, b.x) })
	left := whole / 2
	for _, v := range x {
		if left -= v.weight; left <= 0 {
			return v.x
		}
	}
	return math.NaN()
}

// calibrate raises sd so that its median is no less than the scatter seen in the
// series, bounds it by floor from below, and drops strays: samples that stand off
// the cubic through their four neighbours by more than six standard errors and
// more than the neighbours themselves depart from a line (fast motion does
// that, a stray does not), and by more than the samples beside them do.
func (s series) calibrate(floor float64) series {
	n := s.whiteNoise()
	f := 1.0
	if med := median(s.sd); n > 0 && med > 0 {
		// Less scatter than stated is a smoothed track, not a better one.
		f = math.Max(1, n/med)
	}
	scaled := series{s.t, s.x, make([]float64, s.len())}
	for i := range s.sd {
		scaled.sd[i] = max(s.sd[i]*f, floor)
	}
	off := make([]float64, s.len())
	bar := make([]float64, s.len())
	for i := 2; i+2 < s.len(); i++ {
		cubic := lagrange(s, []int{i - 2, i - 1, i + 1, i + 2}, s.t[i])
		line := lagrange(s, []int{i - 1, i + 1}, s.t[i])
		off[i], bar[i] = math.Abs(s.x[i]-cubic), 6*1.4*scaled.sd[i]+math.Abs(cubic-line)
	}
	out := series{}
	for i := range s.t {
		if off[i] > bar[i] && off[i] >= max(off[i-1], off[i+1], off[i-2], off[i+2]) {
			continue
		}
		out.t, out.x, out.sd = append(out.t, s.t[i]), append(out.x, s.x[i]), append(out.sd, scaled.sd[i])
	}
	return out
}

// rate is the slope at t, per ms: of the local line over half ms or, where
// samples are missing, twice that, else of the chord across t; 0 outside.
func (s series) rate(t, half float64) float64 {
	for _, h := range []float64{half, 2 * half} {
		if _, v, _, _, ok := s.local(t, h, 1); ok {
			return v
		}
	}
	i := sort.SearchFloat64s(s.t, t)
	if i == 0 || i == s.len() {
		return 0
	}
	return (s.x[i] - s.x[i-1]) / (s.t[i] - s.t[i-1])
}

// lagrange evaluates at t the polynomial through the samples of s at ix.
func lagrange(s series, ix []int, t float64) float64 {
	sum := 0.0
	for _, i := range ix {
		w := 1.0
		for _, j := range ix {
			if j != i {
				w *= (t - s.t[j]) / (s.t[i] - s.t[j])
			}
		}
		sum += w * s.x[i]
	}
	return sum
}

func mean(x []float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += v
	}
	return sum / float64(len(x))
}

// median of x, NaN when empty; x is not changed.
func median(x []float64) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	y := slices.Clone(x)
	slices.Sort(y)
	if n := len(y); n%2 == 0 {
		return (y[n/2-1] + y[n/2]) / 2
	}
	return y[len(y)/2]
}

// quantile q in 0..1 of x by linear interpolation, NaN when empty.
func quantile(x []float64, q float64) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	y := slices.Clone(x)
	slices.Sort(y)
	p := q * float64(len(y)-1)
	i := int(p)
	if i+1 >= len(y) {
		return y[len(y)-1]
	}
	return y[i] + (p-float64(i))*(y[i+1]-y[i])
}

// newMatrix returns an n x n matrix of zeros.
func newMatrix(n int) [][]float64 {
	cells := make([]float64, n*n)
	m := make([][]float64, n)
	for i := range m {
		m[i] = cells[i*n : (i+1)*n]
	}
	return m
}

// cholesky replaces the lower triangle of the symmetric matrix a by L with
// a = L*L^T; false when a is not positive definite.
func cholesky(a [][]float64) bool {
	for i := range a {
		for j := 0; j <= i; j++ {
			s := a[i][j]
			for k := 0; k < j; k++ {
				s -= a[i][k] * a[j][k]
			}
			if i == j {
				if !(s > 0) {
					return false
				}
				a[i][i] = math.Sqrt(s)
			} else {
				a[i][j] = s / a[j][j]
			}
		}
	}
	return true
}

// cholSolve solves L*L^T*x = b for the factor that cholesky left in l.
func cholSolve(l [][]float64, b []float64) []float64 {
	x := halfSolve(l, b)
	for i := len(l) - 1; i >= 0; i-- {
		for k := i + 1; k < len(l); k++ {
			x[i] -= l[k][i] * x[k]
		}
		x[i] /= l[i][i]
	}
	return x
}

// halfSolve solves L*x = b.
func halfSolve(l [][]float64, b []float64) []float64 {
	x := slices.Clone(b)
	for i := range l {
		for k := 0; k < i; k++ {
			x[i] -= l[i][k] * x[k]
		}
		x[i] /= l[i][i]
	}
	return x
}

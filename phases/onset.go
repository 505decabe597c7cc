package phases

import "math"

// breakModel says how a coordinate behaves on the two sides of an event. On
// each side it is a common constant plus a polynomial in the time from the
// event, u = |t - tau| in seconds, without constant term, so that the two
// sides meet. before[i] and after[i] are the prior standard deviations of the
// coefficient of u^(i+1); 0 leaves the power out.
//
// drift is the prior standard deviation of one slope shared by both sides
// (inches per second): slow motion that goes on through the event.
type breakModel struct {
	before, after [3]float64
	drift         float64
	rising        int // +1: x grows away from tau on the side that moves, -1: falls, 0: either
}

// touching is a point that comes in at some speed and stops: a foot meeting
// the ground. Feet move below 2 m/s and 3 g; 3 in/s is left for the rolling
// of a planted shoe. Up to the event x falls to its settled value.
var touching = breakModel{before: [3]float64{60, 500, 3000}, drift: 1.5, rising: 1}

// leaving is a point at rest that starts off, in reverse of touching.
var leaving = breakModel{after: [3]float64{60, 500, 3000}, drift: 1.5, rising: 1}

// locate returns the posterior of the break time over [lo, hi] (ms) given the
// samples of s in [from, to], by integrating out the coefficients (linear
// Gaussian). The misfit of the best time widens the whole density: where the
// data scatter about the model k times as much as their sd says, log density
// is divided by k^2. n is the number of samples used; with fewer than 6, or
// fewer than 2 on a side, ok is false.
func (m breakModel) locate(s series, lo, hi, from, to, step float64) (p posterior, n int, ok bool) {
	w := s.between(from, to)
	p = grid(lo, hi, step)
	if w.len() < 6 || w.t[1] > lo || w.t[w.len()-2] < hi {
		return p, w.len(), false
	}
	type column struct {
		side  int // -1 before, +1 after, 0 both
		power int
		iv    float64 // prior precision
	}
	cols := []column{{0, 0, 1e-6}}
	for i := range 3 {
		if m.before[i] > 0 {
			cols = append(cols, column{-1, i + 1, 1 / (m.before[i] * m.before[i])})
		}
		if m.after[i] > 0 {
			cols = append(cols, column{1, i + 1, 1 / (m.after[i] * m.after[i])})
		}
	}
	if m.drift > 0 {
		cols = append(cols, column{0, 1, 1 / (m.drift * m.drift)})
	}
	k := len(cols)
	x0 := median(w.x) // keeps the constant's wide prior harmless
	bestMisfit, best := 0.0, math.Inf(-1)
	row := make([]float64, k)
	for gi, tau := range p.t {
		a, b := newMatrix(k), make([]float64, k)
		yy := 0.0
		for i := range w.t {
			u := (w.t[i] - tau) / 1000
			for c, col := range cols {
				switch {
				case col.power == 0:
					row[c] = 1
				case col.side == 0:
					row[c] = u
				case float64(col.side)*u > 0:
					row[c] = math.Pow(math.Abs(u), float64(col.power))
				default:
					row[c] = 0
				}
			}
			iv := 1 / (w.sd[i] * w.sd[i])
			y := w.x[i] - x0
			yy += y * y * iv
			for r := range k {
				if row[r] == 0 {
					continue
				}
				b[r] += row[r] * y * iv
				for c := range k {
					a[r][c] += row[r] * row[c] * iv
				}
			}
		}
		for c, col := range cols {
			a[c][c] += col.iv
		}
		if !cholesky(a) {
			return p, w.len(), false
		}
		h := halfSolve(a, b)
		fit, logdet := 0.0, 0.0
		for c := range k {
			fit += h[c] * h[c]
			logdet += math.Log(a[c][c])
		}
		lp := (fit-yy)/2 - logdet
		if m.rising != 0 {
			lp += m.riseProbability(a, b, func(c int) (bool, int) { return cols[c].side != 0, cols[c].power }, w, tau)
		}
		p.logp[gi] = lp
		if lp > best {
			best, bestMisfit = lp, yy-fit
		}
	}
	if dof := float64(w.len() - k); dof > 0 && bestMisfit > dof {
		for i := range p.logp {
			p.logp[i] /= bestMisfit / dof
		}
	}
	return p, w.len(), true
}

// riseProbability is the log probability that the moving side, 20 ms away from
// the break (a time over which a foot or hand clears its own noise), lies on
// the side of the rest level that m.rising asks for.
func (m breakModel) riseProbability(l [][]float64, b []float64, moving func(int) (bool, int), w series, tau float64) float64 {
	g := make([]float64, len(b))
	for c := range b {
		if mv, pw := moving(c); mv {
			g[c] = math.Pow(0.020, float64(pw))
		}
	}
	x := cholSolve(l, b)
	h := halfSolve(l, g)
	mu, v := 0.0, 0.0
	for c := range b {
		mu += g[c] * x[c]
		v += h[c] * h[c]
	}
	return logNormalCDF(float64(m.rising) * mu / math.Sqrt(v))
}

// runs returns the [first, last] indices of stretches where x stays at or
// above threshold for at least above samples. NaN is below any threshold. Gaps
// of at most below samples under the threshold do not end a stretch.
func runs(x []float64, threshold float64, above, below int) [][2]int {
	return stretches(x, threshold, float64(above), float64(below), func(int) float64 { return 1 })
}

// lasting is runs by time: each sample stands for the spacing of frames about it.
func (r *reading) lasting(s series, threshold, aboveMs, belowMs float64) [][2]int {
	return stretches(s.x, threshold, aboveMs, belowMs, func(i int) float64 { return r.gap(s.t[i]) })
}

func stretches(x []float64, threshold, above, below float64, weight func(i int) float64) [][2]int {
	const slack = 1e-6 // of sums that ought to be whole
	var out [][2]int
	under := 0.0
	for i, v := range x {
		if !(v >= threshold) {
			under += weight(i)
			continue
		}
		if n := len(out); n > 0 && under <= below+slack {
			out[n-1][1] = i
		} else {
			out = append(out, [2]int{i, i})
		}
		under = 0
	}
	kept := out[:0]
	for _, r := range out {
		long := slack
		for i := r[0]; i <= r[1]; i++ {
			long += weight(i)
		}
		if long >= above {
			kept = append(kept, r)
		}
	}
	return kept
}

package solve

import (
	"math"

	"nightcage/vision"
)

// trace is one landmark's path in the picture, smoothed over the frames.
type trace struct {
	u, v  []float64 // px
	sigma []float64 // standard error along an axis, px
	ok    []bool
}

// maxGapMs is the longest stretch without a mark that a trace bridges.
const maxGapMs = 120

// smoothPath fits a path to one coordinate: observations y with standard
// errors sigma (0 where there is none) at times ms, under a white-noise
// acceleration of spectral density q (px^2/s^3). Observations further off than
// their error allows are given less weight (Student t, 4 degrees of freedom).
// It returns the path and its standard error.
func smoothPath(ms, y, sigma []float64, q float64) (path, se []float64) {
	n := len(ms)
	path, se = make([]float64, n), make([]float64, n)
	// start from a straight interpolation of what was seen
	last := -1
	for i := range n {
		if sigma[i] == 0 {
			continue
		}
		for k := last + 1; k < i; k++ {
			if last < 0 {
				path[k] = y[i]
			} else {
				path[k] = y[last] + (y[i]-y[last])*(ms[k]-ms[last])/(ms[i]-ms[last])
			}
		}
		path[i], last = y[i], i
	}
	if last < 0 {
		return path, se
	}
	for k := last + 1; k < n; k++ {
		path[k] = y[last]
	}
	s := newNormal(n, 2, 0)
	idx, jac := make([]int, 3), make([]float64, 3)
	var f *factor
	for range 8 {
		s.reset()
		for i := range n {
			if sigma[i] == 0 {
				// keeps the matrix regular at ends without marks
				s.add([]int{i}, []float64{1}, 0, 1e-10)
				continue
			}
			r := path[i] - y[i]
			z := r / sigma[i]
			w := 5 / (4 + z*z)
			s.add([]int{i}, []float64{1}, r, w/(sigma[i]*sigma[i]))
		}
		for i := 1; i+1 < n; i++ {
			h1, h2 := (ms[i]-ms[i-1])/1000, (ms[i+1]-ms[i])/1000
			if h1 <= 0 || h2 <= 0 {
				continue
			}
			idx[0], idx[1], idx[2] = i-1, i, i+1
			k := 2 / (h1 + h2)
			jac[0], jac[1], jac[2] = k/h1, -k/h1-k/h2, k/h2
			r := jac[0]*path[i-1] + jac[1]*path[i] + jac[2]*path[i+1]
			// the mean of white acceleration over h has variance q/h
			s.add(idx, jac, r, (h1+h2)/2/q)
		}
		var err error
		if f, err = s.factorise(1e-12); err != nil {
			return path, se
		}
		moved := 0.0
		for i, d := range f.step(s.g) {
			path[i] += d
			moved = max(moved, math.Abs(d))
		}
		if moved < 0.01 {
			break
		}
	}
	c := f.inverse()
	for i := range n {
		se[i] = math.Sqrt(max(0, c.at(i, i)))
	}
	return path, se
}

// Root-mean-square accelerations of landmarks in a swing, in/s^2, and how long
// they last: hands reach 25 ft/s in some 100 ms (3000 in/s^2); hips and
// shoulders move 5 in in 150 ms and turn by 90 deg on a 7 in arm in the same
// time; heads hardly move. Order of magnitude is all that is needed: these set
// how much a trace may bend, and are common practice without a source.
const (
	accelTrunk, accelLeg, accelArm, accelHead = 900, 900, 2500, 400
	accelLastsS                               = 0.05
)

func accelOf(l vision.Landmark) float64 {
	switch {
	case l <= vision.RightEar:
		return accelHead
	case l <= vision.RightShoulder:
		return accelTrunk
	case l <= vision.RightHand:
		return accelArm
	case l <= vision.RightHip:
		return accelTrunk
	}
	return accelLeg
}

// newTrace smooths the marks that get returns for each frame. pxPerIn scales
// the accelerations.
func (s *scene) newTrace(accel, pxPerIn float64, get func(*look) point) *trace {
	n := len(s.looks)
	ms, u, v, sg := make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n)
	t := &trace{ok: make([]bool, n)}
	for i := range s.looks {
		ms[i] = s.looks[i].ms
		if p := get(&s.looks[i]); p.ok {
			u[i], v[i], sg[i] = p.u, p.v, p.sigma
		}
	}
	q := accel * pxPerIn * accel * pxPerIn * 2 * accelLastsS
	var su, sv []float64
	t.u, su = smoothPath(ms, u, sg, q)
	t.v, sv = smoothPath(ms, v, sg, q)
	t.sigma = make([]float64, n)
	for i := range n {
		t.sigma[i] = math.Sqrt((su[i]*su[i] + sv[i]*sv[i]) / 2)
	}
	// a frame counts when marks near it on both sides carry it
	before, after := math.Inf(-1), math.Inf(1)
	left := make([]float64, n)
	for i := range n {
		if sg[i] > 0 {
			before = ms[i]
		}
		left[i] = before
	}
	for i := n - 1; i >= 0; i-- {
		if sg[i] > 0 {
			after = ms[i]
		}
		t.ok[i] = sg[i] > 0 || after-left[i] <= maxGapMs
	}
	return t
}

func (t *trace) at(i int) point {
	return point{u: t.u[i], v: t.v[i], sigma: t.sigma[i], ok: t.ok[i]}
}

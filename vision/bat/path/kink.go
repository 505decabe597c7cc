package path

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

const (
	kinkHalfS = 0.04 // the path is looked at this long before and after its fastest moment
	kinkOrder = 5    // of the polynomial that stands for the path without a kink
	kinkTrust = 0.5  // tips the fit believed less are left out
	kinkSpare = 4    // measured coordinates needed beyond what the fit uses up
	kinkStepS = 0.0005
	kinkEdge  = 2     // tips that must lie on either side of the kink
	swungInS  = 150.0 // a tip that never moves faster is not swung
	kinkNoise = 0.1   // inches: no tip is seen better

	// kinkLoss is the share of its speed that a bat loses to a ball where it
	// meets it: r (1+q) (1 + pitch speed / bat speed), from momentum and the
	// ball's exit speed q*pitch + (1+q)*bat, with r = 0.25 the ball's mass over
	// the bat's effective one and q = 0.2 (A. M. Nathan, Am. J. Phys. 71, 134,
	// 2003): 0.3 off a tee, 0.6 for a pitch as fast as the bat. The hands hold
	// some of it back and the tip loses less than the place of impact.
	kinkLoss      = 0.35
	kinkLossSigma = 0.15
)

// kinkPoint is a tip as seen, inches and seconds from the fastest moment.
type kinkPoint struct{ t, x, y float64 }

// kink looks for the moment at which the tip suddenly loses speed, as it does
// when it meets a ball. Around its fastest moment the tip's path as seen is
// fitted by a polynomial in time per axis, plus a term -loss * v * max(0, t-tk)
// with one loss for both axes and v the smooth path's velocity at tk; tk is
// tried in steps of half a millisecond. Each tk is weighed by how much likelier
// the fitted loss is for a ball's (kinkLoss ± kinkLossSigma) than for none.
func (s *scene) kink(f *fitted) Kink {
	top, v := 0, 0.0
	for i := range f.x {
		if w := tipSpeed(&f.x[i]); w > v {
			top, v = i, w
		}
	}
	if v < swungInS {
		return Kink{}
	}
	t0 := s.sights[top].Ms / 1000
	pts := s.kinkPoints(f, t0)
	if 2*len(pts) < 2*(kinkOrder+1)+2+kinkSpare {
		return Kink{}
	}
	var times, gains []float64
	var best Kink
	for t := pts[kinkEdge-1].t; t <= pts[len(pts)-kinkEdge].t; t += kinkStepS {
		vx, vy := s.velocityAt(f, t0+t)
		loss, sigma, ok := fitKink(pts, t, vx, vy)
		if !ok {
			continue
		}
		both := math.Hypot(sigma, kinkLossSigma)
		gain := (sq(loss/sigma)-sq((loss-kinkLoss)/both))/2 + math.Log(sigma/both)
		if len(gains) == 0 || gain > best.LogLR {
			best = Kink{Found: true, LossRel: loss, Sigma: sigma, LogLR: gain}
		}
		times, gains = append(times, t), append(gains, gain)
	}
	if !best.Found {
		return Kink{}
	}
	var w, m1, m2 float64
	for i, t := range times {
		e := math.Exp(gains[i] - best.LogLR)
		w, m1, m2 = w+e, m1+e*t, m2+e*t*t
	}
	m1, m2 = m1/w, m2/w
	best.LogLR += math.Log(w / float64(len(times)))
	best.Ms = (t0 + m1) * 1000
	best.SigmaMs = 1000 * math.Hypot(math.Sqrt(math.Max(0, m2-m1*m1)), s.gaps[top]/math.Sqrt(12))
	return best
}

// kinkPoints are the tips seen and believed around t0.
func (s *scene) kinkPoints(f *fitted, t0 float64) []kinkPoint {
	var pts []kinkPoint
	for i := range s.sights {
		t := s.sights[i].Ms/1000 - t0
		if math.Abs(t) > kinkHalfS || f.picks[i].tip < 0 || f.trust[i].tip < kinkTrust {
			continue
		}
		p := s.tips[i][f.picks[i].tip]
		pts = append(pts, kinkPoint{t, p.X / s.scale, p.Y / s.scale})
	}
	return pts
}

func tipSpeed(x *vec) float64 { return math.Hypot(x[kx+1]+x[dx+1], x[ky+1]+x[dy+1]) }

// velocityAt is the smooth path's tip velocity, in/s, between frames.
func (s *scene) velocityAt(f *fitted, t float64) (vx, vy float64) {
	i := 0
	for i+1 < len(s.sights)-1 && s.sights[i+1].Ms/1000 <= t {
		i++
	}
	a, b := s.sights[i].Ms/1000, s.sights[i+1].Ms/1000
	u := (t - a) / (b - a)
	p, q := &f.x[i], &f.x[i+1]
	return (1-u)*(p[kx+1]+p[dx+1]) + u*(q[kx+1]+q[dx+1]), (1-u)*(p[ky+1]+p[dy+1]) + u*(q[ky+1]+q[dy+1])
}

// fitKink solves for both polynomials and the loss at a given kink time, and
// gives the loss's standard error from the residuals.
func fitKink(pts []kinkPoint, tk, vx, vy float64) (loss, sigma float64, ok bool) {
	m, per := len(pts), kinkOrder+1
	a, z := mat.NewDense(2*m, 2*per+1, nil), mat.NewVecDense(2*m, nil)
	for i, p := range pts {
		u, late := 1.0, math.Max(0, p.t-tk)
		for k := range per {
			a.Set(i, k, u)
			a.Set(m+i, per+k, u)
			u *= p.t / kinkHalfS
		}
		a.Set(i, 2*per, -vx*late)
		a.Set(m+i, 2*per, -vy*late)
		z.SetVec(i, p.x)
		z.SetVec(m+i, p.y)
	}
	var qr mat.QR
	qr.Factorize(a)
	var c, r mat.VecDense
	if err := qr.SolveVecTo(&c, false, z); err != nil {
		return 0, 0, false
	}
	r.MulVec(a, &c)
	r.SubVec(z, &r)
	noise := math.Max(kinkNoise, math.Sqrt(mat.Dot(&r, &r)/float64(2*m-2*per-1)))
	// The standard error of the last unknown is the noise over the last
	// diagonal of R.
	var rr mat.Dense
	qr.RTo(&rr)
	sigma = noise / math.Abs(rr.At(2*per, 2*per))
	return c.AtVec(2 * per), sigma, sigma > 0 && !math.IsInf(sigma, 0)
}

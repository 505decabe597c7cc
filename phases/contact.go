package phases

import (
	"math"

	"nightcage/vision"
)

// What is known of contact before looking at the bat's sudden slowing.
//
//   - Tip speed peaks within about 25 ms of contact; Welch et al. 1995 put the
//     peak 15 ms before it, tee studies nearer. Mean 5, sd 12 ms after the peak.
//   - The bat is near square to the line of the pitch: a fair ball leaves
//     within 45 degrees of it and its heading turns with the bat's by one to
//     two times, so most contacts lie within 15 degrees (one sd).
//   - The bat loses 9 to 14 % of its turn rate to the ball.
const (
	afterPeakMs, afterPeakSMs = 5, 12
	squareSDeg                = 15
	slowing, slowingS         = 0.115, 0.04
	searchMs                  = 60 // contact lies this near the peak of tip speed
)

// contactTime fuses, on one grid of times, the ball where it was seen, the
// bat's sudden slowing, its heading and the peak of tip speed.
func (r *reading) contactTime(b batPath) finding {
	if b.peakSpeed == 0 {
		return missing("the bat was not followed through the swing")
	}
	p := grid(b.peak-searchMs, b.peak+searchMs, r.dt/10)
	p.normal(b.peak+afterPeakMs, afterPeakSMs)
	evidence := []string{"peak of tip speed"}
	if label, ok := r.square(b, p); ok {
		evidence = append(evidence, label)
	}
	_, without, _ := p.moments()
	n := b.seenTip.x.between(b.peak-30, b.peak+30).len()
	if r.kink(b, p) {
		_, with, _ := p.moments()
		if with < 0.8*without {
			evidence = append(evidence, "the bat's sudden slowing")
		}
	}
	if r.ballMeetsBat(b, p) {
		evidence = append(evidence, "ball meets bat")
	}
	mean, sd, _ := p.moments()
	return finding{t: mean, sd: floorSigma(sd, r.dt, n), confidence: math.Exp(-sd / 40), evidence: evidence}
}

// square multiplies p by how likely contact is at each time's bat heading.
func (r *reading) square(b batPath, p posterior) (string, bool) {
	half := math.Max(10, 2*r.dt)
	if b.dir.x.len() >= minFrames {
		sd := math.Hypot(squareSDeg, r.track.Solution.YawSigmaDeg)
		used := false
		for i, t := range p.t {
			x, _, _, _, ok1 := b.dir.x.local(t, half, 2)
			z, _, _, _, ok2 := b.dir.z.local(t, half, 2)
			if ok1 && ok2 {
				a := math.Atan2(x, z) * 180 / math.Pi / sd
				p.logp[i] -= a * a / 2
				used = true
			} else {
				p.logp[i] -= 4.5
			}
		}
		return "bat square to the pitch, in three dimensions", used
	}
	yaw, ok := r.sideYaw()
	if !ok || !(b.length > 0) {
		return "", false
	}
	// Along the picture, toward the pitcher, the bat shows
	// length*cos(elevation)*sin(heading-yaw); bats at contact dip 20-35
	// degrees, cos 0.88.
	full := 0.88 * b.length
	sd := math.Hypot(squareSDeg, math.Max(r.track.Sighting.SigmaDeg, 5))
	used := false
	for i, t := range p.t {
		x, _, _, _, ok := b.axis.x.local(t, half, 2)
		if !ok {
			p.logp[i] -= 4.5
			continue
		}
		used = true
		s := math.Max(-1, math.Min(1, r.pitcher*x/full))
		a := (math.Asin(s)*180/math.Pi + yaw) / sd
		p.logp[i] -= a * a / 2
	}
	return "view from the side: bat square to the pitch", used
}

// sideYaw is the camera's angle off the side view, positive toward the
// pitcher, whether it looks at the chest or the back; ok only within 50
// degrees of the side.
func (r *reading) sideYaw() (deg float64, ok bool) {
	if r.pitcher == 0 {
		return 0, false
	}
	y := r.track.Sighting.YawDeg
	if r.track.Sighting.View == vision.ViewUnknown || r.track.Sighting.View == "" {
		return 0, false
	}
	if math.Abs(y) > 90 {
		y -= math.Copysign(180, y)
	}
	return y, math.Abs(y) <= 50
}

// kink multiplies p by how well a sudden loss of slowing +- slowingS of the
// bat's turn at each time explains the tip's path about the knob. The path
// itself is a Gaussian process with squared-exponential covariance whose length
// scale and noise are averaged over, so the track sets its own smoothness.
func (r *reading) kink(b batPath, p posterior) bool {
	half := math.Max(25, 2.5*r.dt)
	var t []float64
	var y [2][]float64
	var sd []float64
	for i, ti := range b.seenTip.x.t {
		if ti < b.peak-75 || ti > b.peak+75 {
			continue
		}
		ty := b.seenTip.y.at(ti)
		kx, _, skx, _, ok1 := b.knob.x.local(ti, half, 2)
		ky, _, _, _, ok2 := b.knob.y.local(ti, half, 2)
		if !ok1 || !ok2 || math.IsNaN(ty) {
			continue
		}
		t = append(t, ti)
		y[0], y[1] = append(y[0], b.seenTip.x.x[i]-kx), append(y[1], ty-ky)
		sd = append(sd, math.Hypot(b.seenTip.x.sd[i], skx))
	}
	if len(t) < 8 {
		return false
	}
	amp := b.length
	type hyper struct{ ell, noise float64 }
	var logs [][]float64
	var weights []float64
	for _, ell := range []float64{16, 22, 30, 42, 60} {
		for _, noise := range []float64{0.7, 1, 1.4, 2, 2.8} {
			l, ev, ok := kinkLikelihood(t, y, sd, amp, ell, noise, p.t)
			if ok {
				logs, weights = append(logs, l), append(weights, ev)
			}
		}
	}
	if len(logs) == 0 {
		return false
	}
	top := math.Inf(-1)
	for _, w := range weights {
		top = math.Max(top, w)
	}
	for i := range p.t {
		m := math.Inf(-1)
		for k := range logs {
			m = math.Max(m, logs[k][i]+weights[k]-top)
		}
		s := 0.0
		for k := range logs {
			s += math.Exp(logs[k][i] + weights[k] - top - m)
		}
		p.logp[i] += m + math.Log(s)
	}
	return true
}

// kinkLikelihood returns, for each time in at, the log likelihood ratio of a
// kink there against none, and the log evidence of the smooth path with the
// given length scale (ms) and noise factor.
//
// With path covariance K = amp^2*exp(-dt^2/(2*ell^2)) + (noise*sd)^2 on the
// diagonal for either axis, and u = v*(t-tau)+ the extra way an unslowed bat
// would have gone, the data's mean shifts by -k*u with k ~ N(slowing,
// slowingS^2). With S = sum u'K^-1 u and z = -sum u'K^-1 y:
//
//	log ratio = (z + k0/s^2)^2 / (2*(S+1/s^2)) - k0^2/(2*s^2) - log(1+S*s^2)/2
//
// v is the path's own velocity at tau as the smooth path has it.
func kinkLikelihood(t []float64, y [2][]float64, sd []float64, amp, ell, noise float64, at []float64) (ratio []float64, evidence float64, ok bool) {
	n := len(t)
	k := newMatrix(n)
	for i := range n {
		for j := 0; j <= i; j++ {
			d := (t[i] - t[j]) / ell
			k[i][j] = amp * amp * math.Exp(-d*d/2)
		}
		k[i][i] += noise * noise * sd[i] * sd[i]
	}
	if !cholesky(k) {
		return nil, 0, false
	}
	var alpha, half [2][]float64
	for c := range y {
		half[c] = halfSolve(k, y[c])
		alpha[c] = cholSolve(k, y[c])
		for i := range n {
			evidence -= half[c][i]*half[c][i]/2 + math.Log(k[i][i])
		}
	}
	ratio = make([]float64, len(at))
	iv := 1 / (slowingS * slowingS)
	u := make([]float64, n)
	for g, tau := range at {
		for i := range n {
			u[i] = math.Max(0, t[i]-tau)
		}
		h := halfSolve(k, u)
		uu := 0.0
		for i := range n {
			uu += h[i] * h[i]
		}
		var s, z float64
		for c := range y {
			v, uy := 0.0, 0.0
			for i := range n {
				d := tau - t[i]
				v -= d / (ell * ell) * amp * amp * math.Exp(-d*d/(2*ell*ell)) * alpha[c][i]
				uy += h[i] * half[c][i]
			}
			s += v * v * uu
			z -= v * uy
		}
		q := z + slowing*iv
		ratio[g] = q*q/(2*(s+iv)) - slowing*slowing*iv/2 - math.Log(1+s/iv)/2
	}
	return ratio, evidence, true
}

// ballMeetsBat multiplies p by where the ball's way in and way out meet, or,
// without a way out, by where the incoming ball reaches the bat.
func (r *reading) ballMeetsBat(b batPath, p posterior) bool {
	ball := r.trace(func(f *vision.Frame) vision.Mark { return f.Ball })
	prior, sd, _ := p.moments()
	in := trace{ball.x.between(prior-200, prior), ball.y.between(prior-200, prior)}
	if ball.x.len() < 4 || in.x.len() < 3 {
		return false
	}
	_ = sd
	// The direction in which the ball turns round: along the picture.
	best, bestT, bestSD := math.Inf(1), 0.0, 0.0
	lo, hi := p.t[0], p.t[len(p.t)-1]
	for cut := lo; cut <= hi; cut += r.dt {
		a, b2 := ball.x.between(cut-120, cut), ball.x.between(cut, cut+120)
		ay, by := ball.y.between(cut-120, cut), ball.y.between(cut, cut+120)
		if a.len() < 3 || b2.len() < 3 {
			continue
		}
		la, ma, ca, fa := line(a, cut)
		lb, mb, cb, fb := line(b2, cut)
		_, _, _, fay := line(ay, cut)
		_, _, _, fby := line(by, cut)
		misfit := fa + fb + fay + fby
		if misfit < best && math.Abs(mb-ma) > 1e-9 {
			best = misfit
			dt := -(lb - la) / (mb - ma)
			bestT = cut + dt
			bestSD = math.Sqrt(ca+cb) / math.Abs(mb-ma)
		}
	}
	if math.IsInf(best, 1) || bestT < lo || bestT > hi {
		return false
	}
	p.normal(bestT, math.Max(bestSD, 0.3)+0.2)
	return true
}

// line fits v + m*(t-t0) and returns v, m, the variance of v and chi^2.
func line(s series, t0 float64) (v, m, variance, chi2 float64) {
	var s0, s1, s2, y0, y1 float64
	for i, t := range s.t {
		w := 1 / (s.sd[i] * s.sd[i])
		u := t - t0
		s0, s1, s2 = s0+w, s1+w*u, s2+w*u*u
		y0, y1 = y0+w*s.x[i], y1+w*u*s.x[i]
	}
	det := s0*s2 - s1*s1
	if det <= 0 {
		return math.NaN(), math.NaN(), math.Inf(1), math.Inf(1)
	}
	v, m = (s2*y0-s1*y1)/det, (s0*y1-s1*y0)/det
	for i, t := range s.t {
		e := (s.x[i] - v - m*(t-t0)) / s.sd[i]
		chi2 += e * e
	}
	return v, m, s2 / det, chi2
}

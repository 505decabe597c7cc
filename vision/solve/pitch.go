package solve

import (
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
)

// A pitch flies from the pitcher to the plate: its path is the X axis turned by
// some 2 deg at most sideways (a release 2 ft off the line from the plate to
// the middle of the pitcher's plate, 55 ft away, and a foot in or out at the
// plate).
const pitchSidewaysSigma = 2.2 * math.Pi / 180

const (
	pitchMarks  = 6    // fewer marks of the ball before contact than this tell no direction
	pitchSpanMs = 25.0 // nor do marks over less time
	pitchEndMs  = 40.0 // marks later than this before the barrel's fastest image may be of the ball already hit
	pitchBegins = 400.0
)

// pitchPath is a ball's image under perspective: a point that moves steadily in
// space, sinking, has u = (a0 + a1 t)/(1 + c t) and v = (b0 + b1 t + b2 t^2)/(1 + c t).
// Its direction in space is (a1, b1, c f).
type pitchPath struct {
	q     [6]float64 // a0 a1 b0 b1 b2 c; t in s from the last mark
	cov   *mat.SymDense
	n     int
	scale float64 // root mean square misfit over sigma
}

func (p *pitchPath) at(t float64) (u, v float64) {
	w := 1 + p.q[5]*t
	return (p.q[0] + p.q[1]*t) / w, (p.q[2] + p.q[3]*t + p.q[4]*t*t) / w
}

// fitPitch fits the path to the ball's marks before it turns (or well before the
// barrel's peak, for want of a turn) by Gauss-Newton, marks far off given little
// weight.
func fitPitch(looks []look, peakMs float64) (*pitchPath, bool) {
	until := peakMs - pitchEndMs
	if turn, _, ok := ballTurn(looks, peakMs); ok {
		until = turn
	}
	var at []look
	for i := range looks {
		if ms := looks[i].ms; looks[i].ball.ok && ms > peakMs-pitchBegins && ms < until {
			at = append(at, looks[i])
		}
	}
	n := len(at)
	if n < pitchMarks || at[n-1].ms-at[0].ms < pitchSpanMs {
		return nil, false
	}
	p := &pitchPath{n: n}
	end := at[n-1].ms
	line := pathOf(at)
	p.q = [6]float64{line.u + line.vu*end, line.vu * 1000, line.v + line.vv*end, line.vv * 1000, 0, 0}
	for range 20 {
		normal := mat.NewSymDense(6, nil)
		rhs := mat.NewVecDense(6, nil)
		sum := 0.0
		for i := range at {
			t, s := (at[i].ms-end)/1000, at[i].ball.sigma
			w := 1 + p.q[5]*t
			u, v := p.at(t)
			ju := [6]float64{1 / w, t / w, 0, 0, 0, -u * t / w}
			jv := [6]float64{0, 0, 1 / w, t / w, t * t / w, -v * t / w}
			ru, rv := u-at[i].ball.u, v-at[i].ball.v
			z := math.Hypot(ru, rv) / s
			k := robust(z) / (s * s)
			sum += min(z*z, 9)
			for x := range 6 {
				for y := x; y < 6; y++ {
					normal.SetSym(x, y, normal.At(x, y)+k*(ju[x]*ju[y]+jv[x]*jv[y]))
				}
				rhs.SetVec(x, rhs.AtVec(x)-k*(ju[x]*ru+jv[x]*rv))
			}
		}
		var chol mat.Cholesky
		if !chol.Factorize(normal) {
			return nil, false
		}
		var step mat.VecDense
		if err := chol.SolveVecTo(&step, rhs); err != nil {
			return nil, false
		}
		p.cov = mat.NewSymDense(6, nil)
		if err := chol.InverseTo(p.cov); err != nil {
			return nil, false
		}
		for x := range 6 {
			p.q[x] += step.AtVec(x)
		}
		p.scale = math.Sqrt(sum / float64(2*n-6))
		if math.Abs(step.AtVec(5)) < 1e-6 {
			break
		}
	}
	return p, true
}

// yawFromPitch is the yaw at which the pitch flies against the X axis. ok is
// false without a ball that was seen long enough before contact.
func (w *work) yawFromPitch() (angleGuess, bool) {
	p, ok := fitPitch(w.scene.looks, w.scene.looks[w.moments.peak].ms)
	if !ok || p.scale > 3 {
		return angleGuess{}, false
	}
	c := &w.cam
	yaw := func(q [6]float64) float64 {
		v := r3.Vec{X: q[1] / c.f, Y: q[3] / c.f, Z: q[5]}
		// the X axis points where the ball comes from
		return math.Atan2(r3.Dot(v, c.away), -r3.Dot(v, c.right))
	}
	at := yaw(p.q)
	var g [6]float64
	for k, h := range [6]float64{1: 1, 3: 1, 5: 1e-3} {
		if h == 0 {
			continue
		}
		q := p.q
		q[k] += h
		g[k] = wrap(yaw(q)-at) / h
	}
	sum := 0.0
	for x := range 6 {
		for y := range 6 {
			sum += g[x] * g[y] * p.cov.At(x, y)
		}
	}
	// the focal length turns the direction, too: tan(yaw) goes with it
	lens := math.Sin(2*at) / 2 * c.fSigmaRel
	sigma := math.Sqrt(sum*max(1, sq(p.scale)) + sq(lens) + sq(pitchSidewaysSigma))
	return angleGuess{at, sigma}, true
}

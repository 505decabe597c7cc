package path

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

const (
	gravityInS2 = 386.1 // standard gravity, 9.80665 m/s²

	// Priors of a flight's fit, standard deviations. Drag and spin bend a ball's
	// way by up to about its weight in any direction; it nears the camera (or
	// leaves it) by up to 1000 in/s from 250 in away.
	bendSigmaG       = 1.0
	nearingSigmaPerS = 4.0

	softSigma = 2.5 // residuals beyond this many standard errors count less and less
	rounds    = 12  // of Gauss-Newton at most
	settled   = 1e-3
)

// params of a flight, in order.
const (
	px0 = iota
	px1
	px2
	py0
	py1
	py2
	pw
	numParams
)

// flight is x = o.x + (p0 + p1*t + p2*t²)/(1 + w*t), y alike, t in seconds
// since ms. A straight line in space seen by a pinhole camera has this form
// with p2 = 0 whatever its direction, w being how fast the ball leaves along
// the line of sight as a share of its distance; gravity adds p2 in y.
type flight struct {
	ms   float64
	o    point
	p    [numParams]float64
	cov  *mat.SymDense
	chi2 float64 // mean squared residual over sigma², soft
	n    int
}

// fit fits a flight, told from ms, to sightings. It needs two at least; what
// few cannot say the priors do.
func (f *field) fit(of []*sighting, ms float64) (*flight, bool) {
	if len(of) < 2 {
		return nil, false
	}
	near := of[0]
	for _, s := range of {
		if math.Abs(f.frames[s.frame].Ms-ms) < math.Abs(f.frames[near.frame].Ms-ms) {
			near = s
		}
	}
	in := f.o.PxPerIn
	fl := &flight{ms: ms, o: near.at(), n: len(of)}
	var prior, mean [numParams]float64 // prior: 1/sigma²
	mean[py2] = gravityInS2 / 2 * in
	prior[px2] = 1 / sq(bendSigmaG*gravityInS2/2*in)
	prior[py2] = prior[px2]
	prior[pw] = 1 / sq(nearingSigmaPerS)
	fl.p[py2] = mean[py2]
	a, b := of[0], of[len(of)-1]
	v := b.at().minus(a.at())
	dt := f.seconds(a.frame, b.frame)
	fl.p[px1], fl.p[py1] = v.x/dt, v.y/dt
	h := mat.NewSymDense(numParams, nil)
	g := mat.NewVecDense(numParams, nil)
	step := mat.NewVecDense(numParams, nil)
	var ch mat.Cholesky
	for round := range rounds {
		h.Zero()
		g.Zero()
		for i := range numParams {
			h.SetSym(i, i, prior[i])
			g.SetVec(i, prior[i]*(mean[i]-fl.p[i]))
		}
		before := fl.chi2
		fl.chi2 = 0
		for _, s := range of {
			at, jx, jy, ok := fl.at(f.frames[s.frame].Ms)
			if !ok {
				return nil, false
			}
			r := s.at().minus(at)
			e := r.length() / s.sigma()
			soft := 1 / (1 + sq(e/softSigma))
			fl.chi2 += soft * e * e / float64(2*len(of))
			w := soft / sq(s.sigma())
			for i := range numParams {
				g.SetVec(i, g.AtVec(i)+w*(jx[i]*r.x+jy[i]*r.y))
				for j := i; j < numParams; j++ {
					h.SetSym(i, j, h.At(i, j)+w*(jx[i]*jx[j]+jy[i]*jy[j]))
				}
			}
		}
		if !ch.Factorize(h) || ch.SolveVecTo(step, g) != nil {
			return nil, false
		}
		for i := range numParams {
			fl.p[i] += step.AtVec(i)
		}
		if round > 1 && math.Abs(fl.chi2-before) < settled*(1+fl.chi2) {
			break
		}
	}
	fl.cov = mat.NewSymDense(numParams, nil)
	return fl, ch.InverseTo(fl.cov) == nil
}

// at is the place at a time, and its derivatives by the parameters; ok is false
// where the line has passed through the camera.
func (fl *flight) at(ms float64) (p point, jx, jy [numParams]float64, ok bool) {
	t := (ms - fl.ms) / 1000
	d := 1 + fl.p[pw]*t
	if d < 0.1 {
		return p, jx, jy, false
	}
	x := (fl.p[px0] + fl.p[px1]*t + fl.p[px2]*t*t) / d
	y := (fl.p[py0] + fl.p[py1]*t + fl.p[py2]*t*t) / d
	jx[px0], jx[px1], jx[px2], jx[pw] = 1/d, t/d, t*t/d, -x*t/d
	jy[py0], jy[py1], jy[py2], jy[pw] = 1/d, t/d, t*t/d, -y*t/d
	return point{fl.o.x + x, fl.o.y + y}, jx, jy, true
}

// place is at without the derivatives.
func (fl *flight) place(ms float64) (point, bool) {
	p, _, _, ok := fl.at(ms)
	return p, ok
}

// velocity is px per second at a time.
func (fl *flight) velocity(ms float64) point {
	const h = 0.05 // ms; the form is smooth over tens of them
	a, _, _, _ := fl.at(ms - h)
	b, _, _, _ := fl.at(ms + h)
	return point{(b.x - a.x) / (2 * h) * 1000, (b.y - a.y) / (2 * h) * 1000}
}

// spread is the covariance of the place at a time: xx, xy, yy, px².
func (fl *flight) spread(ms float64) (xx, xy, yy float64) {
	_, jx, jy, _ := fl.at(ms)
	for i := range numParams {
		for j := range numParams {
			c := fl.cov.At(i, j)
			xx, xy, yy = xx+jx[i]*c*jx[j], xy+jx[i]*c*jy[j], yy+jy[i]*c*jy[j]
		}
	}
	return xx, xy, yy
}

// velocitySpread is the covariance of the velocity at fl.ms, (px/s)². There
// velocity = (p1 - p0*w, q1 - q0*w).
func (fl *flight) velocitySpread() (xx, xy, yy float64) {
	var jx, jy [numParams]float64
	jx[px0], jx[px1], jx[pw] = -fl.p[pw], 1, -fl.p[px0]
	jy[py0], jy[py1], jy[pw] = -fl.p[pw], 1, -fl.p[py0]
	for i := range numParams {
		for j := range numParams {
			c := fl.cov.At(i, j)
			xx, xy, yy = xx+jx[i]*c*jx[j], xy+jx[i]*c*jy[j], yy+jy[i]*c*jy[j]
		}
	}
	return xx, xy, yy
}

// meeting is where two flights cross.
type meeting struct {
	ms, sigmaMs float64
	at          point
	chi2        float64 // of one degree of freedom: how far they miss each other
	missPx      float64 // standard error of that
}

// meet finds the crossing of in and out between two times. shapePx is how far
// the ball's outline misplaces its middle, not alike on both ways.
func meet(in, out *flight, from, to, shapePx float64) (meeting, bool) {
	best := meeting{chi2: math.Inf(1)}
	// Steps far finer than any crossing can be known.
	const steps = 400
	for k := range steps + 1 {
		t := from + (to-from)*float64(k)/steps
		a, _, _, ok1 := in.at(t)
		b, _, _, ok2 := out.at(t)
		if !ok1 || !ok2 {
			continue
		}
		d := b.minus(a)
		ax, ab, ay := in.spread(t)
		bx, bb, by := out.spread(t)
		xx, xy, yy := ax+bx+sq(shapePx), ab+bb, ay+by+sq(shapePx)
		det := xx*yy - xy*xy
		chi2 := (yy*d.x*d.x - 2*xy*d.x*d.y + xx*d.y*d.y) / det
		if chi2 < best.chi2 {
			v := out.velocity(t).minus(in.velocity(t))
			info := (yy*v.x*v.x - 2*xy*v.x*v.y + xx*v.y*v.y) / det // per s²
			// The better known of the two says where.
			wa, wb := 1/(ax+ay), 1/(bx+by)
			across := (xx*v.y*v.y - 2*xy*v.x*v.y + yy*v.x*v.x) / v.dot(v)
			best = meeting{ms: t, sigmaMs: 1000 / math.Sqrt(info), chi2: chi2, missPx: math.Sqrt(across), at: a.along(d, wb/(wa+wb))}
		}
	}
	return best, !math.IsInf(best.chi2, 1)
}

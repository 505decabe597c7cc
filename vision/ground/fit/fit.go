package fit

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/mat"
)

// Errors that Fit returns.
var (
	// ErrSky: a corner lies above the horizon of any camera that could be meant.
	ErrSky = errors.New("the marks are not below the horizon")
	// ErrLoose: the marks leave the camera open.
	ErrLoose = errors.New("the marks do not fix the camera")
)

// Order of the unknowns, and of Result.Cov.
const (
	focal = iota // log
	tilt
	roll
	up // log
	yaw
	right // inches
	away
	size // log
	numUnknowns
)

// Result is a fitted camera.
type Result struct {
	Camera
	Cov        *mat.SymDense // of the unknowns; widened when the marks scatter more than their errors
	Chi2       float64       // of everything, priors included
	Freedom    int
	CornerChi2 float64
}

// FocalSigmaRel and the like are standard errors, relative or in radians.
func (r *Result) FocalSigmaRel() float64 { return math.Sqrt(r.Cov.At(focal, focal)) }

// TiltSigma is in radians.
func (r *Result) TiltSigma() float64 { return math.Sqrt(r.Cov.At(tilt, tilt)) }

// RollSigma is in radians.
func (r *Result) RollSigma() float64 { return math.Sqrt(r.Cov.At(roll, roll)) }

// YawSigma is in radians.
func (r *Result) YawSigma() float64 { return math.Sqrt(r.Cov.At(yaw, yaw)) }

// HipsScale is px per inch at the hitter's hips, its relative standard error
// with the focal length held, and by how much its log moves with the focal
// length's. The Hitter's own Scale is not looked at: give it to Fit or not.
func (r *Result) HipsScale(h *Hitter) (pxPerIn, sigmaRel, perFocal float64) {
	q := r.Camera.unknowns()
	at := math.Log(h.scale(&r.Camera))
	var g [numUnknowns]float64
	for k := range g {
		moved := q
		moved[k] += steps[k]
		c := moved.camera()
		g[k] = (math.Log(h.scale(&c)) - at) / steps[k]
	}
	var all, withFocal float64
	for i := range g {
		withFocal += g[i] * r.Cov.At(i, focal)
		for j := range g {
			all += g[i] * g[j] * r.Cov.At(i, j)
		}
	}
	vf := r.Cov.At(focal, focal)
	return math.Exp(at), math.Sqrt(max(0, all-withFocal*withFocal/vf)), withFocal / vf
}

type unknowns [numUnknowns]float64

// steps of the numerical derivatives.
var steps = unknowns{1e-5, 1e-6, 1e-6, 1e-5, 1e-6, 1e-3, 1e-3, 1e-5}

func (c *Camera) unknowns() unknowns {
	return unknowns{math.Log(c.FocalPx), c.Tilt, c.Roll, math.Log(c.UpIn), c.Yaw, c.Right, c.Away, math.Log(c.PlateSize)}
}

func (q unknowns) camera() Camera {
	c := Camera{FocalPx: math.Exp(q[focal]), Tilt: q[tilt], Roll: q[roll], UpIn: math.Exp(q[up]), Yaw: q[yaw],
		Right: q[right], Away: q[away], PlateSize: math.Exp(q[size])}
	c.axes()
	return c
}

// start is a camera of the prior's lens and height whose tilt and distance put
// the plate's middle where it is and give it its width; then the plate is turned
// and moved to its corners on the ground.
func (m *Marks) start(pr *Prior) (Camera, error) {
	var u, v, wide float64
	for i, k := range m.Corners {
		u, v = u+k.U/5, v+k.V/5
		for _, o := range m.Corners[:i] {
			wide = max(wide, math.Hypot(k.U-o.U, k.V-o.V))
		}
	}
	// 17 to 19 in across, whichever way it is seen
	depth := pr.FocalPx / (wide / 18)
	far := depth * math.Sqrt(1+(u*u+v*v)/(pr.FocalPx*pr.FocalPx))
	c := Camera{FocalPx: pr.FocalPx, UpIn: pr.UpIn, PlateSize: 1}
	c.Tilt = math.Asin(min(0.9, pr.UpIn/far)) - math.Atan2(v, pr.FocalPx)
	c.axes()
	var px, pz, sin, cos float64
	var on [5]Place
	for i, k := range m.Corners {
		p, ok := c.Below(k, 0)
		if !ok {
			return c, ErrSky
		}
		on[i] = p
		px, pz = px+p.X/5, pz+p.Z/5
	}
	for i, p := range PlateCorners { // their own middle is at X 1.7
		x, z := p.X-1.7, p.Z
		gx, gz := on[i].X-px, on[i].Z-pz
		cos += x*gx + z*gz
		sin += x*gz - z*gx
	}
	// Yaw turns X to -away; places on came out at yaw 0, with Z toward the camera.
	turn := math.Atan2(sin, cos)
	c.Right, c.Away, c.Yaw = px, -pz, turn
	c.axes()
	return c, nil
}

// Fit finds the camera by Levenberg's and Marquardt's method.
func Fit(m *Marks, pr *Prior) (*Result, error) {
	c, err := m.start(pr)
	if err != nil {
		return nil, err
	}
	q := c.unknowns()
	r := m.residuals(&c, pr, nil)
	chi2, damp := square(r), 1e-3
	normal := mat.NewSymDense(numUnknowns, nil)
	for range 60 {
		rhs := m.linearise(q, pr, r, normal)
		next, ok := step(q, normal, rhs, damp)
		if !ok {
			return nil, ErrLoose
		}
		cn := next.camera()
		rn := m.residuals(&cn, pr, nil)
		if s := square(rn); s < chi2 {
			done := chi2-s < 1e-6*(1+chi2)
			q, r, chi2, damp = next, rn, s, damp/5
			if done {
				break
			}
			continue
		}
		if damp *= 4; damp > 1e8 {
			break
		}
	}
	return m.result(q, pr, r)
}

func (m *Marks) result(q unknowns, pr *Prior, r []float64) (*Result, error) {
	normal := mat.NewSymDense(numUnknowns, nil)
	m.linearise(q, pr, r, normal)
	var chol mat.Cholesky
	cov := mat.NewSymDense(numUnknowns, nil)
	if !chol.Factorize(normal) || chol.InverseTo(cov) != nil {
		return nil, ErrLoose
	}
	out := &Result{Camera: q.camera(), Cov: cov, Chi2: square(r), Freedom: len(r) - numUnknowns, CornerChi2: square(r[:10])}
	if wide := out.Chi2 / float64(out.Freedom); wide > 1 {
		cov.ScaleSym(wide, cov)
	}
	return out, nil
}

// linearise sets the normal matrix and returns the right-hand side.
func (m *Marks) linearise(q unknowns, pr *Prior, r []float64, normal *mat.SymDense) *mat.VecDense {
	jac := mat.NewDense(len(r), numUnknowns, nil)
	var moved []float64
	for k := range q {
		p := q
		p[k] += steps[k]
		c := p.camera()
		moved = m.residuals(&c, pr, moved[:0])
		for i := range r {
			jac.Set(i, k, (moved[i]-r[i])/steps[k])
		}
	}
	normal.Zero()
	normal.SymOuterK(1, jac.T())
	rhs := mat.NewVecDense(numUnknowns, nil)
	rhs.MulVec(jac.T(), mat.NewVecDense(len(r), r))
	return rhs
}

func step(q unknowns, normal *mat.SymDense, rhs *mat.VecDense, damp float64) (unknowns, bool) {
	damped := mat.NewSymDense(numUnknowns, nil)
	damped.CopySym(normal)
	for k := range numUnknowns {
		damped.SetSym(k, k, normal.At(k, k)*(1+damp))
	}
	var chol mat.Cholesky
	if !chol.Factorize(damped) {
		return q, false
	}
	var dx mat.VecDense
	if chol.SolveVecTo(&dx, rhs) != nil {
		return q, false
	}
	for k := range q {
		q[k] -= dx.AtVec(k)
	}
	return q, true
}

func square(r []float64) (s float64) {
	for _, x := range r {
		s += x * x
	}
	return s
}

package truth

import (
	"fmt"
	"math"

	"nightcage/vision"
)

// Project returns where a swing-frame point lands in the picture of a camera
// with matrix p, px. ok is false behind the camera.
func (p Projection) Project(v vision.Vec3) (x, y float64, ok bool) {
	var h [3]float64
	for i := range h {
		h[i] = p[i][0]*v.X + p[i][1]*v.Y + p[i][2]*v.Z + p[i][3]
	}
	return h[0] / h[2], h[1] / h[2], h[2] > 0
}

// PxPerIn is the picture scale at a swing-frame point: the mean of the two
// singular values of the projection's Jacobian there (px per inch along the
// two directions of space that the picture shows best). On the optical axis
// both equal f/z. It is NaN behind the camera.
func (p Projection) PxPerIn(v vision.Vec3) float64 {
	x, y, ok := p.Project(v)
	if !ok {
		return math.NaN()
	}
	w := p[2][0]*v.X + p[2][1]*v.Y + p[2][2]*v.Z + p[2][3]
	var a, b, c float64 // J*J' = [a b; b c]
	for j := range 3 {
		jx := (p[0][j] - x*p[2][j]) / w
		jy := (p[1][j] - y*p[2][j]) / w
		a, b, c = a+jx*jx, b+jx*jy, c+jy*jy
	}
	half, root := (a+c)/2, math.Hypot((a-c)/2, b)
	return (math.Sqrt(half+root) + math.Sqrt(max(half-root, 0))) / 2
}

// camera splits a projection into the file's focal length and principal point
// and the turn and place that remain. It fails when those do not make a
// rotation (possibly mirrored).
func (f *File) camera(p Projection) (vision.Camera, error) {
	c := vision.Camera{FocalPx: f.Camera.FocalPx, CX: f.Camera.CX, CY: f.Camera.CY, From: []string{"truth"}}
	var t [3]float64
	for j := range 4 {
		col := [3]float64{(p[0][j] - c.CX*p[2][j]) / c.FocalPx, (p[1][j] - c.CY*p[2][j]) / c.FocalPx, p[2][j]}
		for i := range 3 {
			if j < 3 {
				c.R[3*i+j] = col[i]
			} else {
				t[i] = col[i]
			}
		}
	}
	// Numbers in the file carry at least six digits.
	const tol = 1e-4
	for i := range 3 {
		for k := range 3 {
			dot := 0.0
			for j := range 3 {
				dot += c.R[3*i+j] * c.R[3*k+j]
			}
			want := 0.0
			if i == k {
				want = 1
			}
			if !(math.Abs(dot-want) < tol) {
				return vision.Camera{}, fmt.Errorf("camera matrix is not f=%.1f px at (%.1f, %.1f) times a rotation: rows %d, %d give %g",
					c.FocalPx, c.CX, c.CY, i, k, dot)
			}
		}
	}
	c.T = vision.Vec3{X: t[0], Y: t[1], Z: t[2]}
	at := func(j int) float64 { return -(c.R[j]*t[0] + c.R[3+j]*t[1] + c.R[6+j]*t[2]) }
	c.Centre = vision.Vec3{X: at(0), Y: at(1), Z: at(2)}
	return c, nil
}

// shift is the affine map that best takes px of a frame to px of the first
// frame around (x, y). The cameras differ by a turn about their common centre,
// so the map is the homography K*R0*Ri'*K^-1 = M0*Mi^-1 (M the left 3x3 of P),
// linearised at that point. What the linearisation leaves grows as
// turn*d*d/f with the distance d; SigmaPx is what it leaves 100 px away.
func shift(first, now Projection, x, y float64) vision.Affine {
	h := mul(left(first), inverse(left(now)))
	at := func(x, y float64) (u, v, w float64) {
		w = h[6]*x + h[7]*y + h[8]
		return (h[0]*x + h[1]*y + h[2]) / w, (h[3]*x + h[4]*y + h[5]) / w, w
	}
	u, v, w := at(x, y)
	a := vision.Affine{
		A: (h[0] - u*h[6]) / w, B: (h[1] - u*h[7]) / w,
		C: (h[3] - v*h[6]) / w, D: (h[4] - v*h[7]) / w,
	}
	a.TX, a.TY = u-a.A*x-a.B*y, v-a.C*x-a.D*y
	x, y = x+100/math.Sqrt2, y+100/math.Sqrt2
	u, v, _ = at(x, y)
	a.SigmaPx = math.Hypot(roundingPx, math.Hypot(a.A*x+a.B*y+a.TX-u, a.C*x+a.D*y+a.TY-v))
	return a
}

func left(p Projection) [9]float64 {
	return [9]float64{p[0][0], p[0][1], p[0][2], p[1][0], p[1][1], p[1][2], p[2][0], p[2][1], p[2][2]}
}

func mul(a, b [9]float64) (c [9]float64) {
	for i := range 3 {
		for j := range 3 {
			for k := range 3 {
				c[3*i+j] += a[3*i+k] * b[3*k+j]
			}
		}
	}
	return c
}

func inverse(m [9]float64) [9]float64 {
	adj := [9]float64{
		m[4]*m[8] - m[5]*m[7], m[2]*m[7] - m[1]*m[8], m[1]*m[5] - m[2]*m[4],
		m[5]*m[6] - m[3]*m[8], m[0]*m[8] - m[2]*m[6], m[2]*m[3] - m[0]*m[5],
		m[3]*m[7] - m[4]*m[6], m[1]*m[6] - m[0]*m[7], m[0]*m[4] - m[1]*m[3],
	}
	det := m[0]*adj[0] + m[1]*adj[3] + m[2]*adj[6]
	for i := range adj {
		adj[i] /= det
	}
	return adj
}

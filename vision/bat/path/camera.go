package path

import (
	"math"

	"nightcage/vision"
)

// camera returns the motion of a frame; moved is false for the zero value, for
// the identity and for one that cannot be undone.
func camera(a vision.Affine) (m vision.Affine, moved bool) {
	m = a
	det := m.A*m.D - m.B*m.C
	if !(math.Abs(det) > 0.1) || math.IsInf(det, 0) {
		return vision.Affine{A: 1, D: 1}, false
	}
	return m, m.A != 1 || m.B != 0 || m.C != 0 || m.D != 1 || m.TX != 0 || m.TY != 0
}

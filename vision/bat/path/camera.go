package path

import (
	"math"

	"nightcage/vision"
)

// shift is a camera motion that can be undone.
type shift vision.Affine

// camera returns the motion of a frame; moved is false for the zero value, for
// the identity and for one that cannot be undone.
func camera(a vision.Affine) (m shift, moved bool) {
	m = shift(a)
	det := m.A*m.D - m.B*m.C
	if !(math.Abs(det) > 0.1) || math.IsInf(det, 0) {
		return shift{A: 1, D: 1}, false
	}
	return m, m.A != 1 || m.B != 0 || m.C != 0 || m.D != 1 || m.TX != 0 || m.TY != 0
}

func (m shift) point(x, y float64) (float64, float64) {
	return m.A*x + m.B*y + m.TX, m.C*x + m.D*y + m.TY
}

func (m shift) undo(x, y float64) (float64, float64) {
	x, y = x-m.TX, y-m.TY
	det := m.A*m.D - m.B*m.C
	return (m.D*x - m.B*y) / det, (m.A*y - m.C*x) / det
}

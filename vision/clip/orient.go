package clip

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// orientation is how a stored picture becomes upright: first flipped left to
// right if mirrored, then turned clockwise.
type orientation struct {
	turnDeg  int // 0, 90, 180 or 270, clockwise
	mirrored bool
}

// parseMatrix reads the nine numbers of ffprobe's "displaymatrix" text, three
// rows of hexadecimal offset, colon, three decimals.
func parseMatrix(text string) ([9]float64, error) {
	var m [9]float64
	n := 0
	for _, line := range strings.Split(strings.TrimSpace(text), "\n") {
		_, row, found := strings.Cut(line, ":")
		if !found {
			return m, fmt.Errorf("display matrix row %q", line)
		}
		for _, f := range strings.Fields(row) {
			v, err := strconv.ParseFloat(f, 64)
			if err != nil || n == 9 {
				return m, fmt.Errorf("display matrix row %q", line)
			}
			m[n] = v
			n++
		}
	}
	if n != 9 {
		return m, fmt.Errorf("display matrix with %d numbers", n)
	}
	return m, nil
}

// orient reads a display matrix (ISO/IEC 14496-12, track header box). With the
// matrix [a b u; c d v; x y w], a stored point (p, q) is shown at
// (a*p + c*q, b*p + d*q), y down: a turn by t clockwise has a = d = cos t,
// b = -c = sin t; a negative determinant is a flip. Turns that are no multiple
// of 90 degrees are refused.
func orient(m [9]float64) (orientation, error) {
	a, b, c, d := m[0], m[1], m[3], m[4]
	det := a*d - b*c
	if det == 0 {
		return orientation{}, fmt.Errorf("display matrix %v has no inverse", m)
	}
	var o orientation
	if det < 0 {
		// Undo a flip done first: it negates what the stored x contributes.
		o.mirrored = true
		a, b = -a, -b
	}
	deg := math.Atan2(b, a) * 180 / math.Pi
	near := math.Round(deg / 90)
	if math.Abs(deg-90*near) > 1 {
		return orientation{}, fmt.Errorf("picture turned by %.1f degrees", deg)
	}
	o.turnDeg = (int(near)*90 + 360) % 360
	return o, nil
}

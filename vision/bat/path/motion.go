package path

import "math"

const (
	// maxTurn bounds a bat's turn, rad/s. Published peaks of skilled hitters
	// lie at 1588 (Welch et al. 1995) to about 2400 deg/s; 3000 leaves room.
	maxTurn = 3000 * math.Pi / 180

	// nearGain is how much longer than its length at the body's scale a bat
	// may look when the barrel is nearer the camera than the body: 2-3 ft
	// nearer of 15 ft make up to 20 %.
	nearGain = 1.2

	// gripShare is how far along the bat the middle between both hands lies.
	// The bottom hand's middle is 2-3.5 in from the knob's end and the top
	// hand's a fist (3-3.5 in) further: (2.75 + 4.4) / 2 + half an inch of
	// batting gloves and knob, over 33 in. Common practice, no source; the
	// spread is in gripSigmaIn.
	gripShare   = 0.14
	gripSigmaIn = 0.8

	// quietTurn is the turn (rad/s) below which the path's noise does not
	// shrink further: what a waggle of half a radian three times in two seconds
	// reaches at its fastest.
	quietTurn = 8.0

	// wakeTurn is quietTurn for the search, which does not know yet whether
	// the swing starts in the next frame.
	wakeTurn = 15.0

	// turnShare scales turnNoise, and knobShare the knob's noise against it.
	// Found on rendered swings with a quarter inch of noise on their tips as
	// the values from which more smoothing made the swing's path worse.
	turnShare = 2.0
	knobShare = 0.3
)

// turnNoise is the density (in²/s⁵) of the white jerk that stands for what a
// bat of length l turning at w does beyond the law: the jerk of a uniform turn
// is l w³ and holds its direction for about 1/w, which gives 2 (l w³)² / w.
func turnNoise(l, w float64) float64 { return 2 * l * l * math.Pow(w, 5) }

// motion builds the step over dt seconds for a bat of length l turning at w.
// quiet bounds the noise from below.
func motion(dt, l, w, quiet float64) step {
	var s step
	s.fk = [3][3]float64{{1, dt, dt * dt / 2}, {0, 1, dt}, {0, 0, 1}}
	s.fd = turning(dt, w)
	d2, d3 := dt*dt, dt*dt*dt
	s.q = [3][3]float64{
		{d3 * d2 / 20, d2 * d2 / 8, d3 / 6},
		{d2 * d2 / 8, d3 / 3, d2 / 2},
		{d3 / 6, d2 / 2, dt},
	}
	s.qd = turnShare * turnNoise(l, math.Max(w, quiet))
	s.qk = knobShare * s.qd
	return s
}

// turning is the transition of place, speed and acceleration of a turning
// vector, d³D/dt³ = -w² dD/dt, with its limit for small w*dt.
func turning(dt, w float64) [3][3]float64 {
	a := w * dt
	if a < 1e-3 {
		return [3][3]float64{{1, dt, dt * dt / 2}, {0, 1, dt}, {0, 0, 1}}
	}
	sin, cos := math.Sincos(a)
	return [3][3]float64{
		{1, sin / w, (1 - cos) / (w * w)},
		{0, cos, sin / w},
		{0, -w * sin, cos},
	}
}

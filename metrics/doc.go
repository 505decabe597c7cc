// Package metrics turns a vision.Track and a phases.Timeline into measures
// with error bars: the swing record.
//
// # How a measure is made
//
// Every measure is a formula over a few readings: where a landmark, the knob or
// the tip is at an instant, how fast it moves there, when an event was. A
// reading is the value (and slope) of a polynomial fitted by weighted least
// squares to the frames around the instant; its window is the one with the
// least variance plus squared bias (fit.go). Bat, wrists and hands are never
// fitted across contact, so readings at contact are those of the instant before
// the ball slows the bat.
//
// # How its error bar is made
//
// By Monte Carlo propagation of distributions (JCGM 101:2008), all measures at
// once, so that what two readings share cancels where they are subtracted. A
// draw moves: every mark by its own standard error; every event time by its
// standard error, which is never under that of a time rounded to a frame; all
// lengths by the scale's; all times by the clock's; the whole swing by the
// camera's three turns, body and bat along the rays from it; each joint by how
// far a pose network's idea of it lies from the joint's centre (the same way over
// neighbouring instants, so that changes are better known than levels, and alike
// for both of a pair, so that the line between them is better known than its
// middle); a bent arm to its other reading, where the solver gives it a chance.
// Planar readings also draw the depth they cannot see. Of the ball's flight a
// draw moves the line in the picture, where on the barrel it meets the bat, and
// the heading seen from above, which one camera hardly shows (ball.go). The
// interval is the central 95 % of the draws, the standard uncertainty their
// standard deviation. Then a calibration may scale the bar (calibration.go).
//
// Not drawn: a picture exposed row by row. At the 4 ms that a 240 fps frame
// leaves for it, knob and tip 10 in apart in height are 0.3 ms apart in time, in
// which a bat turns 0.7 deg; at 60 fps and 10 ms, 1.7 deg.
//
// The draws come from a fixed seed: the same Track and Timeline give the same
// record, bit for bit on one kind of CPU.
package metrics

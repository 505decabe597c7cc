// Package path turns what was seen of the bat in each frame of a clip into one
// path of knob and tip over the whole clip.
//
// A frame's Sight holds candidates: several places where the knob or the tip
// may be, lines that may be the bat's axis, and the hands. Most are right,
// some are a fence rail, a second bat or a guess through blur. Smooth chooses
// among them by what a swung bat can do (follow) and then fits one smooth path
// to the chosen ones (fit).
//
// # Motion
//
// The state is the knob's place K and the picture vector D from knob to tip,
// each with speed and acceleration, in inches at the hitter's body
// (px / Options.PxPerIn). A rigid bat turning at a rate w about any fixed axis
// has d³D/dt³ = -w² dD/dt in every parallel projection, so D is driven by that law
// with w taken from the path itself and white noise for what the law leaves;
// K by white jerk. The noise grows with w: see turnNoise.
//
// A bat pointing at the camera makes D short, not the state singular; the
// picture angle of D then has a large sigma, reported as such.
//
// # What the constraints are
//
// The hands lie on the handle: the middle between both hands is K + 0.14 D.
// D is no longer than the bat, plus what a barrel nearer the camera than the
// body gains (nearGain). A bat turns slower than maxTurn.
package path

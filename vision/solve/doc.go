// Package solve turns the image marks of a Track into three dimensions: which
// side the hitter bats from, where the camera stands, how many px make an inch,
// and body and bat in the swing frame with their uncertainty.
//
// Everything works on a canonical copy of the marks: hand-shake undone with
// Frame.Shift, px counted from the picture's centre, and left-handed hitters
// mirrored with their sides exchanged, so that the hitter always bats
// right-handed and the lead side is always the left one. Mirroring a clip
// therefore gives the same numbers to the last bit but for rounding.
//
// # Camera frame
//
// Inches, origin at the camera, x right, y down, z forward. Depth means z.
// Bodies and bats are solved in this frame, where an image mark is a ray, and
// turned into the swing frame at the end.
//
// # What one camera cannot know
//
// Size and distance trade off exactly: a length given with the job (or a prior)
// sets the scale. Focal length and distance trade off almost: their ratio is
// the scale, their common size only shows in perspective, and a prior from
// how phones are built and where people stand carries most of it. The sign of
// a depth shows in no single frame; the direction of the swing, the order of
// the joints and smoothness choose it, and Solution.Doubt says how clearly.
//
// # Steps
//
// Handedness from clues (hand.go); stance and fastest barrel (moment.go);
// yaw from the body, the feet on the ground and the pitch (sighting.go,
// camera.go, pitch.go); scale from height and bat (scale.go); lens, distance
// and tilt from priors and the ankles (camera.go); the turn of hips and
// shoulders (turns.go) and then every joint's depth over time (bodyfit.go); the
// bat over time (batfit.go) from depth signs searched for (signs.go), with the
// ball's blow as a kink (contact.go); then the body again at the scale that the
// bat set. Each fit is a robust least-squares problem with analytic Jacobians,
// whose normal matrix is a band with a border (normal.go); its inverse gives
// the standard errors.
//
// # Standard errors
//
// Those of a Point3 are its own; what a swing shares is in the Solution:
// scale, the bat's scale, yaw, roll in the picture, depth of body and of bat.
// Places also share Camera.TiltSigmaDeg, which tips them about the picture's
// horizontal. Compare adds them up so. Spreads of priors are derived or quoted
// where they stand; the only numbers read off renders are how much of a turn a
// pose network shows (turns.go).
//
// # Measured
//
// Forty rendered swings of a seed that nothing was adjusted on (701; all views,
// 60 to 240 frames a second), marks worn as perturb_test.go describes, lens not
// told, around contact: speed of the tip off by 3 % (median), attack angle by
// 0.9 deg, the bat's direction by 2.8 deg, camera yaw by 1.3 deg; hips' openness
// by 7 deg, shoulders' by 7; 95 % intervals hold the truth in 97, 90, -, 98, 100
// and 95 of 100, tip places in 92 to 96. Marks of the whole pipeline on twelve
// rendered swings: speed 3 %, attack 0.8 deg, direction 3.0 deg; hips' openness
// 13 deg, because the pose network under-turns hips and what it misses is
// replaced by the mean of hitters. With the lens told the speed is good to 2 %.
// Some 0.35 s of one core a swing of 420 frames.
package solve

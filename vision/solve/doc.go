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
// and tilt from priors and the ankles (camera.go), or all of it from home plate,
// box lines and posts where they are seen (ground.go); the turn of hips and
// shoulders (turns.go) and then every joint's depth over time (bodyfit.go,
// posture.go); the bat over time (batfit.go) from depth signs searched for
// (signs.go), with the ball's blow as a kink (contact.go); then the body around
// that bat (grip.go): the hands' depth on a grid (hands.go) with the elbows going
// round their circles (swivel.go), the arms' readings over the whole swing
// (arms.go), every joint anew; and the bat in those hands. Each fit is a robust
// least-squares problem with analytic Jacobians, whose normal matrix is a band
// with a border (normal.go); its inverse gives the standard errors.
//
// # Standard errors
//
// Those of a Point3 are its own; what a swing shares is in the Solution:
// scale, the bat's scale, yaw, roll in the picture, depth of body and of bat.
// Places also share Camera.TiltSigmaDeg, which tips them about the picture's
// horizontal. Compare adds them up so. Spreads of priors are derived or quoted
// where they stand; the only numbers read off renders are how much of a turn a
// pose network shows (turns.go) and how well the depth network does (relief.go).
//
// # Measured
//
// Sixteen hitters of motions_test.go, who share nothing with the renderer: random
// turns, leans, hands, elbows and finishes, marks worn as perturb_test.go
// describes, the network's guess leaning by 10 deg and with a third of the arms on
// the wrong side. Depths against the hips are off by (median) 1.2 in for shoulders,
// 2 for elbows by the right reading, 2 for wrists, 3 for fists, and 95 % intervals
// hold them in 96 of 100 and more; ankles 1.4 (lead) and 3.2 (rear, 88 of 100).
// Readings are right in 70 of 100, and say 74. Marks of the whole pipeline on
// twelve rendered swings: tip speed off by 2 %, attack angle by 1.0 deg, bat
// direction by 2.9 deg. With the depth network (vision.Relief), sixteen other
// swings: separation off by 3 deg from toe touch to contact, hips' openness by 3 (5
// at heel plant, where they turn fastest), shoulders' by 3; depths against the hips
// by 0.4 to 1.8 in. Without it hips are off by 9 and separation by 16 to 20, because
// a pose network under-turns both.
package solve

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
package solve

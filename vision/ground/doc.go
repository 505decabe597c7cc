// Package ground looks for things of known shape that stand still about the
// hitter: home plate, the lines of the batter's boxes, and posts or other plumb
// edges. It works on one picture of the scene without what moves: the middle
// value of a few pictures over the swing, laid over each other by the camera's
// motion.
//
// A plate is a bright five-sided patch whose five straight edges, found to part
// of a px, are the image of the plate of the rules under a lens and from a
// height that a clip may be filmed with (package fit). Patches that are not are
// refused. Lines are looked for where the plate says they must be. Whether the
// hitter stands beside that plate, and is as tall as it says, is for solve to
// judge.
package ground

// Package fit finds the camera that sees home plate, the lines of the batter's
// boxes and upright things where they are in the picture.
//
// The ground is a level plane. Its frame has its origin in the middle of the
// plate's 17 in square, X toward the pitcher, Y up, Z to the right of somebody
// who looks from the catcher to the pitcher; inches. Image points are px from
// the picture's centre, u right and v down.
//
// Plate: 17 in along the front, 8.5 in along the sides, 12 in along the edges to
// the back point (Official Baseball Rules 2.02; the shape that closes has edges
// of 8.5*sqrt 2 = 12.02 in). Boxes: 6 in from the plate (OBR appendix 2), their
// sizes differ between rule books (4 x 6 ft baseball, 3 x 6 ft youth, 3 x 7 ft
// softball), so only the inner line's place and all lines' directions are used.
//
// One plate seen from 15 ft shows the angle at which the camera looks down on
// the ground, the direction of the pitcher, and how large an inch is there; the
// lens shows in how much nearer edges are larger, which is weak, and in how far
// the hitter, of known height, is behind. The fit weighs all of it with what is
// known of lenses and of where cameras are held, and its covariance tells which
// of it was seen.
package fit

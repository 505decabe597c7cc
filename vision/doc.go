// Package vision holds the types that cross from one stage to the next: what a
// clip is, who is in it, and where body, bat and ball are in the frames looked at. The
// types do next to no work, hold no native memory and marshal to JSON, so that any
// later stage can be rerun from a stored Track.
//
// # Image coordinates
//
// Pixels, x right, y down, of the upright (rotated) picture. The centre of the
// top-left pixel is (0, 0), as in OpenCV; pixel (i, j) covers
// [i-0.5, i+0.5) x [j-0.5, j+0.5).
//
// # Swing frame
//
// Inches. Origin on the ground midway between the ankles at load, +X toward
// the pitcher, +Y up, +Z toward the side the hitter's chest faces in the
// stance (so from the hitter toward home plate). For a right-handed hitter
// this frame is right-handed; a left-handed hitter is mirrored into it, so that
// every sign reads the same for both.
//
// # Time
//
// Milliseconds of capture time from the middle of the first frame's exposure,
// except where a name says PTS, which is the container's presentation time.
// When Clock.Known is false, Ms fields still order frames but carry no duration.
package vision

// Package truth reads the truth file of a rendered clip and turns it into the
// types that vision would have produced from a perfect (or a chosen imperfect)
// look at the clip. It is what phases, metrics and the truth judge are tested
// on without any video.
//
// A truth file is JSON, optionally gzipped, beside its clip: name.mp4 with
// name.json or name.json.gz. It holds the camera, the hitter's and the bat's
// size, per frame the places of joints, knob, tip and ball in the swing frame
// (inches) and in the picture, event times and measures. Lengths are inches,
// times ms of capture time from the middle of the first exposure.
//
// In the file, pixel (i, j) covers [i, i+1) x [j, j+1). Everything this package
// hands out is in the vision convention, where the centre of that pixel is
// (i, j): half a pixel is subtracted on reading, from points and cameras alike.
package truth

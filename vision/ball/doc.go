// Package ball looks for a ball in each frame of a clip and hands what it saw
// to package path, which makes one flight of it.
//
// A ball is found by its motion: what is lighter (or darker) than the same
// place both a moment before and a moment after, and no larger than a ball or
// the streak that a ball draws during the exposure. Two such moments are used,
// the neighbouring frames and frames some 25 ms away, because a ball seen from
// behind the plate hardly leaves its own outline between two frames, while one
// near the bat is soon overtaken by it. The middle of a streak is the ball's
// place at mid-exposure.
//
// A ball on a tee does not move before it is gone; it is one of the small round
// things that lie still in the first frames, watched until the last.
package ball

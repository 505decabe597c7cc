// Package smooth turns the body landmarks of single pictures into paths through
// time: it puts left and right back where the network exchanged them, draws
// each landmark's path by a forward-backward filter over the whole clip, and
// bridges short gaps. It is plain Go and works on a Track read from JSON.
//
// # Paths
//
// Each landmark's coordinates are states (place, speed, acceleration) driven by
// white jerk of spectral density q (px^2/s^5), seen in white noise. Both are
// taken from the clip itself. The noise is the spread of third differences.
// For q, filters on a grid of fixed values run over the clip in both
// directions; around each instant the ones that predicted the points best set
// q there. A quiet stance is smoothed long and a swinging hand hardly at all,
// and nothing depends on the number of frames a second. Points that fit
// neither side lose weight as under a Student t distribution.
//
// # Errors
//
// The network's error is mostly not noise: it sits on the wrong place of the
// limb and moves with it. Smoothing takes nothing away from that, so a smoothed
// mark keeps the standard error it came with, and only gaps add to it.
//
// References: Rauch, Tung, Striebel 1965 (AIAA J 3:1445) for the backward pass;
// Bar-Shalom, Li, Kirubarajan 2001 (section 6.2) for the jerk model's
// covariance; Magill 1965 (IEEE Trans Automat Contr 10:434) for weighing a grid
// of filters by their predictions.
package smooth

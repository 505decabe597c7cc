// Package bat looks for a bat's knob and tip in each frame of a clip and hands
// what it saw to package path, which makes one path of it.
//
// A Finder has two kinds of evidence, both within a square round the hands. The
// network (models.Bat) gives places of either end with how sure it is. (The
// axis of its mask was tried as well and changed nothing: where the mask sees
// the bat, so do the heat maps.) The motion between three frames gives streaks:
// what is unlike both its neighbours in time is, in a swing, the fan that the
// bat draws during the exposure, whose middle line is the bat at mid-exposure.
// Motion needs no training and helps where the network is at its worst, in
// blur; it is blind while the bat is still.
package bat

package pose

import (
	"math"

	"nightcage/vision"
)

// peaks are the heat-map peaks at which errorShares are given.
var peaks = [...]float64{0.30, 0.45, 0.60, 0.75, 0.85, 0.92}

// shares holds standard errors at each of peaks: of a landmark on the side of
// the body toward the camera (or level with its twin), and on the far side.
type shares struct{ near, far [len(peaks)]float64 }

// errorShares is the standard error of a landmark along either axis, in percent
// of standing height, by the height of its heat map's peak. The peak tells a
// hidden elbow from a seen one where the network's visibility does not, and as
// well as the disagreement with a second, mirrored look does, which costs a
// second run. The far hip is drawn too far from the near one however clear its
// peak. README.md says how these were measured and what they cover.
var errorShares = map[part]shares{
	face: {
		near: [...]float64{3.2, 2.7, 2.1, 1.7, 1.4, 1.2},
		far:  [...]float64{3.2, 2.7, 2.1, 1.7, 1.4, 1.2}},
	shoulder: {
		near: [...]float64{6.5, 5.2, 4.4, 3.6, 2.0, 1.5},
		far:  [...]float64{6.5, 5.0, 4.2, 3.4, 2.5, 1.5}},
	elbow: {
		near: [...]float64{5.4, 4.6, 3.3, 2.1, 1.5, 1.1},
		far:  [...]float64{7.0, 7.0, 4.5, 2.1, 1.5, 1.1}},
	wrist: {
		near: [...]float64{4.6, 3.6, 2.6, 1.8, 1.2, 0.9},
		far:  [...]float64{6.0, 6.0, 4.5, 2.3, 1.8, 0.9}},
	hand: {
		near: [...]float64{5.2, 3.8, 2.5, 2.3, 2.1, 1.8},
		far:  [...]float64{5.5, 5.0, 3.3, 2.5, 2.1, 1.8}},
	hip: {
		near: [...]float64{1.9, 1.9, 1.3, 1.3, 1.3, 1.3},
		far:  [...]float64{3.3, 3.3, 3.3, 3.3, 3.3, 3.3}},
	knee: {
		near: [...]float64{5.0, 3.5, 1.7, 1.1, 0.9, 0.8},
		far:  [...]float64{5.0, 3.5, 2.1, 1.6, 1.3, 0.8}},
	ankle: {
		near: [...]float64{7.0, 4.0, 2.2, 2.0, 1.3, 1.0},
		far:  [...]float64{7.0, 4.5, 3.0, 1.8, 1.2, 1.0}},
	heel: {
		near: [...]float64{8.0, 3.5, 2.0, 1.5, 0.8, 0.6},
		far:  [...]float64{8.0, 3.5, 3.0, 2.2, 0.9, 0.7}},
	toe: {
		near: [...]float64{8.0, 4.0, 3.0, 2.2, 1.3, 0.8},
		far:  [...]float64{8.0, 4.0, 3.5, 2.2, 1.4, 0.8}},
}

// part groups landmarks whose errors are alike.
type part int

const (
	face part = iota
	shoulder
	elbow
	wrist
	hand
	hip
	knee
	ankle
	heel
	toe
)

func partOf(l vision.Landmark) part {
	if l <= vision.RightEar {
		return face
	}
	return shoulder + part(l-vision.LeftShoulder)/2
}

// A landmark is wholly on the near side while its shoulder or hip lies at most
// nearDepth of the pair's width behind its twin, wholly on the far side from
// farDepth on; the network's own 3-D guess says which.
const nearDepth, farDepth = 0.2, 0.5

// errorShare interpolates errorShares; outside its peaks the ends hold. depth is
// how far the landmark's shoulder or hip lies behind its twin, over the pair's
// width, -1..1.
func errorShare(l vision.Landmark, peak, depth float64) float64 {
	row := errorShares[partOf(l)]
	i, f := len(peaks)-2, 1.0
	for k := 1; k < len(peaks); k++ {
		if peak < peaks[k] {
			i, f = k-1, max(0, (peak-peaks[k-1])/(peaks[k]-peaks[k-1]))
			break
		}
	}
	near := row.near[i]*(1-f) + row.near[i+1]*f
	far := row.far[i]*(1-f) + row.far[i+1]*f
	hidden := ramp(depth, nearDepth, farDepth)
	return math.Sqrt(near*near*(1-hidden)+far*far*hidden) / 100
}

// depth says how far landmark l's shoulder (of an arm) or hip (of a leg) lies
// behind its twin in the network's 3-D guess, over the pair's width.
func depth(world []vision.Vec3, l vision.Landmark) float64 {
	root := vision.LeftShoulder
	switch {
	case l <= vision.RightEar:
		return 0
	case l >= vision.LeftHip:
		root = vision.LeftHip
	}
	a, b := world[root], world[root+1]
	if (l-vision.LeftShoulder)%2 == 1 {
		a, b = b, a
	}
	dx, dy, dz := a.X-b.X, a.Y-b.Y, a.Z-b.Z
	width := math.Sqrt(dx*dx + dy*dy + dz*dz)
	if width == 0 {
		return 0
	}
	return dz / width
}

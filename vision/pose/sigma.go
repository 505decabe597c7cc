package pose

import "nightcage/vision"

// peaks are the heat-map peaks at which errorShares are given.
var peaks = [...]float64{0.3, 0.5, 0.65, 0.8, 0.9}

// errorShares is the standard error of a landmark along either axis, in percent
// of standing height, by the height of its heat map's peak. The peak tells a
// hidden elbow from a seen one where the network's visibility does not, and as
// well as the disagreement with a second, mirrored look does, which costs a
// second run. See README.md for how they were measured and what they cover.
var errorShares = map[part][len(peaks)]float64{
	face:     {3.0, 2.6, 2.0, 1.4, 1.2},
	shoulder: {5.0, 4.8, 4.4, 2.9, 1.5},
	elbow:    {6.4, 5.4, 3.3, 1.7, 1.1},
	wrist:    {5.6, 4.4, 3.0, 1.6, 1.0},
	hand:     {5.6, 4.0, 2.6, 2.2, 1.9},
	hip:      {3.0, 2.8, 2.6, 2.0, 1.2},
	knee:     {5.6, 2.7, 1.8, 1.0, 0.8},
	ankle:    {6.0, 4.0, 3.0, 2.0, 1.1},
	heel:     {6.0, 4.0, 3.0, 1.5, 0.8},
	toe:      {6.0, 4.0, 3.0, 2.0, 0.9},
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

// errorShare interpolates errorShares; outside its peaks the ends hold.
func errorShare(l vision.Landmark, peak float64) float64 {
	row := errorShares[partOf(l)]
	for i := 1; i < len(peaks); i++ {
		if peak < peaks[i] {
			f := max(0, (peak-peaks[i-1])/(peaks[i]-peaks[i-1]))
			return (row[i-1]*(1-f) + row[i]*f) / 100
		}
	}
	return row[len(row)-1] / 100
}

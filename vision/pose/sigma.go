package pose

import "nightcage/vision"

// peaks are the heat-map peaks at which the shares are given.
var peaks = [...]float64{0.30, 0.45, 0.60, 0.75, 0.85, 0.92}

// Standard errors along either axis, in percent of standing height, by the height of a
// landmark's heat map's peak, of the landmarks that the landmark network alone places:
// eyes, ears, nose, and hands. The peak tells a hidden hand from a seen one where the
// network's visibility does not, and as well as the disagreement with a second, mirrored
// look does, which costs a second run. README.md says how these were measured.
var (
	faceShares = [len(peaks)]float64{3.2, 2.7, 2.1, 1.7, 1.4, 1.2}
	handShares = [len(peaks)]float64{5.5, 4.6, 3.0, 2.4, 2.1, 1.8}
)

// errorShare interpolates the shares; outside their peaks the ends hold. l is no joint.
func errorShare(l vision.Landmark, peak float64) float64 {
	row := &handShares
	if l <= vision.RightEar {
		row = &faceShares
	}
	i, f := len(peaks)-2, 1.0
	for k := 1; k < len(peaks); k++ {
		if peak < peaks[k] {
			i, f = k-1, max(0, (peak-peaks[k-1])/(peaks[k]-peaks[k-1]))
			break
		}
	}
	return (row[i]*(1-f) + row[i+1]*f) / 100
}

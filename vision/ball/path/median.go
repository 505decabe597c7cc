package path

import "slices"

// median of x, which it sorts; 0 without any.
func median(x []float64) float64 {
	if len(x) == 0 {
		return 0
	}
	slices.Sort(x)
	return x[len(x)/2]
}

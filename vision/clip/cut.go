package clip

import (
	"math"
	"slices"
)

// Cuts are told on thumbnails of thumbnails: cells of 32 px of a 1280 px
// picture, which neither noise nor a bat changes much.
const (
	coarser = 4 // thumbnail cells to a coarse one, each way
	// camera is how far a camera may turn between two pictures, coarse cells: a
	// tenth of the picture's width, which at 30 pictures a second sweeps a lens of
	// 60 degrees through half a circle in a second.
	camera = 4
	// cutUnlike is how unlike, at least, the pictures on either side of a cut are,
	// 1 less their correlation. Two views of one ground share sky above and
	// ground below, and still correlate by two thirds or more.
	cutUnlike = 0.1
	// cutAbove is how far that stands out of the steps around it. What moves past
	// the lens, or a camera swept round, takes several pictures.
	cutAbove = 4
	// cutAround is how many steps either way are those around it.
	cutAround = 3
)

// coarse is a picture shrunk so far that only the scene is left of it.
type coarse struct {
	w, h int     // coarse cells
	sums []int32 // of the thumbnail's levels above and left of each of its corners
	wide int     // corners in a row
}

// newCoarse sums up a thumbnail, in the memory of one that is no longer needed.
func newCoarse(thumb []byte, w, h int, spent coarse) coarse {
	c := coarse{w: w / coarser, h: h / coarser, sums: spent.sums, wide: w + 1}
	if len(c.sums) != (w+1)*(h+1) {
		c.sums = make([]int32, (w+1)*(h+1))
	}
	for y := range h {
		row, sum := thumb[y*w:(y+1)*w], int32(0)
		above, below := c.sums[y*c.wide+1:(y+1)*c.wide], c.sums[(y+1)*c.wide+1:(y+2)*c.wide]
		for x, v := range row {
			sum += int32(v)
			below[x] = above[x] + sum
		}
	}
	return c
}

// cell is the sum of levels in the coarse cell whose corner is at thumbnail cell x, y.
func (c coarse) cell(x, y int) float64 {
	at := y*c.wide + x
	below := at + coarser*c.wide
	return float64(c.sums[below+coarser] - c.sums[below] - c.sums[at+coarser] + c.sums[at])
}

// unlike is 1 less the correlation of two pictures, 0..2, at the shift of a
// camera's turn that makes it least. Correlation does not see a change of
// exposure: a lamp switched on, or a flash, is no other scene.
func (c coarse) unlike(d coarse) float64 {
	least, x, y := c.unlikeAt(d, 0, 0), 0, 0
	if least < cutUnlike/2 {
		return least
	}
	for _, search := range []struct{ reach, step int }{{camera, coarser}, {coarser - 1, 1}} {
		fromX, fromY := x, y
		for dy := -search.reach; dy <= search.reach; dy++ {
			for dx := -search.reach; dx <= search.reach; dx++ {
				sx, sy := fromX+dx*search.step, fromY+dy*search.step
				if u := c.unlikeAt(d, sx, sy); u < least {
					least, x, y = u, sx, sy
				}
			}
		}
	}
	return least
}

// unlikeAt compares c with d shifted by dx, dy thumbnail cells.
func (c coarse) unlikeAt(d coarse, dx, dy int) float64 {
	var n, sc, sd, scc, sdd, scd float64
	for y := 0; y < coarser*c.h; y += coarser {
		if y+dy < 0 || y+dy > coarser*(c.h-1) {
			continue
		}
		for x := 0; x < coarser*c.w; x += coarser {
			if x+dx < 0 || x+dx > coarser*(c.w-1) {
				continue
			}
			p, q := c.cell(x, y), d.cell(x+dx, y+dy)
			n, sc, sd, scc, sdd, scd = n+1, sc+p, sd+q, scc+p*p, sdd+q*q, scd+p*q
		}
	}
	if n == 0 {
		return 0
	}
	vc, vd := scc-sc*sc/n, sdd-sd*sd/n
	// A picture whose cells all agree within half a level, black or white, shows
	// no scene that could have changed.
	if flat := n * math.Pow(coarser*coarser/2, 2); vc < flat || vd < flat {
		return 0
	}
	return 1 - (scd-sc*sd/n)/math.Sqrt(vc*vd)
}

// cuts finds the pictures that begin another scene. step[i] is how unlike
// picture i is to i-1, over[i] to i-2: after a flash, or a hand before the lens,
// the old scene is back.
func cuts(step, over []float64) []int {
	var out []int
	for i := 1; i < len(step); i++ {
		if step[i] < cutUnlike || i+1 < len(over) && over[i+1] < cutUnlike {
			continue
		}
		around := append(slices.Clone(step[max(i-cutAround, 1):i]), step[i+1:min(i+1+cutAround, len(step))]...)
		if len(around) > 0 && step[i] > cutAbove*slices.Max(around) {
			out = append(out, i)
		}
	}
	return out
}

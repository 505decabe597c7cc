package bat

import "math"

// still registers pictures of one crop, cropSide² each, onto each other by a
// shift of the whole: what a hand-held camera does between frames, as far as it
// matters within a crop. It keeps its buffers.
type still struct {
	small, smallOther []float32 // a quarter of the size
	moved             []float32
}

func newStill() *still {
	q := cropSide / 4
	return &still{small: make([]float32, q*q), smallOther: make([]float32, q*q), moved: make([]float32, cropSide*cropSide)}
}

// register moves other in place so that its still parts lie on now's.
func (s *still) register(now, other []float32) {
	quarter(now, s.small)
	quarter(other, s.smallOther)
	dx, dy := shift(s.small, s.smallOther, cropSide/4, 1, 0, 0)
	dx, dy = shift(now, other, cropSide, 4, 4*dx, 4*dy)
	if math.Hypot(dx, dy) < 0.05 {
		return
	}
	translate(other, s.moved, dx, dy)
	copy(other, s.moved)
}

// shift finds d so that other(p+d) is now(p) over most of a square picture: a
// few Gauss-Newton steps from the given start, over every stride-th pixel, in
// which a pixel counts less the worse it fits, so that the hitter and whatever
// else moves on its own does not pull. A picture without texture keeps the
// start.
func shift(now, other []float32, side, stride int, dx, dy float64) (float64, float64) {
	const misfit = 0.03 // of full scale: the residual at which a pixel counts half
	for range 8 {
		var xx, xy, yy, ex, ey float64
		for j := 2; j < side-2; j += stride {
			for i := 2; i < side-2; i += stride {
				k := j*side + i
				gx := float64(now[k+1]-now[k-1]) / 2
				gy := float64(now[k+side]-now[k-side]) / 2
				if gx*gx+gy*gy < 1e-4 {
					continue // flat: nothing to learn
				}
				v, in := sample(other, side, float64(i)+dx, float64(j)+dy)
				if !in {
					continue
				}
				e := v - float64(now[k])
				w := 1 / (1 + e*e/(misfit*misfit))
				xx, xy, yy = xx+w*gx*gx, xy+w*gx*gy, yy+w*gy*gy
				ex, ey = ex+w*gx*e, ey+w*gy*e
			}
		}
		det := xx*yy - xy*xy
		if det < 1e-3*(xx+yy)*(xx+yy) || xx+yy < 0.05 {
			return dx, dy
		}
		sx, sy := (xy*ey-yy*ex)/det, (xy*ex-xx*ey)/det
		far := math.Hypot(sx, sy)
		if far > 2 {
			sx, sy = 2*sx/far, 2*sy/far
		}
		dx, dy = dx+sx, dy+sy
		if far < 0.01 {
			break
		}
	}
	return dx, dy
}

// sample reads a picture between its pixels; in is false outside.
func sample(v []float32, side int, x, y float64) (value float64, in bool) {
	i, j := int(math.Floor(x)), int(math.Floor(y))
	if i < 0 || j < 0 || i >= side-1 || j >= side-1 {
		return 0, false
	}
	fx, fy := x-float64(i), y-float64(j)
	k := j*side + i
	return (1-fy)*((1-fx)*float64(v[k])+fx*float64(v[k+1])) + fy*((1-fx)*float64(v[k+side])+fx*float64(v[k+side+1])), true
}

// translate writes from(p+d) into to, repeating the border.
func translate(from, to []float32, dx, dy float64) {
	ix, iy := int(math.Floor(dx)), int(math.Floor(dy))
	fx, fy := float32(dx-float64(ix)), float32(dy-float64(iy))
	for j := range cropSide {
		a := min(max(j+iy, 0), cropSide-1) * cropSide
		b := min(max(j+iy+1, 0), cropSide-1) * cropSide
		for i := range cropSide {
			l, r := min(max(i+ix, 0), cropSide-1), min(max(i+ix+1, 0), cropSide-1)
			to[j*cropSide+i] = (1-fy)*((1-fx)*from[a+l]+fx*from[a+r]) + fy*((1-fx)*from[b+l]+fx*from[b+r])
		}
	}
}

// quarter averages 4x4 blocks.
func quarter(from, to []float32) {
	q := cropSide / 4
	for j := range q {
		for i := range q {
			var s float32
			for y := range 4 {
				row := from[(4*j+y)*cropSide+4*i:]
				s += row[0] + row[1] + row[2] + row[3]
			}
			to[j*q+i] = s / 16
		}
	}
}

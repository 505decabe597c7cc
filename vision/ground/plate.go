package ground

import (
	"image"
	"math"
	"slices"

	"gocv.io/x/gocv"

	"nightcage/vision/ground/fit"
)

// About is where to look: the hitter in px of the first tracked frame, and what
// is known of the camera.
type About struct {
	AnklesX, AnklesY float64 // midway between the ankles
	HeightPx         float64 // of the hitter, standing
	HeightIn         float64 // told or usual
	Prior            fit.Prior
}

// plateIn2 is the area of home plate, square inches: 17^2 less two corners of
// 8.5 in.
const plateIn2 = 17*17 - 8.5*8.5

// near is the part of the picture where the plate of this hitter may lie: it is
// within some 5 ft of the feet on any side.
func (a *About) near(w, h int) image.Rectangle {
	x, y := int(1.1*a.HeightPx), a.HeightPx
	r := image.Rect(int(a.AnklesX)-x, int(a.AnklesY-0.35*y), int(a.AnklesX)+x, int(a.AnklesY+0.6*y))
	return r.Intersect(image.Rect(0, 0, w, h))
}

// levels is how many brightnesses are tried as the one that parts plate from
// ground.
const levels = 14

// patches are the outlines of bright patches of about the plate's size, hulls of
// five corners, px of the whole picture.
func (g *gray) patches(r image.Rectangle, a *About) (out [][5]vec, err error) {
	cut := make([]byte, 0, r.Dx()*r.Dy())
	for y := r.Min.Y; y < r.Max.Y; y++ {
		cut = append(cut, g.at[y*g.w+r.Min.X:y*g.w+r.Max.X]...)
	}
	if len(cut) == 0 {
		return nil, nil
	}
	m, err := gocv.NewMatFromBytes(r.Dy(), r.Dx(), gocv.MatTypeCV8UC1, cut)
	if err != nil {
		return nil, err
	}
	defer m.Close()
	sorted := slices.Clone(cut)
	slices.Sort(sorted)
	low, high := float64(sorted[len(sorted)/2]), float64(sorted[len(sorted)-1-len(sorted)/1000])
	bright := gocv.NewMat()
	defer bright.Close()
	for k := range levels {
		gocv.Threshold(m, &bright, float32(low+(high-low)*(float64(k)+1)/(levels+1)), 255, gocv.ThresholdBinary)
		out = append(out, hulls(bright, r.Min, a)...)
	}
	return out, nil
}

func hulls(bright gocv.Mat, at image.Point, a *About) (out [][5]vec) {
	contours := gocv.FindContours(bright, gocv.RetrievalExternal, gocv.ChainApproxNone)
	defer contours.Close()
	perIn := a.HeightPx / a.HeightIn
	whole := plateIn2 * perIn * perIn
	for i := range contours.Size() {
		c := contours.At(i)
		// seen at 4 to 50 deg, twice as near or half as far as the hitter
		if area := gocv.ContourArea(c); area < 0.05*whole || area > 1.6*whole || area < 60 {
			continue
		}
		if p, ok := pentagon(c); ok {
			for k := range p {
				p[k].x, p[k].y = p[k].x+float64(at.X), p[k].y+float64(at.Y)
			}
			out = append(out, p)
		}
	}
	return out
}

// pentagon is the contour's hull brought down to five corners by dropping, one
// after the other, the side whose neighbours when lengthened to meet add least
// area. They follow each other counter-clockwise in the picture. ok is false for
// a patch that is not nearly its hull or five-sided shape.
func pentagon(c gocv.PointVector) (out [5]vec, ok bool) {
	hull := gocv.NewMat()
	defer hull.Close()
	gocv.ConvexHull(c, &hull, true, true)
	pv := gocv.NewPointVectorFromMat(hull)
	defer pv.Close()
	var p []vec
	for _, q := range pv.ToPoints() {
		p = append(p, vec{float64(q.X), float64(q.Y)})
	}
	if area(p) < 0 {
		slices.Reverse(p)
	}
	whole := area(p)
	if gocv.ContourArea(c) < 0.88*whole {
		return out, false
	}
	for len(p) > 5 {
		if p, ok = dropSide(p); !ok {
			return out, false
		}
	}
	if len(p) < 5 || area(p) > 1.12*whole {
		return out, false
	}
	copy(out[:], p)
	return out, true
}

// area is that of a polygon, positive when it goes counter-clockwise on a
// picture whose y is down.
func area(p []vec) (sum float64) {
	for i, a := range p {
		b := p[(i+1)%len(p)]
		sum += a.y*b.x - a.x*b.y
	}
	return sum / 2
}

func dropSide(p []vec) ([]vec, bool) {
	n := len(p)
	best, least, at := -1, math.Inf(1), vec{}
	for i := range p {
		a, b, c, d := p[(i+n-1)%n], p[i], p[(i+1)%n], p[(i+2)%n]
		u, v := b.sub(a), d.sub(c)
		det := u.x*v.y - u.y*v.x
		if det == 0 {
			continue
		}
		w := c.sub(a)
		s := (w.x*v.y - w.y*v.x) / det
		q := a.add(s, u)
		if s < 1 || q.sub(c).dot(v) > 0 {
			continue // they part
		}
		if more := math.Abs(area([]vec{b, q, c})); more < least {
			best, least, at = i, more, q
		}
	}
	if best < 0 {
		return nil, false
	}
	p = slices.Clone(p)
	p[best] = at
	return slices.Delete(p, (best+1)%n, (best+1)%n+1), true
}

// sharpen puts the corners where five lines fitted to the patch's edges cross.
// ok is false when an edge is not straight or not there.
func (g *gray) sharpen(p [5]vec) (out [5]vec, sigma [5]float64, ok bool) {
	var sides [5]straight
	for i := range p {
		a, b := p[i], p[(i+1)%5]
		d := b.sub(a)
		l := d.norm()
		if l < 5 {
			return out, sigma, false
		}
		// counter-clockwise with y down: the inside is to the left, at (d.y, -d.x)
		n := vec{-d.y / l, d.x / l}
		s, found := g.edge(a, b, n, max(2, min(6, l/6)))
		if !found || s.share < leastShare {
			return out, sigma, false
		}
		sides[i] = s
	}
	for i := range p {
		q, s, found := meet(sides[(i+4)%5], sides[i])
		if !found || q.sub(p[i]).norm() > 12 {
			return out, sigma, false
		}
		out[i], sigma[i] = q, s
	}
	return out, sigma, true
}

// leastShare of an edge's length must be seen as one line.
const leastShare = 0.6

// misfit beyond which a patch is no plate: of ten numbers for five corners, to
// which some six unknowns bend, chi-square beyond 18.5 comes once in a thousand
// plates with 4 degrees of freedom.
const plateMisfit = 18.5

// plate is the patch that is most nearly a plate, its corners in the order of
// fit.PlateCorners.
func (g *gray) plate(a *About) (best *fit.Result, marks fit.Marks, why string, err error) {
	found, err := g.patches(a.near(g.w, g.h), a)
	if err != nil {
		return nil, marks, "", err
	}
	if len(found) == 0 {
		return nil, marks, "no bright five-sided patch of the plate's size lies near the feet", nil
	}
	cx, cy := float64(g.w-1)/2, float64(g.h-1)/2
	for _, rough := range found {
		p, sigma, ok := g.sharpen(rough)
		if !ok {
			continue
		}
		for first := range p {
			var m fit.Marks
			for i := range p {
				k := (first + i) % 5
				m.Corners[i] = fit.Point{U: p[k].x - cx, V: p[k].y - cy, Sigma: sigma[k]}
			}
			res, err := fit.Fit(&m, &a.Prior)
			if err == nil && res.Chi2 < plateMisfit && (best == nil || res.Chi2 < best.Chi2) {
				best, marks = res, m
			}
		}
	}
	if best == nil {
		return nil, marks, "no bright patch near the feet has the plate's shape", nil
	}
	return best, marks, "", nil
}

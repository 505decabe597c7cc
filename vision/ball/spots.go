package ball

import (
	"fmt"
	"image"
	"math"
	"slices"

	"gocv.io/x/gocv"

	"nightcage/vision/ball/path"
)

const (
	maxSpots     = 120
	spotContrast = 12.0 // gray levels between a spot and its surroundings
	spotGone     = 10.0 // gray levels by which a spot's place must change for it to be gone
)

// spot is a place watched for a ball that rests there.
type spot struct {
	path.Spot
	x, y, r int // small px
	was     []uint8
	gone    []float64 // mean change of the disc, gray levels, one per Sight
}

// findSpots looks for small round things in the first picture: where the mean
// over a square inside a ball differs from that over a square some balls wide.
func (f *Finder) findSpots(p picture) error {
	k := f.setup.PxPerIn / float64(f.shrink)
	r := baseballIn / 2 * k
	inner, outer := max(1, int(math.Round(1.4*r))), max(3, int(math.Round(5*r)))
	gocv.Blur(p.gray, &f.diff[0], image.Pt(inner, inner))
	gocv.Blur(p.gray, &f.diff[1], image.Pt(outer, outer))
	in, err := f.diff[0].DataPtrUint8()
	if err != nil {
		return fmt.Errorf("look for a resting ball: %w", err)
	}
	out, err := f.diff[1].DataPtrUint8()
	if err != nil {
		return fmt.Errorf("look for a resting ball: %w", err)
	}
	gray, err := p.gray.DataPtrUint8()
	if err != nil {
		return fmt.Errorf("look for a resting ball: %w", err)
	}
	w, h := f.size.X, f.size.Y
	edge := int(math.Ceil(2 * softballIn / 2 * k))
	var found []spot
	var strength []float64
	for y := edge; y < h-edge; y++ {
		for x := edge; x < w-edge; x++ {
			d := int(in[y*w+x]) - int(out[y*w+x])
			if d < spotContrast && d > -spotContrast || !peak(in, out, w, x, y, d) {
				continue
			}
			if s, ok := f.spot(gray, x, y, r, d > 0); ok {
				found = append(found, s)
				strength = append(strength, math.Abs(float64(d)))
			}
		}
	}
	order := make([]int, len(found))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return int(math.Round(strength[b] - strength[a])) })
	for _, i := range order[:min(len(order), maxSpots)] {
		f.spots = append(f.spots, found[i])
	}
	return nil
}

// peak reports whether the difference at (x, y), which is d, is the largest
// around.
func peak(in, out []uint8, w, x, y, d int) bool {
	sign := 1
	if d < 0 {
		sign = -1
	}
	for dy := -1; dy <= 1; dy++ {
		for dx := -1; dx <= 1; dx++ {
			q := (y+dy)*w + x + dx
			v := sign * (int(in[q]) - int(out[q]))
			// Of equal neighbours the first counts.
			if v > sign*d || (v == sign*d && (dy < 0 || (dy == 0 && dx < 0))) {
				return false
			}
		}
	}
	return true
}

// spot measures the thing around (x, y): its px are those nearer in gray to its
// middle than to its surroundings. ok is false when they are not round or of a
// ball's size.
func (f *Finder) spot(gray []uint8, x, y int, r float64, light bool) (spot, bool) {
	w := f.size.X
	reach := int(math.Ceil(2.2 * r * softballIn / baseballIn))
	x0, x1, y0, y1 := max(x-reach, 0), min(x+reach, w-1), max(y-reach, 0), min(y+reach, f.size.Y-1)
	var ring []float64
	for yy := y0; yy <= y1; yy++ {
		for xx := x0; xx <= x1; xx++ {
			if d := math.Hypot(float64(xx-x), float64(yy-y)); d > 1.6*r && d <= float64(reach) {
				ring = append(ring, float64(gray[yy*w+xx]))
			}
		}
	}
	slices.Sort(ring)
	around := ring[len(ring)/2]
	half := (float64(gray[y*w+x]) + around) / 2
	if math.Abs(float64(gray[y*w+x])-around) < spotContrast {
		return spot{}, false
	}
	var n, sx, sy, sxx, sxy, syy float64
	for yy := y0; yy <= y1; yy++ {
		for xx := x0; xx <= x1; xx++ {
			if v := float64(gray[yy*w+xx]); (v > half) == light && math.Hypot(float64(xx-x), float64(yy-y)) < 1.5*r*softballIn/baseballIn {
				u, v := float64(xx), float64(yy)
				n, sx, sy = n+1, sx+u, sy+v
				sxx, sxy, syy = sxx+u*u, sxy+u*v, syy+v*v
			}
		}
	}
	if n < leastPx {
		return spot{}, false
	}
	mx, my := sx/n, sy/n
	vxx, vxy, vyy := sxx/n-mx*mx, sxy/n-mx*my, syy/n-my*my
	mid, dif := (vxx+vyy)/2, math.Hypot((vxx-vyy)/2, vxy)
	radius := math.Sqrt(n / math.Pi)
	// A disc's variance is r²/4 both ways. A ball on a post is a little longer.
	if radius < 0.6*r || radius > 1.5*r*softballIn/baseballIn || math.Sqrt((mid-dif)/(mid+dif)) < leastRound {
		return spot{}, false
	}
	k := float64(f.shrink)
	full := func(v float64) float64 { return (v+0.5)*k - 0.5 }
	s := spot{x: int(math.Round(mx)), y: int(math.Round(my)), r: max(1, int(math.Round(0.8*math.Min(radius, r)))),
		Spot: path.Spot{X: full(mx), Y: full(my), SigmaPx: k * 0.2 * radius, RadiusPx: k * radius, Light: light}}
	s.was = f.disc(gray, &s, nil)
	return s, true
}

// leastRound is the ratio of a spot's axes.
const leastRound = 0.6

// disc copies the px of a spot's disc.
func (f *Finder) disc(gray []uint8, s *spot, into []uint8) []uint8 {
	for dy := -s.r; dy <= s.r; dy++ {
		for dx := -s.r; dx <= s.r; dx++ {
			x, y := s.x+dx, s.y+dy
			if dx*dx+dy*dy <= s.r*s.r && x >= 0 && y >= 0 && x < f.size.X && y < f.size.Y {
				into = append(into, gray[y*f.size.X+x])
			}
		}
	}
	return into
}

// watch notes how much each spot has changed in the newest picture.
func (f *Finder) watch(p picture) error {
	gray, err := p.gray.DataPtrUint8()
	if err != nil {
		return fmt.Errorf("watch for a resting ball: %w", err)
	}
	for i := range f.spots {
		s := &f.spots[i]
		for len(s.gone) < p.at {
			s.gone = append(s.gone, math.NaN())
		}
		f.patch = f.disc(gray, s, f.patch[:0])
		sum := 0.0
		for j, v := range f.patch {
			sum += math.Abs(float64(v) - float64(s.was[j]))
		}
		s.gone = append(s.gone, sum/float64(len(f.patch)))
	}
	return nil
}

// left returns the spots that were still there for a while and then gone for
// good.
func (f *Finder) left() []path.Spot {
	n := len(f.seen.Sights)
	var out []path.Spot
	for i := range f.spots {
		s := &f.spots[i]
		for len(s.gone) < n {
			s.gone = append(s.gone, math.NaN())
		}
		var tail []float64
		for _, v := range s.gone[n-max(1, n/20):] {
			if !math.IsNaN(v) {
				tail = append(tail, v)
			}
		}
		if len(tail) == 0 {
			continue
		}
		slices.Sort(tail)
		end := tail[len(tail)/2]
		if end < spotGone {
			continue
		}
		s.Left = make([]float64, n)
		for k, v := range s.gone {
			s.Left[k] = v / end
		}
		out = append(out, s.Spot)
	}
	return out
}

package pose

import (
	"cmp"
	"context"
	"math"
	"slices"

	"gocv.io/x/gocv"
)

const (
	detectSize = 224 // px, the detector's input
	detectFrom = 0.5 // least score of a person, after the sigmoid
	overlapIoU = 0.3 // boxes that share more than this are one person

	// roiMargin is the square's side over the diameter of the circle about the
	// whole person, as the landmark network was trained with.
	roiMargin = 1.25

	// uprightRad: hitter, catcher and umpire stand or crouch. The detector at
	// times sees a person upside down in a person, and scores it higher.
	uprightRad = 75 * math.Pi / 180
)

// paddings are the sides of the square crops the detector is shown, over the
// picture's longer side. It wants air around a person: one who fills the
// picture scores .44 at 1.0, .80 at 1.3 and .93 at 2.0.
var paddings = [...]float64{1.0, 1.4, 1.8, 2.4}

// finding is one person seen by the detector, in image px.
type finding struct {
	x0, y0, x1, y1 float64
	hipX, hipY     float64 // middle of the hips
	rimX, rimY     float64 // a point on the circle about the whole person, above the hips
	score          float64
}

func (f finding) roi() ROI { return aroundHips(f.hipX, f.hipY, f.rimX, f.rimY) }

// aroundHips is the square about a whole person whose hips are at (hx, hy) and
// on whose circle (rx, ry) lies, straight up the body.
func aroundHips(hx, hy, rx, ry float64) ROI {
	turn := math.Pi/2 - math.Atan2(hy-ry, rx-hx)
	return ROI{X: hx, Y: hy, Side: 2 * math.Hypot(rx-hx, ry-hy) * roiMargin, Turn: math.Remainder(turn, 2*math.Pi)}
}

func (f finding) iou(g finding) float64 {
	w := min(f.x1, g.x1) - max(f.x0, g.x0)
	h := min(f.y1, g.y1) - max(f.y0, g.y0)
	if w <= 0 || h <= 0 {
		return 0
	}
	both := w * h
	return both / ((f.x1-f.x0)*(f.y1-f.y0) + (g.x1-g.x0)*(g.y1-g.y0) - both)
}

// squares lists the squares of a picture that the detector is shown: the whole
// picture with more and more air, and for long pictures the parts of it as
// high (or as wide) as its shorter side, where small people are larger.
func squares(w, h int) []ROI {
	long, short := float64(max(w, h)), float64(min(w, h))
	centre := ROI{X: float64(w)/2 - 0.5, Y: float64(h)/2 - 0.5}
	var out []ROI
	for _, p := range paddings {
		s := centre
		s.Side = p * long
		out = append(out, s)
	}
	if long < 1.3*short {
		return out
	}
	for _, at := range []float64{short / 2, long / 2, long - short/2} {
		s := centre
		s.Side = short
		if w > h {
			s.X = at - 0.5
		} else {
			s.Y = at - 0.5
		}
		out = append(out, s)
	}
	return out
}

// tiles lists overlapping squares of half the shorter side that cover a
// picture, for people too small to be found in squares.
func tiles(w, h int) []ROI {
	side := float64(min(w, h)) / 2
	along := func(length int) []float64 {
		n := int(math.Ceil((float64(length)-side)/(side/2))) + 1
		at := make([]float64, n)
		for i := range at {
			at[i] = side/2 + float64(i)*(float64(length)-side)/float64(n-1) - 0.5
		}
		return at
	}
	var out []ROI
	for _, y := range along(h) {
		for _, x := range along(w) {
			out = append(out, ROI{X: x, Y: y, Side: side})
		}
	}
	return out
}

// detect runs the detector on each square and returns one finding a person,
// best first.
func (e *Estimator) detect(ctx context.Context, img gocv.Mat, in []ROI) ([]finding, error) {
	var all []finding
	for _, r := range in {
		if err := e.detectCrop.into(e.detector.Input(0), img, r, false); err != nil {
			return nil, err
		}
		if err := e.detector.Run(ctx); err != nil {
			return nil, err
		}
		all = append(all, merge(decode(e.detector.Output(0), e.detector.Output(1), r))...)
	}
	slices.SortStableFunc(all, func(a, b finding) int { return cmp.Compare(b.score, a.score) })
	var out []finding
	for _, f := range all {
		if !slices.ContainsFunc(out, func(g finding) bool { return g.iou(f) > overlapIoU }) {
			out = append(out, f)
		}
	}
	return out, nil
}

// decode turns the detector's raw outputs, seen in square r, into findings.
// Anchors: grids of 28x28 with two a cell, 14x14 with two, 7x7 with six; raw
// boxes are centre, size and points in px of the input from the cell's centre.
func decode(boxes, scores []float32, r ROI) []finding {
	var out []finding
	a := 0
	for _, grid := range [...]struct{ n, each int }{{28, 2}, {14, 2}, {7, 6}} {
		for cell := range grid.n * grid.n {
			u0 := (float64(cell%grid.n) + 0.5) / float64(grid.n)
			v0 := (float64(cell/grid.n) + 0.5) / float64(grid.n)
			for range grid.each {
				score, raw := sigmoid(float64(scores[a])), boxes[12*a:12*a+12]
				a++
				if score < detectFrom {
					continue
				}
				at := func(i int) (x, y float64) {
					return r.toImage(u0+float64(raw[i])/detectSize, v0+float64(raw[i+1])/detectSize)
				}
				f := finding{score: score}
				x, y := at(0)
				w, h := float64(raw[2])/detectSize*r.Side/2, float64(raw[3])/detectSize*r.Side/2
				f.x0, f.y0, f.x1, f.y1 = x-w, y-h, x+w, y+h
				f.hipX, f.hipY = at(4)
				f.rimX, f.rimY = at(6)
				if math.Abs(f.roi().Turn) < uprightRad {
					out = append(out, f)
				}
			}
		}
	}
	return out
}

// merge averages findings that overlap, weighted by score, into one each.
func merge(all []finding) []finding {
	slices.SortStableFunc(all, func(a, b finding) int { return cmp.Compare(b.score, a.score) })
	used := make([]bool, len(all))
	var out []finding
	for i, best := range all {
		if used[i] {
			continue
		}
		var sum finding
		for j, f := range all[i:] {
			if used[i+j] || best.iou(f) <= overlapIoU {
				continue
			}
			used[i+j] = true
			w := f.score
			sum.score += w
			sum.x0, sum.y0, sum.x1, sum.y1 = sum.x0+w*f.x0, sum.y0+w*f.y0, sum.x1+w*f.x1, sum.y1+w*f.y1
			sum.hipX, sum.hipY, sum.rimX, sum.rimY = sum.hipX+w*f.hipX, sum.hipY+w*f.hipY, sum.rimX+w*f.rimX, sum.rimY+w*f.rimY
		}
		w := sum.score
		out = append(out, finding{x0: sum.x0 / w, y0: sum.y0 / w, x1: sum.x1 / w, y1: sum.y1 / w,
			hipX: sum.hipX / w, hipY: sum.hipY / w, rimX: sum.rimX / w, rimY: sum.rimY / w, score: best.score})
	}
	return out
}

func sigmoid(v float64) float64 { return 1 / (1 + math.Exp(-v)) }

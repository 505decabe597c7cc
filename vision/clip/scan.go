package clip

import (
	"fmt"
	"image"
	"math"
	"slices"

	"gocv.io/x/gocv"

	"nightcage/vision"
)

// thumbWidth is how wide the pictures compared are, px: blocks of 8 x 8 px of
// a 1280 px picture, so that noise averages out and a bat's width still shows.
const thumbWidth = 160

// Scan compares each picture of a clip with the one before it on a thumbnail:
// how much moves, whether pictures are repeated, and where it is cut. Close it.
type Scan struct {
	box    vision.Box
	thumb  gocv.Mat
	before []byte    // the thumbnail before
	scenes [3]coarse // of the last three pictures, the latest first
	index  []int
	energy []float64
	change []float64
	step   []float64 // how unlike the picture before
	over   []float64 // and the one before that
}

// NewScan makes a Scan that measures motion in box, px of the upright picture;
// the zero Box is the whole picture.
func NewScan(box vision.Box) *Scan { return &Scan{box: box, thumb: gocv.NewMat()} }

// Close frees the native memory.
func (s *Scan) Close() error { return s.thumb.Close() }

// Add takes the next picture, gray, 8 bits, with its index into Clip.Times.
func (s *Scan) Add(index int, gray gocv.Mat) error {
	if gray.Type() != gocv.MatTypeCV8UC1 || gray.Empty() {
		return fmt.Errorf("scan picture %d: type %v, want 8-bit gray", index, gray.Type())
	}
	shrink := max(1, math.Round(float64(gray.Cols())/thumbWidth))
	w, h := int(float64(gray.Cols())/shrink), max(1, int(float64(gray.Rows())/shrink))
	gocv.Resize(gray, &s.thumb, image.Pt(w, h), 0, 0, gocv.InterpolationArea)
	now := s.thumb.ToBytes()
	s.look(newCoarse(now, w, h, s.scenes[2]))
	s.index = append(s.index, index)
	if len(s.before) != len(now) {
		if s.before != nil {
			return fmt.Errorf("scan picture %d: its size changed", index)
		}
		s.before = now
		s.energy, s.change = append(s.energy, 0), append(s.change, 0)
		return nil
	}
	var histogram [256]int
	for i, v := range now {
		histogram[difference(v, s.before[i])]++
	}
	// Noise, and a shaken camera's edges, show all over the picture; a hitter in
	// mid-swing changes less than a tenth of it. What counts is above one and a
	// half times what nine tenths stay below, and three levels more.
	floor := 3 + 3*quantile(&histogram, len(now)*9/10)/2
	sum, cells := 0, 0
	in := s.cells(w, h, shrink)
	for y := in.Min.Y; y < in.Max.Y; y++ {
		for x := in.Min.X; x < in.Max.X; x++ {
			cells++
			sum += max(0, difference(now[y*w+x], s.before[y*w+x])-floor)
		}
	}
	s.energy = append(s.energy, float64(sum)/float64(max(cells, 1)))
	s.change = append(s.change, topMean(&histogram, max(len(now)/100, 1)))
	s.before = now
	return nil
}

// look holds the scene against the last two.
func (s *Scan) look(c coarse) {
	var unlike [2]float64
	for k, d := range s.scenes[:2] {
		if len(d.sums) == len(c.sums) {
			unlike[k] = c.unlike(d)
		}
	}
	s.step, s.over = append(s.step, unlike[0]), append(s.over, unlike[1])
	s.scenes = [3]coarse{c, s.scenes[0], s.scenes[1]}
}

// cells is the box in thumbnail cells.
func (s *Scan) cells(w, h int, shrink float64) image.Rectangle {
	all := image.Rect(0, 0, w, h)
	if s.box == (vision.Box{}) {
		return all
	}
	at := func(px float64) int { return int(math.Floor((px + 0.5) / shrink)) }
	return image.Rect(at(s.box.X0), at(s.box.Y0), at(s.box.X1)+1, at(s.box.Y1)+1).Intersect(all)
}

func difference(a, b byte) int {
	if a < b {
		a, b = b, a
	}
	return int(a - b)
}

// quantile is the level that at least n of the counted values do not exceed.
func quantile(histogram *[256]int, n int) int {
	for level, c := range histogram {
		if n -= c; n <= 0 {
			return level
		}
	}
	return len(histogram) - 1
}

// topMean is the mean of the n largest counted values.
func topMean(histogram *[256]int, n int) float64 {
	sum, left := 0, n
	for level := len(histogram) - 1; level >= 0 && left > 0; level-- {
		take := min(histogram[level], left)
		sum, left = sum+take*level, left-take
	}
	return float64(sum) / float64(n)
}

// Energy is, for each picture added, the mean change inside the box since the
// picture before, gray levels beyond noise; 0 for the first.
func (s *Scan) Energy() []float64 { return s.energy }

// Cuts are the pictures, counted as added, that begin another scene than the one
// before: the film was cut there. Scenes that dissolve into each other, and cuts
// that only leave out time before the same background, are not told.
func (s *Scan) Cuts() []int { return cuts(s.step, s.over) }

// Indices are the pictures' indices into Clip.Times, as added.
func (s *Scan) Indices() []int { return s.index }

// Apply returns c with repeated pictures marked (FrameTime.Repeat). When they
// come by a rule, one in every few, c's clock is withdrawn: its Known is false
// and Conflict says why. c itself is not changed.
//
// Whether pictures repeat can be told only where something moves fast.
func (s *Scan) Apply(c vision.Clip) vision.Clip {
	return withRepeats(c, s.index, s.motion())
}

// motion is the change of each picture with that at cuts taken out.
func (s *Scan) motion() []float64 {
	change := slices.Clone(s.change)
	for _, i := range s.Cuts() {
		change[i] = change[i-1]
	}
	return change
}

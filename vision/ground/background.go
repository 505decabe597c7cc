package ground

import (
	"fmt"
	"image"
	"image/color"

	"gocv.io/x/gocv"

	"nightcage/vision"
)

// Samples is how many pictures a Finder is best given: the middle one of nine is
// free of whatever covers a place in four.
const Samples = 9

// unsteadyPx of camera error smear the middle picture.
const unsteadyPx = 2.0

// Finder gathers pictures and looks for the ground in their middle one. Close
// it. It is for one goroutine.
type Finder struct {
	width, height int
	seen          []gocv.Mat // least of the three colours, px of the first tracked frame
}

// NewFinder makes a Finder without pictures.
func NewFinder() *Finder { return &Finder{} }

// Close frees the native memory.
func (f *Finder) Close() error {
	var first error
	for i := range f.seen {
		if err := f.seen[i].Close(); err != nil && first == nil {
			first = err
		}
	}
	f.seen = nil
	return first
}

// Add takes one picture, BGR, and where it lies over the first tracked frame.
// Pictures whose camera motion is not known are left out.
func (f *Finder) Add(bgr gocv.Mat, shift vision.Affine) error {
	if bgr.Type() != gocv.MatTypeCV8UC3 || bgr.Empty() {
		return fmt.Errorf("look at the ground: picture of type %v, want 8-bit BGR", bgr.Type())
	}
	if len(f.seen) > 0 && (bgr.Cols() != f.width || bgr.Rows() != f.height) {
		return fmt.Errorf("look at the ground: picture of %dx%d after %dx%d", bgr.Cols(), bgr.Rows(), f.width, f.height)
	}
	f.width, f.height = bgr.Cols(), bgr.Rows()
	if shift.SigmaPx > unsteadyPx {
		return nil
	}
	white := whiteness(bgr)
	if shift.Unmeasured() {
		f.seen = append(f.seen, white)
		return nil
	}
	defer white.Close()
	warp := gocv.NewMatWithSize(2, 3, gocv.MatTypeCV64F)
	defer warp.Close()
	for i, v := range [6]float64{shift.A, shift.B, shift.TX, shift.C, shift.D, shift.TY} {
		warp.SetDoubleAt(i/3, i%3, v)
	}
	laid := gocv.NewMat()
	gocv.WarpAffineWithParams(white, &laid, warp, image.Pt(f.width, f.height), gocv.InterpolationLinear, gocv.BorderReplicate, color.RGBA{})
	f.seen = append(f.seen, laid)
	return nil
}

// whiteness is the least of the three colours: high only for what is white or
// gray, and low for sunlit dirt, grass and turf.
func whiteness(bgr gocv.Mat) gocv.Mat {
	parts := gocv.Split(bgr)
	out := gocv.NewMat()
	gocv.Min(parts[0], parts[1], &out)
	gocv.Min(out, parts[2], &out)
	for i := range parts {
		parts[i].Close()
	}
	return out
}

// gray is a picture whose values can be read between px.
type gray struct {
	w, h int
	at   []byte
}

// middle is the middle value at every px. ok is false with fewer than three
// pictures.
func (f *Finder) middle() (g gray, ok bool, err error) {
	n := len(f.seen)
	if n < 3 {
		return g, false, nil
	}
	rows := make([][]byte, n)
	for i := range f.seen {
		if rows[i], err = f.seen[i].DataPtrUint8(); err != nil {
			return g, false, fmt.Errorf("look at the ground: %w", err)
		}
	}
	g = gray{f.width, f.height, make([]byte, f.width*f.height)}
	v := make([]byte, n)
	for p := range g.at {
		for i, r := range rows {
			k := i
			for x := r[p]; ; k-- {
				if k == 0 || v[k-1] <= x {
					v[k] = x
					break
				}
				v[k] = v[k-1]
			}
		}
		g.at[p] = v[n/2]
	}
	return g, true, nil
}

// value is the picture at (x, y), between px linear. ok is false outside.
func (g *gray) value(x, y float64) (v float64, ok bool) {
	if !(x >= 0 && y >= 0 && x < float64(g.w-1) && y < float64(g.h-1)) {
		return 0, false
	}
	i, j := int(x), int(y)
	fx, fy := x-float64(i), y-float64(j)
	p := j*g.w + i
	top := float64(g.at[p])*(1-fx) + float64(g.at[p+1])*fx
	low := float64(g.at[p+g.w])*(1-fx) + float64(g.at[p+g.w+1])*fx
	return top*(1-fy) + low*fy, true
}

// Wanted reports whether the frame at place k of n is one of those to Add: they
// are spread evenly.
func Wanted(k, n int) bool {
	every := max(1, n/Samples)
	return k%every == every/2
}

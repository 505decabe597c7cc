package clip

import (
	"fmt"
	"image"

	"gocv.io/x/gocv"
)

// orient makes the stored picture upright.
func (r *Reader) orient() error {
	r.grayOK = false
	w, h := r.clip.Width, r.clip.Height
	if r.clip.RotationDeg%180 != 0 {
		w, h = h, w
	}
	if sw, sh := squared(r.stored.Cols(), r.stored.Rows(), r.clip.PixelAspect); sw != w || sh != h || r.stored.Type() != gocv.MatTypeCV8UC3 {
		return &Error{Kind: Damaged, Clip: r.clip.Name,
			Reason: fmt.Sprintf("The picture's size changes within the clip, from %d x %d points to %d x %d.", w, h, sw, sh)}
	}
	if r.clip.PixelAspect != 0 {
		gocv.Resize(r.stored, &r.stored, image.Pt(w, h), 0, 0, gocv.InterpolationLinear)
	}
	r.upright = &r.stored
	if r.clip.Mirrored {
		gocv.Flip(r.stored, &r.stored, 1)
	}
	turn, ok := map[int]gocv.RotateFlag{90: gocv.Rotate90Clockwise, 180: gocv.Rotate180Clockwise, 270: gocv.Rotate90CounterClockwise}[r.clip.RotationDeg]
	if ok {
		gocv.Rotate(r.stored, &r.turned, turn)
		r.upright = &r.turned
	}
	return nil
}

// Gray is the current picture in gray, 8 bits, the Reader's own and valid until
// the next call of Next. It is made once per picture, on demand; before the
// first picture it is empty.
func (r *Reader) Gray() gocv.Mat {
	if r.upright != nil && !r.grayOK {
		gocv.CvtColor(*r.upright, &r.gray, gocv.ColorBGRToGray)
		r.grayOK = true
	}
	return r.gray
}

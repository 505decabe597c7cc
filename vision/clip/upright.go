package clip

import (
	"fmt"
	"image"

	"gocv.io/x/gocv"
)

// Shrink makes Next and Gray give pictures averaged down by a whole factor k
// from now on: k x k px become one. What is left over at the right and at the
// bottom of the upright picture is cut off, so that place x of a shrunk picture
// is k*x + (k-1)/2 of the whole one exactly; Clip stays that of the whole. k is
// at least 1, as at first, and at most the shorter side; else Next fails.
func (r *Reader) Shrink(k int) { r.shrink = k }

// orient makes the stored picture upright, and shrinks it before it is turned,
// which is the cheaper.
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
	if r.shrink != 1 {
		if r.shrink < 1 || r.shrink > min(w, h) {
			return fmt.Errorf("decode clip %s: pictures of %d x %d cannot be shrunk %d times", r.clip.Name, w, h, r.shrink)
		}
		part := r.blocks(w, h)
		kept := r.stored.Region(part)
		gocv.Resize(kept, &r.small, part.Size().Div(r.shrink), 0, 0, gocv.InterpolationArea)
		if err := kept.Close(); err != nil {
			return fmt.Errorf("decode clip %s: %w", r.clip.Name, err)
		}
		r.upright = &r.small
	}
	if r.clip.Mirrored {
		gocv.Flip(*r.upright, r.upright, 1)
	}
	turn, ok := map[int]gocv.RotateFlag{90: gocv.Rotate90Clockwise, 180: gocv.Rotate180Clockwise, 270: gocv.Rotate90CounterClockwise}[r.clip.RotationDeg]
	if ok {
		gocv.Rotate(*r.upright, &r.turned, turn)
		r.upright = &r.turned
	}
	return nil
}

// blocks is the part of the stored picture, w x h, that whole blocks of r.shrink
// px cover from the upright picture's left and top.
func (r *Reader) blocks(w, h int) image.Rectangle {
	part := image.Rect(0, 0, w-w%r.shrink, h-h%r.shrink)
	// Upright, the stored picture's left is on the right: cut there.
	if fromRight := r.clip.RotationDeg >= 180; fromRight != r.clip.Mirrored {
		part = part.Add(image.Pt(w%r.shrink, 0))
	}
	if r.clip.RotationDeg == 90 || r.clip.RotationDeg == 180 {
		part = part.Add(image.Pt(0, h%r.shrink))
	}
	return part
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

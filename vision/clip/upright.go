package clip

import (
	"errors"
	"fmt"
	"image"
	"math"

	"gocv.io/x/gocv"
)

// Shrink makes Picture, Next and Gray give pictures averaged down by a whole
// factor k from now on: k x k px become one. What is left over at the right and
// at the bottom of the upright picture is cut off, so that place x of a shrunk
// picture is k*x + (k-1)/2 of the whole one exactly; Clip stays that of the
// whole. k is at least 1, as at first, and at most the shorter side; else
// pictures fail.
func (r *Reader) Shrink(k int) { r.shrink = k }

// view is one way in which pictures are made: the steps' Mats.
type view struct{ stored, small, turned gocv.Mat }

func newView() view { return view{gocv.NewMat(), gocv.NewMat(), gocv.NewMat()} }

func (v *view) close() error { return errors.Join(v.stored.Close(), v.small.Close(), v.turned.Close()) }

// make makes the picture decoded last upright and k times smaller, in gray or BGR.
// The Mat is the view's own.
func (r *Reader) make(v *view, k int, gray bool) (*gocv.Mat, error) {
	w, h := r.clip.Width, r.clip.Height
	if r.clip.RotationDeg%180 != 0 {
		w, h = h, w
	}
	size := r.capture.size()
	if sw, sh := squared(size.X, size.Y, r.clip.PixelAspect); sw != w || sh != h {
		return nil, &Error{Kind: Damaged, Clip: r.clip.Name,
			Reason: fmt.Sprintf("The picture's size changes within the clip, from %d x %d points to %d x %d.", w, h, sw, sh)}
	}
	if k < 1 || k > min(w, h) {
		return nil, fmt.Errorf("decode clip %s: pictures of %d x %d cannot be shrunk %d times", r.clip.Name, w, h, k)
	}
	part := r.blocks(w, h, k)
	made, err := &v.small, error(nil)
	done := false
	if r.clip.PixelAspect == 0 && (k > 1 || gray) {
		done, err = r.capture.blocks(part, k, gray, &v.small)
	}
	if !done && err == nil {
		made, err = r.whole(v, image.Pt(w, h), part, k, gray)
	}
	if err != nil {
		return nil, r.undecodable(err)
	}
	if r.clip.Mirrored {
		gocv.Flip(*made, made, 1)
	}
	// Turned last, when it is smallest.
	turn, ok := map[int]gocv.RotateFlag{90: gocv.Rotate90Clockwise, 180: gocv.Rotate180Clockwise, 270: gocv.Rotate90CounterClockwise}[r.clip.RotationDeg]
	if ok {
		gocv.Rotate(*made, &v.turned, turn)
		made = &v.turned
	}
	return made, nil
}

// whole makes the picture by way of all its px in BGR.
func (r *Reader) whole(v *view, size image.Point, part image.Rectangle, k int, gray bool) (*gocv.Mat, error) {
	if err := r.capture.bgr(&v.stored); err != nil {
		return nil, err
	}
	made := &v.stored
	if r.clip.PixelAspect != 0 {
		gocv.Resize(v.stored, &v.stored, size, 0, 0, gocv.InterpolationLinear)
	}
	if k > 1 {
		kept := v.stored.Region(part)
		defer kept.Close()
		gocv.Resize(kept, &v.small, part.Size().Div(k), 0, 0, gocv.InterpolationArea)
		made = &v.small
	}
	if gray {
		gocv.CvtColor(*made, made, gocv.ColorBGRToGray)
	}
	return made, nil
}

// blocks is the part of the stored picture, w x h, that whole blocks of k px cover
// from the upright picture's left and top.
func (r *Reader) blocks(w, h, k int) image.Rectangle {
	part := image.Rect(0, 0, w-w%k, h-h%k)
	// Upright, the stored picture's left is on the right: cut there.
	if fromRight := r.clip.RotationDeg >= 180; fromRight != r.clip.Mirrored {
		part = part.Add(image.Pt(w%k, 0))
	}
	if r.clip.RotationDeg == 90 || r.clip.RotationDeg == 180 {
		part = part.Add(image.Pt(0, h%k))
	}
	return part
}

// Thumb is the picture that Skip or Next decoded last in gray, 8 bits, and about
// as small as Scan compares pictures: several times cheaper than Gray. It is the
// Reader's own and valid until the next call.
func (r *Reader) Thumb() (gocv.Mat, error) {
	if err := r.current(); err != nil {
		return gocv.Mat{}, err
	}
	m, err := r.make(&r.thumb, max(1, int(math.Round(float64(r.clip.Width)/thumbWidth))), true)
	if err != nil {
		return gocv.Mat{}, err
	}
	return *m, nil
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

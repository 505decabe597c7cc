package ball

import (
	"context"
	"fmt"
	"image"
	"image/color"
	"math"

	"gocv.io/x/gocv"

	"nightcage/vision"
	"nightcage/vision/ball/path"
)

const (
	// A baseball is shrunk to about this many px across: enough to tell round
	// from long, and a quarter of the picture's work at 720p.
	workBallPx = 7
	// workWidth bounds that: a hitter who fills the picture is no reason to
	// lose a ball still far off.
	workWidth = 640

	farMs   = 25.0 // the wider comparison is this far away,
	minFar  = 2    // but at least so many frames
	maxFar  = 8    // and at most so many (memory: 2*maxFar+1 small pictures)
	lossyPx = 0.1  // a camera move smaller than this, small px, is not undone
)

// Setup is what is known before the first frame.
type Setup struct {
	Width, Height int     // of the picture, px
	PxPerIn       float64 // picture scale at the hitter's body, roughly (to 20 %)
}

// Finder looks for the ball in the frames of a clip, given in order. It is for
// one goroutine. Close it.
type Finder struct {
	setup  Setup
	shrink int
	size   image.Point // of the small pictures
	warp   gocv.Mat    // 2x3
	moved  gocv.Mat
	ring   []picture // oldest first; the last is the newest
	spare  []picture
	diff   [4]gocv.Mat
	looked int // frames of seen.Sights whose pictures have been compared
	marks  []uint8
	queue  []int32
	inner  []int32
	patch  []uint8
	spots  []spot
	seen   path.Seen
}

// picture is a small steady picture kept for comparison.
type picture struct {
	at   int // into seen.Sights
	ms   float64
	bgr  gocv.Mat
	gray gocv.Mat
}

// NewFinder makes a Finder.
func NewFinder(s Setup) (*Finder, error) {
	if s.Width <= 0 || s.Height <= 0 || !(s.PxPerIn > 0) {
		return nil, fmt.Errorf("look for the ball: picture %dx%d, %v px per inch", s.Width, s.Height, s.PxPerIn)
	}
	most := max(1, int(math.Round(float64(s.Width)/workWidth)))
	shrink := min(most, max(1, int(math.Round(baseballIn*s.PxPerIn/workBallPx))))
	f := &Finder{setup: s, shrink: shrink, size: image.Pt(s.Width/shrink, s.Height/shrink),
		moved: gocv.NewMat(), warp: gocv.NewMatWithSize(2, 3, gocv.MatTypeCV64F)}
	for i := range f.diff {
		f.diff[i] = gocv.NewMat()
	}
	f.marks = make([]uint8, f.size.X*f.size.Y)
	return f, nil
}

// Close frees the native memory.
func (f *Finder) Close() {
	f.moved.Close()
	f.warp.Close()
	for i := range f.diff {
		f.diff[i].Close()
	}
	for _, p := range append(f.ring, f.spare...) {
		p.bgr.Close()
		p.gray.Close()
	}
}

// Add takes the next frame: its picture (BGR, 8 bits, of the size given in
// Setup), and of frame the index, the time and the camera's shift. repeat says
// that the picture equals the one before. What is seen in a frame is known only
// some frames later.
func (f *Finder) Add(ctx context.Context, bgr gocv.Mat, frame vision.Frame, repeat bool) error {
	if err := ctx.Err(); err != nil {
		return fmt.Errorf("look for the ball: %w", err)
	}
	if bgr.Type() != gocv.MatTypeCV8UC3 || bgr.Cols() != f.setup.Width || bgr.Rows() != f.setup.Height {
		return fmt.Errorf("look for the ball: picture %dx%d of type %v, want %dx%d BGR", bgr.Cols(), bgr.Rows(), bgr.Type(), f.setup.Width, f.setup.Height)
	}
	f.seen.Sights = append(f.seen.Sights, path.Sight{Index: frame.Index, Ms: frame.Ms, Repeat: repeat})
	if repeat {
		return nil
	}
	p := f.fresh()
	p.at, p.ms = len(f.seen.Sights)-1, frame.Ms
	f.small(bgr, frame.Shift, &p)
	f.ring = append(f.ring, p)
	if p.at == 0 {
		if err := f.findSpots(p); err != nil {
			return err
		}
	}
	if err := f.watch(p); err != nil {
		return err
	}
	return f.look(false)
}

// Finish compares the last frames and returns all that was seen, one Sight for
// each Add. The Finder gives nothing more.
func (f *Finder) Finish() (path.Seen, error) {
	err := f.look(true)
	f.seen.Spots = f.left()
	return f.seen, err
}

// fresh is a picture to fill, its memory reused where possible.
func (f *Finder) fresh() picture {
	if n := len(f.spare); n > 0 {
		p := f.spare[n-1]
		f.spare = f.spare[:n-1]
		return p
	}
	return picture{bgr: gocv.NewMat(), gray: gocv.NewMat()}
}

// small shrinks a frame and undoes the camera's motion.
func (f *Finder) small(bgr gocv.Mat, shift vision.Affine, into *picture) {
	gocv.Resize(bgr, &into.bgr, f.size, 0, 0, gocv.InterpolationArea)
	f.steady(shift, &into.bgr)
	gocv.CvtColor(into.bgr, &into.gray, gocv.ColorBGRToGray)
}

// steady undoes the camera's motion in a small picture.
func (f *Finder) steady(shift vision.Affine, into *gocv.Mat) {
	if shift.Unmeasured() {
		return
	}
	s := float64(f.shrink)
	h := (s - 1) / 2 // px of the full picture at the middle of small px 0
	a := [6]float64{
		shift.A, shift.B, (shift.A*h + shift.B*h + shift.TX - h) / s,
		shift.C, shift.D, (shift.C*h + shift.D*h + shift.TY - h) / s,
	}
	most := 0.0
	for _, c := range [][2]float64{{0, 0}, {float64(f.size.X), 0}, {0, float64(f.size.Y)}, {float64(f.size.X), float64(f.size.Y)}} {
		most = math.Max(most, math.Hypot(a[0]*c[0]+a[1]*c[1]+a[2]-c[0], a[3]*c[0]+a[4]*c[1]+a[5]-c[1]))
	}
	if most < lossyPx {
		return
	}
	for i, v := range a {
		f.warp.SetDoubleAt(i/3, i%3, v)
	}
	gocv.WarpAffineWithParams(*into, &f.moved, f.warp, f.size, gocv.InterpolationLinear, gocv.BorderReplicate, color.RGBA{})
	*into, f.moved = f.moved, *into
}

// look compares every picture that has its neighbours by now.
func (f *Finder) look(last bool) error {
	for {
		k := 0
		for k < len(f.ring) && f.ring[k].at < f.looked {
			k++
		}
		if k == len(f.ring) {
			return nil
		}
		cur := f.ring[k]
		after := k + 1
		for after < len(f.ring) && !farEnough(after-k, f.ring[after].ms-cur.ms) {
			after++
		}
		if after >= len(f.ring) && !last {
			return nil
		}
		before := k - 1
		for before >= 0 && !farEnough(k-before, cur.ms-f.ring[before].ms) {
			before--
		}
		var blobs []seenBlob
		for _, pair := range [][2]int{{k - 1, k + 1}, {max(before, 0), min(after, len(f.ring)-1)}} {
			if pair[0] < 0 || pair[0] == k || pair[1] >= len(f.ring) || pair[1] == k {
				continue // the first or the last picture
			}
			more, err := f.compare(f.ring[pair[0]], cur, f.ring[pair[1]])
			if err != nil {
				return err
			}
			blobs = merge(blobs, more)
		}
		f.seen.Sights[cur.at].Blobs = best(blobs)
		f.looked = cur.at + 1
		// Pictures before the next one's far neighbour are done with.
		for drop := before; drop > 0; drop-- {
			f.spare = append(f.spare, f.ring[0])
			f.ring = f.ring[1:]
		}
	}
}

func farEnough(frames int, ms float64) bool {
	return frames >= maxFar || (frames >= minFar && ms >= farMs)
}

// compare finds what is lighter than in both others, or darker, in cur. A ball
// is often both: its lit side stands out against the ground, its shaded side
// against the sky.
func (f *Finder) compare(a, cur, b picture) ([]seenBlob, error) {
	gocv.Max(a.gray, b.gray, &f.diff[0])
	gocv.Subtract(cur.gray, f.diff[0], &f.diff[1])
	gocv.Min(a.gray, b.gray, &f.diff[0])
	gocv.Subtract(f.diff[0], cur.gray, &f.diff[2])
	gocv.Max(f.diff[1], f.diff[2], &f.diff[3])
	return f.blobs(triple{a.bgr, cur.bgr, b.bgr})
}

package bat

import (
	"image"
	"math"

	"gocv.io/x/gocv"
)

// Geometry of the network's square picture.
const (
	cropSide  = 256 // px
	heatSide  = 64  // cells of an output map
	cellPx    = cropSide / heatSide
	cropReach = 1.25 // side of the crop, in standing body heights
)

// box is a square of whole px of a frame: [x, x+side) x [y, y+side). It may
// reach beyond the picture.
type box struct{ x, y, side int }

// boxAround is the crop around a point for a hitter of the given standing
// height in the picture, px.
func boxAround(cx, cy, heightPx float64) box {
	side := int(math.Round(cropReach * heightPx))
	return box{x: int(math.Round(cx + 0.5 - float64(side)/2)), y: int(math.Round(cy + 0.5 - float64(side)/2)), side: side}
}

// scale is frame px per crop px.
func (b box) scale() float64 { return float64(b.side) / cropSide }

// toFrame takes crop px to frame px; pixel centres are at whole numbers in both.
func (b box) toFrame(u, v float64) (x, y float64) {
	s := b.scale()
	return float64(b.x) + (u+0.5)*s - 0.5, float64(b.y) + (v+0.5)*s - 0.5
}

// toCrop is the inverse of toFrame.
func (b box) toCrop(x, y float64) (u, v float64) {
	s := b.scale()
	return (x-float64(b.x)+0.5)/s - 0.5, (y-float64(b.y)+0.5)/s - 0.5
}

// cutter cuts boxes out of frames; it keeps its buffers. Close it.
type cutter struct {
	pad, small, gray gocv.Mat
}

func newCutter() *cutter {
	return &cutter{pad: gocv.NewMat(), small: gocv.NewMat(), gray: gocv.NewMat()}
}

func (c *cutter) close() {
	c.pad.Close()
	c.small.Close()
	c.gray.Close()
}

// cut returns the box of a frame, black outside the picture. It is a view that
// the caller closes, of the frame or of the cutter's own.
func (c *cutter) cut(frame gocv.Mat, b box) gocv.Mat {
	want := image.Rect(b.x, b.y, b.x+b.side, b.y+b.side)
	have := want.Intersect(image.Rect(0, 0, frame.Cols(), frame.Rows()))
	if have == want {
		return frame.Region(want)
	}
	if c.pad.Rows() != b.side {
		c.pad.Close()
		c.pad = gocv.NewMatWithSize(b.side, b.side, gocv.MatTypeCV8UC3)
	}
	c.pad.SetTo(gocv.Scalar{})
	if !have.Empty() {
		from, into := frame.Region(have), c.pad.Region(have.Sub(want.Min))
		from.CopyTo(&into)
		into.Close()
		from.Close()
	}
	return c.pad.Region(image.Rect(0, 0, b.side, b.side))
}

// scaled brings a cut to the crop's size in small.
func (c *cutter) scaled(part gocv.Mat) ([]uint8, error) {
	how := gocv.InterpolationArea
	if part.Rows() < cropSide {
		how = gocv.InterpolationLinear
	}
	gocv.Resize(part, &c.small, image.Pt(cropSide, cropSide), 0, 0, how)
	return c.small.DataPtrUint8()
}

// planes writes the crop of a frame into r, g and b, each cropSide², 0..1.
func (c *cutter) planes(frame gocv.Mat, at box, r, g, b []float32) error {
	part := c.cut(frame, at)
	defer part.Close()
	px, err := c.scaled(part)
	if err != nil {
		return err
	}
	for i := range r {
		b[i], g[i], r[i] = float32(px[3*i])/255, float32(px[3*i+1])/255, float32(px[3*i+2])/255
	}
	return nil
}

// luma writes the crop of a frame into y, cropSide², 0..1 (BT.601).
func (c *cutter) luma(frame gocv.Mat, at box, y []float32) error {
	part := c.cut(frame, at)
	defer part.Close()
	gocv.CvtColor(part, &c.gray, gocv.ColorBGRToGray)
	px, err := c.scaled(c.gray)
	if err != nil {
		return err
	}
	for i := range y {
		y[i] = float32(px[i]) / 255
	}
	return nil
}

// lumaOf is the luma (BT.601) of colour planes.
func lumaOf(r, g, b, y []float32) {
	for i := range y {
		y[i] = 0.299*r[i] + 0.587*g[i] + 0.114*b[i]
	}
}

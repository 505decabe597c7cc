package pose

import (
	"fmt"
	"image"
	"image/color"
	"math"

	"gocv.io/x/gocv"
)

// ROI is a square of the picture, possibly turned, that a network looks at.
type ROI struct {
	X, Y float64 // centre, px, vision convention
	Side float64 // px
	Turn float64 // radians; positive leans the square's upward axis to the right
}

// toImage takes a point of the crop, in 0..1 of its side with (0, 0) the outer
// corner of its first pixel, to image px.
func (r ROI) toImage(u, v float64) (x, y float64) {
	sin, cos := math.Sincos(r.Turn)
	u, v = (u-0.5)*r.Side, (v-0.5)*r.Side
	return r.X + cos*u - sin*v, r.Y + sin*u + cos*v
}

// unveiled says whether thin lines are taken out of a crop: the twine of a cage's
// net, which hides a body from the network though not from people.
type unveiled bool

// veilPx is the side of the median that does so, crop px. It removes lines up to
// three px wide. Of a body 200 crop px tall a px is 9 mm; twine of 3 mm (common
// practice, no source) five times nearer than the body hides 15 mm of it, and
// cutting the crop out spreads that by a px.
const veilPx = 7

// cropper cuts turned squares out of a picture into a network's input. It keeps
// its images from call to call.
type cropper struct {
	size   int // px, side of the network's input
	values [256]float32
	out    gocv.Mat // size x size, BGR
	small  gocv.Mat
	matrix gocv.Mat // 2x3, crop px to source px
}

// newCropper makes a cropper whose pixel values v of 0..255 become
// scale*v + offset.
func newCropper(size int, scale, offset float32) *cropper {
	c := &cropper{size: size, out: gocv.NewMat(), small: gocv.NewMat(), matrix: gocv.NewMatWithSize(2, 3, gocv.MatTypeCV64F)}
	for v := range c.values {
		c.values[v] = scale*float32(v) + offset
	}
	return c
}

func (c *cropper) close() {
	c.out.Close()
	c.small.Close()
	c.matrix.Close()
}

// into writes the square r of img into dst, channels first, RGB. What lies
// outside the picture is black. Squares much larger than the crop are averaged
// down first: taking every third pixel of a thin arm would lose it.
func (c *cropper) into(dst []float32, img gocv.Mat, r ROI, net unveiled) error {
	source, left, top, scale, err := c.shrink(img, r)
	if err != nil {
		return err
	}
	defer source.Close()
	// The matrix takes crop px (i, j) to source px: through 0..1 of the crop's
	// side to image px, then to the shrunken part.
	sin, cos := math.Sincos(r.Turn)
	step := r.Side / float64(c.size)
	x0, y0 := r.toImage(0.5/float64(c.size), 0.5/float64(c.size))
	ax, ay, bx, by := cos*step, sin*step, -sin*step, cos*step
	toX := func(x float64) float64 { return (x+0.5-float64(left))/scale.x - 0.5 }
	toY := func(y float64) float64 { return (y+0.5-float64(top))/scale.y - 0.5 }
	for i, v := range [6]float64{ax / scale.x, bx / scale.x, toX(x0), ay / scale.y, by / scale.y, toY(y0)} {
		c.matrix.SetDoubleAt(i/3, i%3, v)
	}
	gocv.WarpAffineWithParams(source, &c.out, c.matrix, image.Pt(c.size, c.size),
		gocv.InterpolationLinear|warpInverseMap, gocv.BorderConstant, color.RGBA{})
	if net {
		gocv.MedianBlur(c.out, &c.out, veilPx)
	}
	pixels, err := c.out.DataPtrUint8()
	if err != nil {
		return fmt.Errorf("reading a crop: %w", err)
	}
	plane := c.size * c.size
	if len(pixels) != 3*plane {
		return fmt.Errorf("a crop has %d bytes, want %d: the picture is not 8-bit BGR", len(pixels), 3*plane)
	}
	red, green, blue := dst[:plane], dst[plane:2*plane], dst[2*plane:3*plane]
	for i := range plane {
		p := pixels[3*i : 3*i+3]
		blue[i], green[i], red[i] = c.values[p[0]], c.values[p[1]], c.values[p[2]]
	}
	return nil
}

// warpInverseMap is OpenCV's WARP_INVERSE_MAP, for which gocv has no name.
const warpInverseMap gocv.InterpolationFlags = 16

type factors struct{ x, y float64 }

// shrink gives the part of img under r, averaged down by whole factors until
// a crop pixel covers less than two of its pixels, and where that part begins
// in img. The caller closes the returned Mat.
func (c *cropper) shrink(img gocv.Mat, r ROI) (part gocv.Mat, left, top int, by factors, err error) {
	if img.Empty() || img.Type() != gocv.MatTypeCV8UC3 {
		return part, 0, 0, by, fmt.Errorf("picture is empty or not 8-bit BGR")
	}
	k := int(r.Side / float64(c.size))
	if k < 2 {
		return img.Region(image.Rect(0, 0, img.Cols(), img.Rows())), 0, 0, factors{1, 1}, nil
	}
	reach := r.Side * math.Sqrt2 / 2
	bounds := image.Rect(0, 0, img.Cols(), img.Rows())
	box := image.Rect(int(r.X-reach)-k, int(r.Y-reach)-k, int(r.X+reach)+k+1, int(r.Y+reach)+k+1).Intersect(bounds)
	if box.Empty() {
		return part, 0, 0, by, fmt.Errorf("square at (%.0f, %.0f) lies outside the picture", r.X, r.Y)
	}
	whole := img.Region(box)
	defer whole.Close()
	w, h := max(box.Dx()/k, 1), max(box.Dy()/k, 1)
	gocv.Resize(whole, &c.small, image.Pt(w, h), 0, 0, gocv.InterpolationArea)
	by = factors{float64(box.Dx()) / float64(w), float64(box.Dy()) / float64(h)}
	return c.small.Region(image.Rect(0, 0, w, h)), box.Min.X, box.Min.Y, by, nil
}

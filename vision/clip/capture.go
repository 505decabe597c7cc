package clip

// #cgo CFLAGS: -O3
// #cgo LDFLAGS: -lavformat -lavcodec -lavutil -lswscale -lm
// #include <stdlib.h>
// #include "decode.h"
import "C"

import (
	"fmt"
	"image"
	"unsafe"

	"gocv.io/x/gocv"
)

// capture decodes the first video of one file, in FFmpeg's libraries, on which
// OpenCV's own capture rests.
type capture struct {
	native *C.decoder
	padded gocv.Mat // a picture whose rows FFmpeg may write past
}

// openCapture fails when FFmpeg finds no video in the file at path that it can decode.
func openCapture(path string) (*capture, error) {
	name := C.CString(path)
	defer C.free(unsafe.Pointer(name))
	var code C.int
	d := C.nightcage_open(name, &code)
	if d == nil {
		return nil, fmt.Errorf("FFmpeg's error %d", int(code))
	}
	return &capture{native: d, padded: gocv.NewMat()}, nil
}

func (c *capture) close() error {
	C.nightcage_close(c.native)
	return c.padded.Close()
}

// decoding is what became of trying to decode the next picture.
type decoding int

const (
	decoded decoding = 1
	damaged decoding = 0 // nothing of this packet; the next may do better
	ended   decoding = -1
)

func (c *capture) decode() decoding { return decoding(C.nightcage_decode(c.native)) }

// ms is when the picture decoded last is shown, on the container's clock; not a
// number when the file does not say.
func (c *capture) ms() float64 { return float64(C.nightcage_ms(c.native)) }

// seek makes the next picture decoded one at or before ms, about.
func (c *capture) seek(ms float64) bool { return C.nightcage_seek(c.native, C.double(ms)) != 0 }

// size is that of the picture decoded last, as stored.
func (c *capture) size() image.Point {
	return image.Pt(int(c.native.picture.width), int(c.native.picture.height))
}

// rowPx is what the width of a picture is a multiple of when FFmpeg writes no
// further than the ends of its rows.
const rowPx = 32

// bgr turns the picture decoded last into BGR, 8 bits.
func (c *capture) bgr(to *gocv.Mat) error {
	size := c.size()
	wide := (size.X + rowPx - 1) / rowPx * rowPx
	into := to
	if wide != size.X {
		into = &c.padded
	}
	points, err := sized(into, image.Pt(wide, size.Y), gocv.MatTypeCV8UC3)
	if err != nil {
		return err
	}
	if C.nightcage_bgr(c.native, points, C.int(3*wide)) == 0 {
		return fmt.Errorf("FFmpeg cannot turn pixels of format %d into BGR", int(c.native.picture.format))
	}
	if wide != size.X {
		shown := into.Region(image.Rectangle{Max: size})
		defer shown.Close()
		shown.CopyTo(to)
	}
	return nil
}

// blocks averages the part of the picture decoded last, which is whole blocks of
// k x k points, down to one px for each, gray or BGR. ok is false when its points
// are stored in a way that only bgr knows.
func (c *capture) blocks(part image.Rectangle, k int, gray bool, to *gocv.Mat) (ok bool, err error) {
	size, kind, isGray := part.Size().Div(k), gocv.MatTypeCV8UC3, C.int(0)
	if gray {
		kind, isGray = gocv.MatTypeCV8UC1, 1
	}
	points, err := sized(to, size, kind)
	if err != nil {
		return false, err
	}
	return C.nightcage_blocks(c.native, C.int(part.Min.X), C.int(part.Min.Y), C.int(size.X), C.int(size.Y), C.int(k), isGray, points) != 0, nil
}

// sized makes m a Mat of that size and type, if it is none, and returns its points.
func sized(m *gocv.Mat, size image.Point, kind gocv.MatType) (*C.uint8_t, error) {
	if m.Rows() != size.Y || m.Cols() != size.X || m.Type() != kind {
		if err := m.Close(); err != nil {
			return nil, err
		}
		*m = gocv.NewMatWithSize(size.Y, size.X, kind)
	}
	points, err := m.DataPtrUint8()
	if err != nil {
		return nil, err
	}
	return (*C.uint8_t)(unsafe.Pointer(&points[0])), nil
}

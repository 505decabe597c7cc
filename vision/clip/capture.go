package clip

// #include <stdlib.h>
// void *nightcage_capture_open(const char *path);
// int nightcage_capture_grab(void *c);
// int nightcage_capture_retrieve(void *c, void *mat);
// double nightcage_capture_ms(void *c);
// void nightcage_capture_seek(void *c, double ms);
// void nightcage_capture_close(void *c);
import "C"

import (
	"errors"
	"unsafe"

	"gocv.io/x/gocv"
)

// capture is OpenCV's FFmpeg reader of one file. gocv 0.31 cannot part decoding
// a picture from turning it into BGR, which is a third of the work and wasted on
// pictures that are read over.
type capture struct{ native unsafe.Pointer }

// openCapture fails when FFmpeg finds no video in the file at path.
func openCapture(path string) (*capture, error) {
	name := C.CString(path)
	defer C.free(unsafe.Pointer(name))
	c := C.nightcage_capture_open(name)
	if c == nil {
		return nil, errors.New("FFmpeg opens no video in it")
	}
	return &capture{c}, nil
}

// grab decodes the next picture. It fails at a damaged packet and at the end.
func (c *capture) grab() bool { return C.nightcage_capture_grab(c.native) != 0 }

// retrieve copies the picture grabbed last, as BGR.
func (c *capture) retrieve(to *gocv.Mat) bool {
	return C.nightcage_capture_retrieve(c.native, unsafe.Pointer(to.Ptr())) != 0
}

// ms is the presentation time of the picture grabbed last.
func (c *capture) ms() float64 { return float64(C.nightcage_capture_ms(c.native)) }

// seek makes the next grab decode a picture near presentation time ms.
func (c *capture) seek(ms float64) { C.nightcage_capture_seek(c.native, C.double(ms)) }

func (c *capture) close() { C.nightcage_capture_close(c.native) }

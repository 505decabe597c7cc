//go:build matprofile

package analysis

import (
	"path/filepath"
	"testing"

	"gocv.io/x/gocv"

	"nightcage/vision"
)

// Every OpenCV image made for a clip is closed again, also when the clip ends
// in an error.
func TestNoMatLeft(t *testing.T) {
	a, err := New(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	before := gocv.MatProfile.Count() // the networks keep their buffers
	if _, err := a.Run(t.Context(), filepath.Join(clips, "s77001_04.mp4"), vision.Subject{HeightIn: 55, BatIn: 28.5}, Options{}, nil); err != nil {
		t.Fatal(err)
	}
	if n := gocv.MatProfile.Count(); n != before {
		t.Errorf("%d images left open after a swing", n-before)
	}
	if _, err := a.Run(t.Context(), made(t, "-f", "lavfi", "-i", "testsrc2=size=640x360:rate=60:duration=1"), vision.Subject{}, Options{}, nil); err == nil {
		t.Fatal("a test card was measured")
	}
	if n := gocv.MatProfile.Count(); n != before {
		t.Errorf("%d images left open after an error", n-before)
	}
	a.Close()
	if n := gocv.MatProfile.Count(); n > before {
		t.Errorf("%d images more after Close than before the clip", n-before)
	}
}

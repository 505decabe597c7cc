//go:build matprofile

package ball

import (
	"testing"

	"gocv.io/x/gocv"
)

// Every OpenCV image made is closed again.
func TestNoMatLeft(t *testing.T) {
	before := gocv.MatProfile.Count()
	f := toss()
	f.camera = func(k int) (x, y float64) { return float64(k % 3), 0 }
	f.run(t, 20)
	if n := gocv.MatProfile.Count(); n != before {
		t.Errorf("%d images left open", n-before)
	}
}

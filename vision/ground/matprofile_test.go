//go:build matprofile

package ground

import (
	"math/rand/v2"
	"testing"

	"gocv.io/x/gocv"
)

// Every OpenCV image made is closed again.
func TestNoMatLeft(t *testing.T) {
	before := gocv.MatProfile.Count()
	d := drawn{rand.New(rand.NewPCG(1, 1)), []shape{plate(220)}}
	d.look(t)
	if n := gocv.MatProfile.Count(); n != before {
		t.Errorf("%d images left open", n-before)
	}
}

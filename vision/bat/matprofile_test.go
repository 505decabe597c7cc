//go:build matprofile

package bat

import (
	"context"
	"testing"

	"gocv.io/x/gocv"

	"nightcage/vision"
)

// TestNoMatIsLeft counts native pictures (go test -tags matprofile): none may
// be left after frames inside and across the border, and after errors.
func TestNoMatIsLeft(t *testing.T) {
	before := gocv.MatProfile.Count()
	func() {
		f := newEdgeFinder()
		defer f.Close()
		frame, none := gocv.NewMatWithSize(300, 400, gocv.MatTypeCV8UC3), gocv.NewMat()
		defer frame.Close()
		defer none.Close()
		body := make([]vision.Mark, vision.NumLandmarks)
		for _, x := range []float64{200, 5, -900, 395} {
			for _, h := range []float64{100, 150, -1} {
				body[vision.LeftHand] = vision.Mark{X: x, Y: 150, SigmaPx: 2, How: vision.HowNetwork}
				_, _ = f.Look(context.Background(), frame, frame, none, body, h) // the error is another test's
				_, _ = f.Look(context.Background(), none, none, frame, body, h)
			}
		}
	}()
	if left := gocv.MatProfile.Count() - before; left != 0 {
		t.Errorf("%d pictures are still open", left)
	}
}

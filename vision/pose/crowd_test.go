package pose

import (
	"context"
	"fmt"
	"image"
	"math"
	"path/filepath"
	"testing"

	"gocv.io/x/gocv"

	"nightcage/vision"
)

// crowds are rendered scenes (testdata/README.md) and where the middle of the
// hitter's hips is in their pictures, px.
var crowds = []struct {
	name string
	hips [3][2]float64
	// a part of the pictures with catcher and umpire but not the hitter; empty: none
	others image.Rectangle
}{
	{"side_left_catcher_umpire", [3][2]float64{{333.8, 182.7}, {324.2, 186.7}, {321.3, 184.6}}, image.Rect(400, 0, 640, 360)},
	{"rear_left_between", [3][2]float64{{342.9, 189.8}, {344.3, 192.2}, {342.7, 189.2}}, image.Rectangle{}},
	{"ondeck_swings", [3][2]float64{{301.9, 186.8}, {314.3, 186.1}, {316.6, 184.9}}, image.Rectangle{}},
}

// crowd looks for the hitter in the three pictures of a scene, or in a part of them.
func crowd(t *testing.T, e *Estimator, name string, part image.Rectangle) (Choice, bool) {
	t.Helper()
	var imgs []gocv.Mat
	for k := range 3 {
		path := filepath.Join("testdata", "crowd", fmt.Sprintf("%s_%d.jpg", name, k))
		img := gocv.IMRead(path, gocv.IMReadColor)
		defer img.Close()
		if img.Empty() {
			t.Fatalf("%s cannot be read", path)
		}
		if !part.Empty() {
			view := img.Region(part)
			img = view.Clone()
			view.Close()
			defer img.Close()
		}
		imgs = append(imgs, img)
	}
	c, ok, err := e.FindHitter(context.Background(), len(imgs), func(k int) (gocv.Mat, float64, error) { return imgs[k], 400 * float64(k), nil })
	if err != nil {
		t.Fatal(err)
	}
	return c, ok
}

func TestHitterInPictures(t *testing.T) {
	e := estimator(t)
	for _, c := range crowds {
		got, ok := crowd(t, e, c.name, image.Rectangle{})
		if !ok || !got.Sure() {
			t.Errorf("%s: nobody surely the hitter", c.name)
			continue
		}
		hips := middle(got.Look.Body, vision.LeftHip)
		want := c.hips[got.Picture]
		if d := math.Hypot(hips.X-want[0], hips.Y-want[1]); d > 0.08*got.ROI.Side {
			t.Errorf("%s: picked the person at (%.0f, %.0f) of picture %d, want (%.0f, %.0f)", c.name, hips.X, hips.Y, got.Picture, want[0], want[1])
		}
		if c.others.Empty() {
			continue
		}
		if got, ok := crowd(t, e, c.name, c.others); !ok || got.Alone || got.Sure() {
			t.Errorf("%s without the hitter: somebody seen %v, alone %v, holds %.2f", c.name, ok, got.Alone, got.Holds)
		}
	}
}

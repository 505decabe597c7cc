package pose

import (
	"image"
	"image/color"
	"math"
	"testing"

	"gocv.io/x/gocv"
)

// brightest is the centre of mass of the first plane (red) of a crop, as 0..1
// of its side from the outer corner of the first pixel.
func brightest(plane []float32, size int) (u, v float64) {
	var sum, x, y float64
	for i, w := range plane[:size*size] {
		sum += float64(w)
		x += float64(w) * (float64(i%size) + 0.5)
		y += float64(w) * (float64(i/size) + 0.5)
	}
	return x / sum / float64(size), y / sum / float64(size)
}

// A white square drawn about a known pixel of the picture must turn up in the
// crop where toImage says that pixel is: upright, turned, enlarged,
// shrunk by whole factors, and with the square hanging over the picture's edge.
func TestCropAgreesWithToImage(t *testing.T) {
	img := gocv.NewMatWithSize(720, 1280, gocv.MatTypeCV8UC3)
	defer img.Close()
	const px, py, half = 500, 300, 7
	// gocv's rectangle includes its far edge
	gocv.Rectangle(&img, image.Rect(px-half, py-half, px+half, py+half), color.RGBA{R: 255, G: 255, B: 255}, -1)
	c := newCropper(lookSize, 1.0/255, 0)
	defer c.close()
	dst := make([]float32, 3*lookSize*lookSize)
	for _, tt := range []struct {
		name string
		roi  ROI
		net  unveiled
	}{
		{"same scale", ROI{X: 520, Y: 310, Side: 256}, false},
		{"enlarged", ROI{X: 490, Y: 290, Side: 100}, false},
		{"shrunk by interpolation", ROI{X: 550, Y: 350, Side: 480}, false},
		{"shrunk by averaging", ROI{X: 640, Y: 360, Side: 1100}, false},
		{"turned", ROI{X: 520, Y: 310, Side: 300, Turn: 0.4}, false},
		{"turned and shrunk", ROI{X: 560, Y: 380, Side: 900, Turn: -0.7}, false},
		{"without thin lines", ROI{X: 520, Y: 310, Side: 300, Turn: 0.2}, true},
		{"over the edge", ROI{X: 420, Y: 100, Side: 700}, false},
	} {
		if err := c.into(dst, img, tt.roi, tt.net); err != nil {
			t.Fatalf("%s: %v", tt.name, err)
		}
		u, v := brightest(dst, lookSize)
		x, y := tt.roi.toImage(u, v)
		tolerance := 0.03 + 0.0005*tt.roi.Side
		if math.Hypot(x-px, y-py) > tolerance {
			t.Errorf("%s: the square's middle is at (%.2f, %.2f), want (%d, %d)", tt.name, x, y, px, py)
		}
	}
}

func TestCropColoursAndRange(t *testing.T) {
	img := gocv.NewMatWithSizeFromScalar(gocv.NewScalar(10, 20, 30, 0), 300, 300, gocv.MatTypeCV8UC3) // B, G, R
	defer img.Close()
	c := newCropper(detectSize, 2.0/255, -1)
	defer c.close()
	dst := make([]float32, 3*detectSize*detectSize)
	if err := c.into(dst, img, ROI{X: 150, Y: 150, Side: 600}, false); err != nil {
		t.Fatal(err)
	}
	plane := detectSize * detectSize
	middle := plane/2 + detectSize/2
	for i, want := range []float32{30, 20, 10} {
		if got := dst[i*plane+middle]; math.Abs(float64(got-(2*want/255-1))) > 1e-6 {
			t.Errorf("plane %d inside the picture: %v, want %v", i, got, 2*want/255-1)
		}
		if got := dst[i*plane]; got != -1 {
			t.Errorf("plane %d outside the picture: %v, want -1", i, got)
		}
	}
}

func TestCropRefusesOtherPictures(t *testing.T) {
	c := newCropper(lookSize, 1.0/255, 0)
	defer c.close()
	dst := make([]float32, 3*lookSize*lookSize)
	empty, grey := gocv.NewMat(), gocv.NewMatWithSize(100, 100, gocv.MatTypeCV8UC1)
	defer empty.Close()
	defer grey.Close()
	for name, img := range map[string]gocv.Mat{"empty": empty, "grey": grey} {
		if err := c.into(dst, img, ROI{X: 50, Y: 50, Side: 100}, false); err == nil {
			t.Errorf("%s picture was accepted", name)
		}
	}
	img := gocv.NewMatWithSize(100, 100, gocv.MatTypeCV8UC3)
	defer img.Close()
	if err := c.into(dst, img, ROI{X: 5000, Y: 50, Side: 600}, false); err == nil {
		t.Error("a square wholly outside the picture was accepted")
	}
}

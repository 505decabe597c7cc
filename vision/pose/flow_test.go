package pose

import (
	"context"
	"math"
	"math/rand/v2"
	"testing"

	"gocv.io/x/gocv"

	"nightcage/vision"
)

// A textured picture moved by a known fraction of a pixel: every landmark's
// patch must be found to have moved by just that.
func TestFlowFindsAKnownShift(t *testing.T) {
	const w, h = 480, 640
	const dx, dy = 1.6, -2.3
	rng := rand.New(rand.NewPCG(3, 3))
	type blob struct{ x, y, r, a float64 }
	var blobs []blob
	for range 2500 {
		blobs = append(blobs, blob{rng.Float64() * w, rng.Float64() * h, 3 + 6*rng.Float64(), 60*rng.Float64() - 30})
	}
	picture := func(sx, sy float64) gocv.Mat {
		m := gocv.NewMatWithSize(h, w, gocv.MatTypeCV8UC1)
		px, err := m.DataPtrUint8()
		if err != nil {
			t.Fatal(err)
		}
		sum := make([]float64, w*h)
		for _, b := range blobs {
			for y := max(0, int(b.y-3*b.r)); y < min(h, int(b.y+3*b.r)); y++ {
				for x := max(0, int(b.x-3*b.r)); x < min(w, int(b.x+3*b.r)); x++ {
					u, v := float64(x)-b.x-sx, float64(y)-b.y-sy
					sum[y*w+x] += b.a * math.Exp(-(u*u+v*v)/(2*b.r*b.r))
				}
			}
		}
		for i, s := range sum {
			px[i] = uint8(min(max(128+s, 0), 255))
		}
		return m
	}
	a, b := picture(0, 0), picture(dx, dy)
	defer a.Close()
	defer b.Close()
	body := make([]vision.Mark, vision.NumLandmarks)
	for l := range body {
		side := 1 - 2*float64(l%2)
		body[l] = vision.Mark{X: w/2 + 60*side, Y: 120 + 18*float64(l), SigmaPx: 3, How: vision.HowNetwork}
	}
	look := Look{Found: true, Body: body, ROI: ROI{X: w / 2, Y: h / 2, Side: 500}}
	f := NewFlow()
	defer f.Close()
	if s, err := f.Next(a, look); err != nil || s != nil {
		t.Fatalf("first picture: %v, %v, want nothing", s, err)
	}
	steps, err := f.Next(b, look)
	if err != nil {
		t.Fatal(err)
	}
	for _, l := range []vision.Landmark{vision.Nose, vision.LeftShoulder, vision.RightHip, vision.LeftKnee, vision.RightAnkle, vision.LeftHeel, vision.RightToe} {
		s := steps[l]
		if s.SigmaPx == 0 {
			t.Errorf("%v: not followed", l)
			continue
		}
		if e := math.Hypot(s.DX-dx, s.DY-dy); e > 3*s.SigmaPx || e > 0.3 {
			t.Errorf("%v: step %.2f, %.2f ± %.2f, want %.2f, %.2f", l, s.DX, s.DY, s.SigmaPx, dx, dy)
		}
	}
	if s, err := f.Next(a, Look{}); err != nil || len(s) != vision.NumLandmarks {
		t.Errorf("person lost now: %d steps, %v; the last body is known", len(s), err)
	}
	if s, err := f.Next(b, look); err != nil || s != nil {
		t.Errorf("person lost before: %v, %v, want nothing", s, err)
	}
}

// One picture of a clip at 240 a second, the body known in both.
func BenchmarkFlow720p(b *testing.B) {
	e := estimator(b)
	_, video := openClip(b, "s77001_09")
	img := gocv.NewMat()
	defer img.Close()
	var gray [2]gocv.Mat
	for i := range gray {
		if !video.Read(&img) {
			b.Fatal("no picture")
		}
		gray[i] = gocv.NewMat()
		defer gray[i].Close()
		gocv.CvtColor(img, &gray[i], gocv.ColorBGRToGray)
	}
	people, err := e.People(context.Background(), img)
	if err != nil || len(people) != 1 {
		b.Fatalf("%d people: %v", len(people), err)
	}
	f := NewFlow()
	defer f.Close()
	for i := 0; b.Loop(); i++ {
		steps, err := f.Next(gray[i%2], people[0].Look)
		if err != nil || i > 0 && len(steps) != vision.NumLandmarks {
			b.Fatalf("%d steps: %v", len(steps), err)
		}
	}
}

package bat

import (
	"math"
	"testing"

	"gocv.io/x/gocv"
)

func TestBoxMapsThereAndBack(t *testing.T) {
	b := boxAround(700.3, 90.8, 411)
	if b.side != 514 {
		t.Errorf("side %d px for a hitter of 411, want 514", b.side)
	}
	u, v := b.toCrop(700.3, 90.8)
	if mid := (cropSide - 1) / 2.0; math.Abs(u-mid) > 0.5 || math.Abs(v-mid) > 0.5 {
		t.Errorf("the centre lies at (%.2f, %.2f) of the crop", u, v)
	}
	for _, p := range [][2]float64{{0, 0}, {1279, 719}, {-50, 800}} {
		x, y := b.toFrame(b.toCrop(p[0], p[1]))
		if math.Abs(x-p[0]) > 1e-9 || math.Abs(y-p[1]) > 1e-9 {
			t.Errorf("(%v) comes back as (%v, %v)", p, x, y)
		}
	}
}

// A bright square in the frame must have its centroid where toCrop says, for a
// crop that shrinks, one that enlarges, and one that reaches over the border.
func TestCutPutsThingsWhereToCropSays(t *testing.T) {
	frame := gocv.NewMatWithSizeFromScalar(gocv.NewScalar(40, 40, 40, 0), 360, 640, gocv.MatTypeCV8UC3)
	defer frame.Close()
	const x, y = 60, 50
	for j := y - 4; j <= y+4; j++ {
		for i := 3*x - 12; i <= 3*x+12; i++ {
			frame.SetUCharAt(j, i, 240)
		}
	}
	c := newCutter()
	defer c.close()
	for _, b := range []box{boxAround(80, 90, 300), boxAround(70, 60, 100), boxAround(20, 20, 250)} {
		luma, planes := make([]float32, cropSide*cropSide), make([]float32, 3*cropSide*cropSide)
		if err := c.luma(frame, b, luma); err != nil {
			t.Fatal(err)
		}
		px := cropSide * cropSide
		if err := c.planes(frame, b, planes[:px], planes[px:2*px], planes[2*px:]); err != nil {
			t.Fatal(err)
		}
		again := make([]float32, px)
		lumaOf(planes[:px], planes[px:2*px], planes[2*px:], again)
		wu, wv := b.toCrop(x, y)
		var s, u, v, worst float64
		for i, l := range luma {
			worst = max(worst, math.Abs(float64(l-again[i])))
			if k := float64(planes[2*px+i]) - 40.0/255; k > 0.02 {
				s, u, v = s+k, u+k*float64(i%cropSide), v+k*float64(i/cropSide)
			}
		}
		if math.Abs(u/s-wu) > 0.1 || math.Abs(v/s-wv) > 0.1 {
			t.Errorf("box %+v: found at (%.2f, %.2f), want (%.2f, %.2f)", b, u/s, v/s, wu, wv)
		}
		if worst > 3.0/255 {
			t.Errorf("box %+v: luma of the planes and of the frame differ by %.3f", b, worst)
		}
		if b.x < 0 && luma[0] != 0 {
			t.Errorf("box %+v: outside the picture is %v, want black", b, luma[0])
		}
	}
}

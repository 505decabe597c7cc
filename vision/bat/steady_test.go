package bat

import (
	"math"
	"testing"
)

// texture is a picture with structure of several sizes, moved by (dx, dy), in
// which a square of its own moves besides.
func texture(dx, dy float64, square int) []float32 {
	v := make([]float32, cropSide*cropSide)
	for k := range v {
		x, y := float64(k%cropSide)-dx, float64(k/cropSide)-dy
		v[k] = float32(0.5 + 0.15*math.Sin(x/3+math.Sin(y/9)) + 0.15*math.Cos(y/4) + 0.1*math.Sin((x+y)/23))
	}
	for j := 100; j < 150; j++ {
		for i := square; i < square+50; i++ {
			v[j*cropSide+i] = 0.95
		}
	}
	return v
}

func TestRegister(t *testing.T) {
	now := texture(0, 0, 60)
	for _, d := range [][2]float64{{0, 0}, {0.4, -0.3}, {2.7, 1.1}, {-6.2, 4.5}} {
		other := texture(d[0], d[1], 110) // the square has moved by 50 px on its own
		newStill().register(now, other)
		var worst float64
		for j := 10; j < 90; j++ { // above the square's path
			for i := 10; i < cropSide-10; i++ {
				worst = max(worst, math.Abs(float64(other[j*cropSide+i]-now[j*cropSide+i])))
			}
		}
		// 0.02 of full scale is a third of a pixel's gradient here at most; a
		// bilinear shift of the finest wave (6 pi px) loses under 0.01.
		if worst > 0.02 {
			t.Errorf("moved by %v: still off by %.3f of full scale", d, worst)
		}
	}
}

func TestRegisterWithoutTexture(t *testing.T) {
	flat, other := make([]float32, cropSide*cropSide), make([]float32, cropSide*cropSide)
	for i := range other {
		other[i] = 0.1
	}
	newStill().register(flat, other)
	for i, v := range other {
		if v != 0.1 {
			t.Fatalf("pixel %d of a flat picture became %v", i, v)
		}
	}
}

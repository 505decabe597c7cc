package bat

import (
	"math"
	"testing"
)

// bump is a heat map with logits of a normal density of one cell's width round
// each of the places (cells), with weights.
func bump(at ...[3]float64) []float32 {
	heat := make([]float32, heatSide*heatSide)
	for j := range heatSide {
		for i := range heatSide {
			p := 1e-9
			for _, a := range at {
				p += a[2] * math.Exp(-((float64(i)-a[0])*(float64(i)-a[0])+(float64(j)-a[1])*(float64(j)-a[1]))/2)
			}
			heat[j*heatSide+i] = float32(math.Log(p))
		}
	}
	return heat
}

// precision is three planes of one value each.
func precision(a, b, c float32) []float32 {
	p := make([]float32, 3*heatSide*heatSide)
	for i := range heatSide * heatSide {
		p[i], p[heatSide*heatSide+i], p[2*heatSide*heatSide+i] = a, b, c
	}
	return p
}

func TestPeaks(t *testing.T) {
	found := peaks(bump([3]float64{20.3, 31.6, 0.8}, [3]float64{50, 10, 0.2}), precision(0, 0, 0))
	if len(found) != 2 {
		t.Fatalf("%d peaks, want 2: %+v", len(found), found)
	}
	for i, want := range []spot{{u: (20.3+0.5)*4 - 0.5, v: (31.6+0.5)*4 - 0.5, mass: 0.8}, {u: 50.5*4 - 0.5, v: 10.5*4 - 0.5, mass: 0.2}} {
		got := found[i]
		// A window of two cells to either side cuts a normal's tails unevenly
		// when its middle is not a cell's: a tenth of a cell at the most.
		if math.Abs(got.u-want.u) > 0.4 || math.Abs(got.v-want.v) > 0.4 || math.Abs(got.mass-want.mass) > 0.04 {
			t.Errorf("peak %d: %+v, want %+v", i, got, want)
		}
		if want := cellPx * math.Sqrt2; math.Abs(got.sigma-want) > 1e-6 {
			t.Errorf("peak %d: sigma %v px, want %v for a unit precision", i, got.sigma, want)
		}
	}
}

func TestPeaksNextToEachOtherAreOne(t *testing.T) {
	if found := peaks(bump([3]float64{20, 20, 0.6}, [3]float64{22.4, 20, 0.4}), precision(0, 0, 0)); len(found) != 1 {
		t.Errorf("two maxima within 3 cells: %d peaks", len(found))
	}
}

// The window of a peak in the map's corner is moved inside; it must not read
// beyond the map.
func TestPeaksInACorner(t *testing.T) {
	found := peaks(bump([3]float64{0, 63, 1}), precision(0, 0, 0))
	if len(found) != 1 || found[0].u > 8 || found[0].v < 4*60 {
		t.Errorf("peak in the lower left corner: %+v", found)
	}
}

// TestSigmaOf checks the closed form against the covariance (L L')^-1 worked
// out by hand: L = [[2, 0], [1, 4]] has L L' = [[4, 2], [2, 17]], determinant
// 64, inverse [[17, -2], [-2, 4]] / 64, mean variance 21/128, doubled 21/64.
func TestSigmaOf(t *testing.T) {
	if got, want := sigmaOf(math.Log(2), 1, math.Log(4)), math.Sqrt(21.0/64); math.Abs(got-want) > 1e-12 {
		t.Errorf("sigmaOf = %v, want %v", got, want)
	}
}

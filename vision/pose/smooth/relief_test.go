package smooth

import (
	"math"
	"math/rand/v2"
	"testing"

	"nightcage/vision"
)

// The depths of a made-up body, by hand, and what a network that takes some of
// its sides for the others would say of it.
func reliefOf(z [vision.NumLandmarks]float64, hips, shoulders vision.Vec3) *vision.Relief {
	r := &vision.Relief{Hips: vision.Heading{Dir: hips, ScaleRad: .1}, Shoulders: vision.Heading{Dir: shoulders, ScaleRad: .1}}
	set := func(d vision.Depth, v float64) { r.Depths[d] = vision.DepthGuess{Z: v, Scale: .01} }
	for s := range vision.Landmark(2) {
		d := vision.Depth(s)
		set(vision.LeftKneeHip+d, z[vision.LeftKnee+s]-z[vision.LeftHip+s])
		set(vision.LeftAnkleKnee+d, z[vision.LeftAnkle+s]-z[vision.LeftKnee+s])
		set(vision.LeftWristShoulder+d, z[vision.LeftWrist+s]-z[vision.LeftShoulder+s])
		set(vision.LeftElbowArm+d, z[vision.LeftElbow+s]-(z[vision.LeftWrist+s]+z[vision.LeftShoulder+s])/2)
		set(vision.LeftToeHeel+d, z[vision.LeftToe+s]-z[vision.LeftHeel+s])
	}
	set(vision.ShouldersHips, .05)
	set(vision.HeadShoulders, .02)
	set(vision.AnkleAnkle, z[vision.LeftAnkle]-z[vision.RightAnkle])
	return r
}

func TestExchangeUndoesAnExchange(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 0))
	var z [vision.NumLandmarks]float64
	for i := range z {
		z[i] = rng.NormFloat64()
	}
	hips, shoulders := vision.Vec3{X: .8, Z: .6}, vision.Vec3{X: .6, Z: -.8}
	want := reliefOf(z, hips, shoulders)
	for mask := range 1 << len(groups) {
		var flip [len(groups)]bool
		y, h, s := z, hips, shoulders
		for g, group := range groups {
			if flip[g] = mask&(1<<g) != 0; !flip[g] {
				continue
			}
			for _, l := range group {
				y[l], y[l+1] = y[l+1], y[l]
			}
		}
		if flip[groupHips] {
			h = negative(h)
		}
		if flip[groupArms] {
			s = negative(s)
		}
		said := reliefOf(y, h, s)
		before := *said
		got := exchange(said, flip)
		if *said != before {
			t.Fatalf("%v: the relief given was changed", flip)
		}
		if got.Hips != want.Hips || got.Shoulders != want.Shoulders {
			t.Errorf("%v: lines %v, %v", flip, got.Hips, got.Shoulders)
		}
		for d := range got.Depths {
			g, w := got.Depths[d], want.Depths[d]
			lost := flip[groupLegs] != flip[groupHips] && (vision.Depth(d) == vision.LeftKneeHip || vision.Depth(d) == vision.RightKneeHip)
			if lost != (g.Scale == 0) || !lost && math.Abs(g.Z-w.Z) > 1e-12 {
				t.Errorf("%v: depth %d is %v, want %v, lost %v", flip, d, g, w, lost)
			}
		}
	}
	if exchange(nil, [len(groups)]bool{true}) != nil {
		t.Error("a relief out of nothing")
	}
}

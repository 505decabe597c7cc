package path

import (
	"math"
	"testing"

	"nightcage/vision"
)

// A ball tossed on Earth, filmed at 30 frames a second, falls at 9.8 m/s².
// Times, s, and places, m (y up): the first rows of data/balltoss.txt of
// Duarte and Watanabe, Notes on Scientific Computing for Biomechanics and Motor
// Control (github.com/BMClab/BMC, CC BY 4.0).
func TestTossFallsAtG(t *testing.T) {
	rows := [][3]float64{{0, -.52620, -.00228}, {.0333, -.47023, .08078}, {.0667, -.41425, .15226}, {.1, -.35759, .21304},
		{.1333, -.30150, .26297}, {.1667, -.24478, .30214}, {.2, -.18753, .33099}}
	const pxPerM = 1000
	// The prior is told half the scale, so that gravity is twice what it
	// expects: what comes out is the data's.
	f := &field{o: Options{PxPerIn: pxPerM * 0.0254 / 2, Width: 2000, Height: 2000}}
	var of []*sighting
	for k, r := range rows {
		f.frames = append(f.frames, vision.Frame{Index: k, Ms: 1000 * r[0]})
		of = append(of, &sighting{frame: k, Blob: &Blob{X: pxPerM * r[1], Y: -pxPerM * r[2], SigmaPx: 0.3}})
	}
	fl, ok := f.fit(of, 100)
	if !ok {
		t.Fatal("no fit")
	}
	// The second derivative where w is nothing is twice p2.
	g := 2 * fl.p[py2] / pxPerM
	if sigma := 2 * math.Sqrt(fl.cov.At(py2, py2)) / pxPerM; math.Abs(g-9.8) > 2*sigma || sigma > 0.6 {
		t.Errorf("falls at %.2f ± %.2f m/s²", g, sigma)
	}
	if vx := fl.velocity(100).x / pxPerM; math.Abs(vx-1.69) > 0.02 { // (-.18753 + .52620)/.2
		t.Errorf("moves on at %.3f m/s", vx)
	}
}

// What a ball travels in a millisecond: 60 mph 1.056 in, 80 1.408, 90 1.584,
// 95 1.672 (1 mph is 0.44704 m/s exactly, NIST SP 811).
func TestTravelPerMs(t *testing.T) {
	for mph, inMs := range map[float64]float64{60: 1.056, 80: 1.408, 90: 1.584, 95: 1.672} {
		m := side()
		m.fps, m.at, m.distance = 240, vec{20, -8, 180}, 180
		m.in = vec{-mph * 0.44704 / 0.0254, 0, 0}
		r, _ := follow(t, m)
		if r.Flight.In == nil {
			t.Fatalf("%v mph: %s", mph, r.Flight.Kind)
		}
		got, sigma := r.Flight.In.SpeedPxS/m.pxPerIn()/1000, r.Flight.In.SpeedSigmaPxS/m.pxPerIn()/1000
		if math.Abs(got-inMs) > 3*sigma || sigma > 0.05*inMs {
			t.Errorf("%v mph: %.3f ± %.3f in a ms, table %.3f", mph, got, sigma, inMs)
		}
	}
}

// A fastball comes down at about 6 degrees at the plate, a curve at about 10,
// at 93 and 77 mph (A. Nathan, Optimizing the Swing, 2015).
func TestDescent(t *testing.T) {
	for mph, down := range map[float64]float64{93: 6, 77: 10} {
		m := side()
		m.fps, m.at = 240, vec{20, -8, 180}
		speed, a := mph*0.44704/0.0254, down*math.Pi/180
		m.in = vec{-speed * math.Cos(a), -speed * math.Sin(a), 0}
		r, _ := follow(t, m)
		in := r.Flight.In
		if in == nil {
			t.Fatal(r.Flight.Kind)
		}
		if math.Abs(in.AngleDeg+down) > 3*in.AngleSigmaDeg || in.AngleSigmaDeg > 1 || in.Right {
			t.Errorf("%v degrees down: %.2f ± %.2f, right %v", down, in.AngleDeg, in.AngleSigmaDeg, in.Right)
		}
	}
}

// Official Baseball Rules 3.01: 9 to 9 1/4 in around, so 2.864789 to 2.944366 in
// across, 1.37 % either way of the middle.
func TestRuleBookBall(t *testing.T) {
	const most = 9.25 / math.Pi
	if math.Abs(minBallIn-2.864789) > 5e-7 || math.Abs(most-2.944366) > 5e-7 {
		t.Errorf("%v to %v in", minBallIn, most)
	}
	if band := (most - minBallIn) / (most + minBallIn); math.Abs(band-0.0137) > 5e-5 {
		t.Errorf("band %v", band)
	}
	f := &field{o: Options{PxPerIn: 5}}
	for _, in := range []float64{minBallIn, most, maxBallIn} {
		if f.badSize(in / 2 * 5) {
			t.Errorf("a ball %v in across is refused", in)
		}
	}
	for _, in := range []float64{0.9, 9} { // a golf ball's half, a basketball
		if !f.badSize(in / 2 * 5) {
			t.Errorf("a thing %v in across is a ball", in)
		}
	}
}

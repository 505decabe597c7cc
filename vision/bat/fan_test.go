package bat

import (
	"math"
	"math/rand/v2"
	"testing"
)

// scenery is a crop of soft random ground, seen each time with noise of its own
// and shifted by a fraction of a pixel, as a hand-held camera does.
type scenery struct {
	rng    *rand.Rand
	ground []float32
}

func newScenery(seed uint64) *scenery {
	s := &scenery{rng: rand.New(rand.NewPCG(seed, 3)), ground: make([]float32, cropSide*cropSide)}
	for i := range s.ground {
		x, y := float64(i%cropSide), float64(i/cropSide)
		s.ground[i] = float32(0.45 + 0.15*math.Sin(x/17+float64(seed)) + 0.1*math.Cos(y/11))
		if int(y) > 150 && int(y) < 156 { // a rail
			s.ground[i] = 0.8
		}
	}
	return s
}

// shoot draws a bat of 34 in, 3 px per inch, whose knob lies at (128, 128) and
// whose direction turns from a to b (radians) during the exposure.
func (s *scenery) shoot(a, b, noise float64) []float32 {
	const steps, in = 60, 3.0
	picture := make([]float32, len(s.ground))
	dx := s.rng.Float64() * 0.3
	for i, g := range s.ground {
		next := s.ground[min(i+1, len(s.ground)-1)]
		picture[i] = float32(float64(g)*(1-dx) + float64(next)*dx + noise*s.rng.NormFloat64())
	}
	cover := make([]float32, len(picture))
	for k := range steps {
		uy, ux := math.Sincos(a + (b-a)*(float64(k)+0.5)/steps)
		seen := make([]bool, len(picture))
		for l := 0.0; l < 34*in; l += 0.5 {
			half := 0.5 * in
			if l > 20*in {
				half = 1.25 * in
			}
			for w := -half; w <= half; w += 0.5 {
				p := int(128+l*uy+w*ux+0.5)*cropSide + int(128+l*ux-w*uy+0.5)
				if !seen[p] {
					seen[p] = true
					cover[p] += 1.0 / steps
				}
			}
		}
	}
	for i, c := range cover {
		picture[i] = min(max(picture[i]*(1-c)+0.9*c, 0), 1)
	}
	return picture
}

func TestFansFindABlurredBat(t *testing.T) {
	const in, perFrame = 3.0, 0.3 // px per inch; radians between frames
	for _, c := range []struct {
		name    string
		exposed float64 // radians turned during an exposure
	}{{"sharp", 0.02}, {"half the time open", 0.15}, {"open nearly throughout", 0.27}} {
		for seed := range uint64(8) {
			s := newScenery(seed)
			mid := 2 * math.Pi * float64(seed) / 8
			at := func(turn float64) []float32 { return s.shoot(turn-c.exposed/2, turn+c.exposed/2, 0.01) }
			l := look3{at(mid - perFrame), at(mid), at(mid + perFrame)}
			w, scratch := make([]float32, cropSide*cropSide), make([]float32, cropSide*cropSide)
			l.motion(w)
			thicken(w, scratch, 2)
			// The hands are on the handle, and the pose network is 2 in off.
			uy, ux := math.Sincos(mid)
			rays := fans(w, 128+5*in*ux+4, 128+5*in*uy-4, in, 3)
			if len(rays) == 0 {
				t.Errorf("%s, seed %d: nothing found", c.name, seed)
				continue
			}
			r := rays[0]
			if off := math.Acos(min(1, r.ux*ux+r.uy*uy)) * 180 / math.Pi; off > 3 {
				t.Errorf("%s, seed %d: direction off by %.1f deg", c.name, seed, off)
			}
			tip := (128+34*in*ux-r.x)*r.ux + (128+34*in*uy-r.y)*r.uy
			if math.Abs(tip-r.reach) > 3*in {
				t.Errorf("%s, seed %d: reach off by %.1f in", c.name, seed, (tip-r.reach)/in)
			}
		}
	}
}

// What stands still leaves nothing, be it as straight as a rail.
func TestFansIgnoreWhatStandsStill(t *testing.T) {
	for seed := range uint64(4) {
		s := newScenery(seed)
		l := look3{s.shoot(1, 1, 0.02), s.shoot(1, 1, 0.02), s.shoot(1, 1, 0.02)}
		w, scratch := make([]float32, cropSide*cropSide), make([]float32, cropSide*cropSide)
		l.motion(w)
		thicken(w, scratch, 2)
		if rays := fans(w, 128, 128, 3, 3); len(rays) != 0 {
			t.Errorf("seed %d: %d streaks in a still scene, first %+v", seed, len(rays), rays[0])
		}
	}
}

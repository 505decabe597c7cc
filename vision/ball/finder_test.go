package ball

import (
	"context"
	"image"
	"math"
	"math/rand/v2"
	"testing"

	"gocv.io/x/gocv"

	"nightcage/vision"
	"nightcage/vision/ball/path"
)

const (
	filmW, filmH = 1280, 720
	filmPxPerIn  = 5.3
)

type colour struct{ r, g, b float64 }

// film is a made-up clip: a textured still background, a ball on a straight
// line, camera noise.
type film struct {
	fps, shutterMs float64
	ball, ground   colour
	radius         float64                         // px
	at             func(ms float64) (x, y float64) // px of a still camera
	camera         func(k int) (x, y float64)      // how far the camera has moved
	paint          func(p *gocv.Mat, k int)        // what else there is
	noise          float64                         // gray levels
	texture        *gocv.Mat                       // texture, made once
	grain          []int8                          // noise, made once
}

func toss() *film {
	return &film{fps: 120, shutterMs: 2, ball: colour{235, 235, 225}, ground: colour{90, 120, 70}, radius: 1.45 * filmPxPerIn,
		at:    func(ms float64) (x, y float64) { return 1250 - 4.5*ms, 300 + 0.6*ms },
		noise: 2}
}

// frame draws picture k. The ball is drawn with soft edges at many instants of
// the exposure.
func (f *film) frame(k int, into *gocv.Mat) (x, y float64, shift vision.Affine) {
	if f.texture == nil {
		rng := rand.New(rand.NewPCG(3, 4))
		small := gocv.NewMatWithSize(filmH/8+2, filmW/8+2, gocv.MatTypeCV8UC3)
		px, _ := small.DataPtrUint8()
		for i := 0; i < len(px); i += 3 {
			n := 20 * rng.NormFloat64()
			px[i], px[i+1], px[i+2] = clip(f.ground.b+n), clip(f.ground.g+n), clip(f.ground.r+n)
		}
		m := gocv.NewMat()
		gocv.Resize(small, &m, image.Pt((filmW/8+2)*8, (filmH/8+2)*8), 0, 0, gocv.InterpolationCubic)
		small.Close()
		f.texture = &m
	}
	cx, cy := 0.0, 0.0
	if f.camera != nil {
		cx, cy = f.camera(k)
	}
	part := f.texture.Region(image.Rect(8+int(cx), 8+int(cy), 8+int(cx)+filmW, 8+int(cy)+filmH))
	part.CopyTo(into)
	part.Close()
	if f.paint != nil {
		f.paint(into, k)
	}
	px, _ := into.DataPtrUint8()
	ms := float64(k) * 1000 / f.fps
	const instants = 16
	cover := map[int]float64{}
	for i := range instants {
		x, y := f.at(ms + f.shutterMs*((float64(i)+0.5)/instants-0.5))
		x, y = x-cx, y-cy
		for v := int(y - f.radius - 1); v <= int(y+f.radius+1); v++ {
			for u := int(x - f.radius - 1); u <= int(x+f.radius+1); u++ {
				if u < 0 || v < 0 || u >= filmW || v >= filmH {
					continue
				}
				in := f.radius + 0.5 - math.Hypot(float64(u)-x, float64(v)-y)
				cover[v*filmW+u] += math.Max(0, math.Min(1, in)) / instants
			}
		}
	}
	for q, a := range cover {
		for c, v := range [3]float64{f.ball.b, f.ball.g, f.ball.r} {
			px[3*q+c] = clip((1-a)*float64(px[3*q+c]) + a*v)
		}
	}
	if f.noise > 0 {
		if f.grain == nil {
			rng := rand.New(rand.NewPCG(5, 9))
			f.grain = make([]int8, len(px)+1<<16)
			for i := range f.grain {
				f.grain[i] = int8(math.Round(f.noise * rng.NormFloat64()))
			}
		}
		off := k * 7919 % (1 << 16)
		for i, v := range px {
			px[i] = uint8(max(0, min(255, int(v)+int(f.grain[off+i]))))
		}
	}
	x, y = f.at(ms)
	return x, y, vision.Affine{A: 1, D: 1, TX: cx, TY: cy, SigmaPx: 0.1}
}

func clip(v float64) uint8 { return uint8(math.Max(0, math.Min(255, v+0.5))) }

func (f *film) close() {
	if f.texture != nil {
		f.texture.Close()
	}
}

// run shows n frames to a finder and returns what it saw and where the ball was.
func (f *film) run(t *testing.T, n int) (path.Seen, [][2]float64) {
	t.Helper()
	defer f.close()
	finder, err := NewFinder(Setup{filmW, filmH, filmPxPerIn})
	if err != nil {
		t.Fatal(err)
	}
	defer finder.Close()
	m := gocv.NewMat()
	defer m.Close()
	var truth [][2]float64
	for k := range n {
		x, y, shift := f.frame(k, &m)
		truth = append(truth, [2]float64{x, y})
		if err := finder.Add(t.Context(), m, vision.Frame{Index: k, Ms: float64(k) * 1000 / f.fps, Shift: shift}, false); err != nil {
			t.Fatal(err)
		}
	}
	seen, err := finder.Finish()
	if err != nil {
		t.Fatal(err)
	}
	if len(seen.Sights) != n {
		t.Fatalf("%d sights of %d frames", len(seen.Sights), n)
	}
	return seen, truth
}

// nearest is the blob nearest a place.
func nearest(s path.Sight, x, y float64) (b path.Blob, px float64) {
	px = math.Inf(1)
	for _, c := range s.Blobs {
		if d := math.Hypot(c.X-x, c.Y-y); d < px {
			b, px = c, d
		}
	}
	return b, px
}

func TestFindsBalls(t *testing.T) {
	cases := map[string]func(*film){
		"white on grass":  func(f *film) {},
		"yellow softball": func(f *film) { f.ball, f.radius = colour{205, 215, 60}, 1.91*filmPxPerIn },
		"scuffed on dirt": func(f *film) { f.ball, f.ground = colour{150, 125, 95}, colour{125, 82, 50} },
		"dark on sky":     func(f *film) { f.ball, f.ground = colour{95, 95, 90}, colour{190, 205, 225} },
		"long streak":     func(f *film) { f.shutterMs = 7 },
		"60 fps":          func(f *film) { f.fps, f.shutterMs = 60, 4 },
		"slow, 240 fps": func(f *film) {
			f.fps, f.at = 240, func(ms float64) (x, y float64) { return 600 - 0.2*ms, 200 + 0.7*ms }
		},
		"far off":          func(f *film) { f.radius = 0.6 * filmPxPerIn },
		"hand-held camera": func(f *film) { f.camera = func(k int) (x, y float64) { return float64(k % 7), float64(k * 2 % 5) } },
	}
	for name, set := range cases {
		t.Run(name, func(t *testing.T) {
			f := toss()
			set(f)
			n := 30
			seen, truth := f.run(t, n)
			in, hit, stray, off := 0, 0, 0, 0.0
			for k, s := range seen.Sights {
				x, y := truth[k][0], truth[k][1]
				b, d := nearest(s, x, y)
				for range s.Blobs {
					stray++
				}
				edge := 2*f.radius + 8
				if x < edge || y < edge || x > filmW-edge || y > filmH-edge || k == 0 || k == n-1 {
					continue
				}
				in++
				if d > f.radius/2 {
					continue
				}
				hit++
				stray--
				off += d
				if b.RadiusPx < 0.6*f.radius || b.RadiusPx > 1.5*f.radius {
					t.Errorf("frame %d: radius %.1f px, is %.1f", k, b.RadiusPx, f.radius)
				}
				if d > 5*b.SigmaPx {
					t.Errorf("frame %d: %.2f px off, sigma %.2f", k, d, b.SigmaPx)
				}
			}
			if in < 8 || float64(hit) < 0.85*float64(in) {
				t.Errorf("found in %d of %d frames", hit, in)
			}
			if off/float64(hit) > 0.12*f.radius {
				t.Errorf("%.2f px off on average", off/float64(hit))
			}
			if stray > n {
				t.Errorf("%d other blobs in %d frames", stray, n)
			}
		})
	}
}

// Nothing moves, nothing is seen.
func TestStillPicture(t *testing.T) {
	f := toss()
	f.at = func(float64) (x, y float64) { return -100, -100 }
	seen, _ := f.run(t, 20)
	for k, s := range seen.Sights {
		if len(s.Blobs) > 0 {
			t.Errorf("frame %d: %d blobs", k, len(s.Blobs))
		}
	}
	if len(seen.Spots) > 0 {
		t.Errorf("%d spots left", len(seen.Spots))
	}
}

// A ball on a tee is watched until it is hit off.
func TestWatchesTee(t *testing.T) {
	f := toss()
	const hit = 30
	f.at = func(ms float64) (x, y float64) {
		t := math.Max(0, ms-hit*1000/120+2)
		return 700 + 6*t, 420 - 1.5*t
	}
	f.paint = func(p *gocv.Mat, k int) { // the post
		post := p.Region(image.Rect(697, 428, 704, 600))
		post.SetTo(gocv.NewScalar(20, 20, 25, 0))
		post.Close()
	}
	seen, _ := f.run(t, 60)
	for _, s := range seen.Spots {
		if math.Hypot(s.X-700, s.Y-420) > 2 {
			continue
		}
		if math.Abs(s.RadiusPx-f.radius) > 0.25*f.radius || !s.Light {
			t.Errorf("radius %.1f px, is %.1f; light %v", s.RadiusPx, f.radius, s.Light)
		}
		for k, v := range s.Left {
			if (k < hit && v > 0.35) || (k > hit && v < 0.65) || math.IsNaN(v) {
				t.Errorf("frame %d: %.2f gone", k, v)
			}
		}
		return
	}
	t.Errorf("not among %d spots", len(seen.Spots))
}

// A repeated picture gives a Sight that says so.
func TestRepeatedPicture(t *testing.T) {
	f := toss()
	defer f.close()
	finder, err := NewFinder(Setup{filmW, filmH, filmPxPerIn})
	if err != nil {
		t.Fatal(err)
	}
	defer finder.Close()
	m := gocv.NewMat()
	defer m.Close()
	shown := 0
	for k := range 30 {
		repeat := k%3 == 2
		if !repeat {
			f.frame(k, &m)
			shown++
		}
		if err := finder.Add(t.Context(), m, vision.Frame{Index: k, Ms: float64(k) * 1000 / f.fps}, repeat); err != nil {
			t.Fatal(err)
		}
	}
	seen, err := finder.Finish()
	if err != nil {
		t.Fatal(err)
	}
	found := 0
	for k, s := range seen.Sights {
		if s.Repeat != (k%3 == 2) || (s.Repeat && len(s.Blobs) > 0) {
			t.Errorf("frame %d: repeat %v, %d blobs", k, s.Repeat, len(s.Blobs))
		}
		if len(s.Blobs) > 0 {
			found++
		}
	}
	if found < shown/2 {
		t.Errorf("ball in %d of %d pictures", found, shown)
	}
}

func TestRefuses(t *testing.T) {
	for _, s := range []Setup{{}, {filmW, filmH, 0}, {0, filmH, 5}, {filmW, filmH, math.NaN()}} {
		if _, err := NewFinder(s); err == nil {
			t.Errorf("%+v accepted", s)
		}
	}
	f, err := NewFinder(Setup{filmW, filmH, filmPxPerIn})
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	m := gocv.NewMatWithSize(10, 10, gocv.MatTypeCV8UC3)
	defer m.Close()
	if err := f.Add(t.Context(), m, vision.Frame{}, false); err == nil {
		t.Error("a picture of another size was taken")
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := f.Add(ctx, m, vision.Frame{}, false); err == nil {
		t.Error("went on after the context ended")
	}
	if seen, err := f.Finish(); err != nil || len(seen.Sights) != 0 {
		t.Errorf("nothing shown: %d sights, %v", len(seen.Sights), err)
	}
}

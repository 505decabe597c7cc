package clip

import (
	"context"
	"errors"
	"image"
	"io"
	"math"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"testing"

	"gocv.io/x/gocv"

	"nightcage/vision"
	"nightcage/vision/truth"
)

const clips = "../../testdata/clips"

// fullOf returns the truth of a committed clip, its Track, and the box that
// holds the hitter throughout.
func fullOf(t testing.TB, name string) (path string, f *truth.File, tr *vision.Track, box vision.Box) {
	t.Helper()
	path = filepath.Join(clips, name+".mp4")
	at, err := truth.Find(path)
	if err != nil {
		t.Fatal(err)
	}
	if f, err = truth.Read(at); err != nil {
		t.Fatal(err)
	}
	if tr, err = truth.Track(f, truth.Options{No3D: true}); err != nil {
		t.Fatal(err)
	}
	box = vision.Box{X0: math.Inf(1), Y0: math.Inf(1), X1: math.Inf(-1), Y1: math.Inf(-1)}
	for _, fr := range tr.Frames {
		for _, m := range fr.Body {
			if m.Found() {
				box.X0, box.Y0 = min(box.X0, m.X-20), min(box.Y0, m.Y-40)
				box.X1, box.Y1 = max(box.X1, m.X+20), max(box.Y1, m.Y+20)
			}
		}
	}
	return path, f, tr, box
}

// apart is how far from each other two maps put a point, px.
func apart(a, b vision.Affine, x, y float64) float64 {
	return math.Hypot(a.A*x+a.B*y+a.TX-b.A*x-b.B*y-b.TX, a.C*x+a.D*y+a.TY-b.C*x-b.D*y-b.TY)
}

// The rendered clips state the camera of every frame; on the hand-held one the
// picture moves by many px, on the others not at all.
func TestStabiliserFollowsTheRenderedCamera(t *testing.T) {
	for _, name := range []string{"s77001_00", "s77001_06"} {
		path, f, tr, box := fullOf(t, name)
		r := open(t, probe(t, path), path)
		s := NewStabiliser(box)
		defer s.Close()
		x, y := (box.X0+box.X1)/2, (box.Y0+box.Y1)/2
		var errs []float64
		within, moved := 0, 0.0
		for {
			fr, err := r.Next(context.Background())
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil {
				t.Fatal(err)
			}
			got, err := s.Next(r.Gray())
			if err != nil {
				t.Fatal(err)
			}
			if got.Reason != "" {
				t.Fatalf("%s frame %d: %s", name, fr.Index, got.Reason)
			}
			want := tr.Frames[fr.Index].Shift
			e := apart(got.Affine, want, x, y)
			errs = append(errs, e)
			if e < 2.45*got.SigmaPx { // 95 % of a circular Gaussian
				within++
			}
			moved = max(moved, apart(want, vision.Affine{A: 1, D: 1}, x, y))
		}
		slices.Sort(errs)
		n := len(errs)
		t.Logf("%s: moved %.1f px; error median %.3f, 95 %% %.3f, largest %.3f px", name, moved, errs[n/2], errs[n*95/100], errs[n-1])
		if f.Camera.HandShake != (moved > 1) {
			t.Errorf("%s: hand-shake %v, picture moved %.2f px", name, f.Camera.HandShake, moved)
		}
		if errs[n/2] > 0.3 || errs[n*95/100] > 0.7 {
			t.Errorf("%s: error median %.3f, 95 %% %.3f px", name, errs[n/2], errs[n*95/100])
		}
		if share := float64(within) / float64(n); share < 0.9 {
			t.Errorf("%s: %.2f of the errors within their stated 95 %%", name, share)
		}
	}
}

// texture is smooth noise of several grains, which never repeats.
func texture(t testing.TB, w, h int, seed uint64) gocv.Mat {
	t.Helper()
	rng := rand.New(rand.NewPCG(seed, 0))
	sum := gocv.NewMatWithSize(h, w, gocv.MatTypeCV8UC1)
	for _, grain := range []int{4, 16} {
		b := make([]byte, (w/grain)*(h/grain))
		for i := range b {
			b[i] = byte(rng.IntN(128))
		}
		small, err := gocv.NewMatFromBytes(h/grain, w/grain, gocv.MatTypeCV8UC1, b)
		if err != nil {
			t.Fatal(err)
		}
		large := gocv.NewMat()
		gocv.Resize(small, &large, image.Pt(w, h), 0, 0, gocv.InterpolationCubic)
		gocv.Add(sum, large, &sum)
		small.Close()
		large.Close()
	}
	return sum
}

// seenBy is the texture through a camera that shows its point p at m(p).
func seenBy(tex gocv.Mat, m warp) gocv.Mat {
	a := gocv.NewMatWithSize(2, 3, gocv.MatTypeCV64F)
	defer a.Close()
	for i := range 6 {
		a.SetDoubleAt(i/3, i%3, m[i])
	}
	out := gocv.NewMat()
	gocv.WarpAffine(tex, &out, a, image.Pt(1280, 720))
	return out
}

func TestStabiliserOnKnownMotion(t *testing.T) {
	tex := texture(t, 2400, 1200, 1)
	defer tex.Close()
	other := texture(t, 1280, 720, 2)
	defer other.Close()
	turn := func(deg, zoom, tx, ty float64) warp {
		s, c := math.Sincos(deg * math.Pi / 180)
		return warp{zoom * c, -zoom * s, tx, zoom * s, zoom * c, ty, 0, 0, 1}
	}
	for _, c := range []struct {
		name   string
		camera func(k float64) warp
		hide   bool // a third of the picture moves its own way
		tol    float64
	}{
		{"still", func(float64) warp { return turn(0, 1, -300, -200) }, false, 0.01},
		{"shake", func(k float64) warp { return turn(math.Sin(k/9), 1, -300+6*math.Sin(k/5), -200+4*math.Cos(k/7)) }, false, 0.05},
		{"zoom", func(k float64) warp { return turn(0, 1+k/1000, -300, -200) }, false, 0.1},
		// 900 px across in 60 pictures: the points of the first are long gone.
		{"pan", func(k float64) warp { return turn(0, 1, -100-15*k, -200+math.Sin(k)) }, false, 0.5},
		{"something large moves", func(k float64) warp { return turn(0, 1, -300+3*math.Sin(k/5), -200) }, true, 1.2}, // its edge drags the points near it
	} {
		t.Run(c.name, func(t *testing.T) {
			s := NewStabiliser(vision.Box{})
			defer s.Close()
			worst := 0.0
			for k := range 60 {
				pic := seenBy(tex, c.camera(float64(k)))
				if c.hide {
					at := image.Rect(100+8*k, 100, 700+8*k, 600)
					part, from := pic.Region(at), other.Region(at.Sub(image.Pt(100+7*k, 100)).Add(image.Pt(5*k, 0)))
					from.CopyTo(&part)
					part.Close()
					from.Close()
				}
				got, err := s.Next(pic)
				pic.Close()
				if err != nil {
					t.Fatal(err)
				}
				if got.Reason != "" {
					t.Fatalf("picture %d: %s", k, got.Reason)
				}
				want := c.camera(0).after(c.camera(float64(k)).inverse()).affineAt([2]float64{640, 360}, 0)
				worst = max(worst, apart(got.Affine, want, 640, 360))
			}
			t.Logf("worst %.3f px", worst)
			if worst > c.tol {
				t.Errorf("worst %.3f px, want at most %.2f", worst, c.tol)
			}
		})
	}
}

func TestStabiliserSaysWhenItCannot(t *testing.T) {
	plain := gocv.NewMatWithSizeFromScalar(gocv.NewScalar(90, 0, 0, 0), 720, 1280, gocv.MatTypeCV8UC1)
	defer plain.Close()
	s := NewStabiliser(vision.Box{})
	defer s.Close()
	for k := range 3 {
		got, err := s.Next(plain)
		if err != nil {
			t.Fatal(err)
		}
		if k > 0 && (got.Reason == "" || got.SigmaPx < 10 || apart(got.Affine, vision.Affine{A: 1, D: 1}, 640, 360) != 0) {
			t.Errorf("picture %d of a blank wall: %+v", k, got)
		}
	}
	// A cut to another scene is no camera motion.
	a, b := texture(t, 1280, 720, 3), texture(t, 1280, 720, 4)
	defer a.Close()
	defer b.Close()
	cut := NewStabiliser(vision.Box{})
	defer cut.Close()
	if _, err := cut.Next(a); err != nil {
		t.Fatal(err)
	}
	if got, err := cut.Next(b); err != nil || got.Reason == "" {
		t.Errorf("after a cut: %+v, %v", got, err)
	}
	small := gocv.NewMatWithSize(10, 10, gocv.MatTypeCV8UC1)
	defer small.Close()
	if _, err := cut.Next(small); err == nil {
		t.Error("a picture of another size: accepted")
	}
	colour := gocv.NewMatWithSize(720, 1280, gocv.MatTypeCV8UC3)
	defer colour.Close()
	if _, err := cut.Next(colour); err == nil {
		t.Error("a colour picture: accepted")
	}
}

// Exact pairs under a camera turned by a degree about both axes (the exact map
// of such a turn is K*R*K^-1), a third of them wrong.
func TestFitRecoversATurnedCamera(t *testing.T) {
	const f, cx, cy = 1100.0, 640.0, 360.0
	s, c := math.Sincos(math.Pi / 180)
	k := warp{f, 0, cx, 0, f, cy, 0, 0, 1}
	h := k.after(warp{c, 0, s, 0, 1, 0, -s, 0, c}).after(warp{1, 0, 0, 0, c, -s, 0, s, c}).after(k.inverse())
	rng := rand.New(rand.NewPCG(5, 0))
	var ps []pair
	for i := range 90 {
		p := pair{now: [2]float64{1280 * rng.Float64(), 720 * rng.Float64()}}
		p.then = h.apply(p.now)
		if i%3 == 0 {
			p.then[0] += 40 * rng.Float64()
			p.then[1] -= 10 + 40*rng.Float64()
		}
		ps = append(ps, p)
	}
	got, sigma, n, ok := fit(ps, minPoints, [2]float64{640, 360}, 640)
	if !ok || n < 60 || n > 62 {
		t.Fatalf("ok %v, %d agree", ok, n)
	}
	a, b := got.apply([2]float64{640, 360}), h.apply([2]float64{640, 360})
	if d := math.Hypot(a[0]-b[0], a[1]-b[1]); d > 0.1 || sigma > 0.1 {
		t.Errorf("%.3f px off, sigma %.3f", d, sigma)
	}
	if _, _, _, ok := fit(ps[:8], minPoints, [2]float64{640, 360}, 640); ok {
		t.Error("8 pairs are too few")
	}
	for i := range ps {
		ps[i].then = [2]float64{1280 * rng.Float64(), 720 * rng.Float64()}
	}
	if _, _, n, ok := fit(ps, minPoints, [2]float64{640, 360}, 640); ok {
		t.Errorf("%d of %d unrelated pairs agree", n, len(ps))
	}
}

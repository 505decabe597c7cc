package ground

import (
	"context"
	"image"
	"image/color"
	"math"
	"math/rand/v2"
	"path/filepath"
	"testing"

	"gocv.io/x/gocv"

	"nightcage/vision"
	"nightcage/vision/clip"
	"nightcage/vision/ground/fit"
	"nightcage/vision/truth"
)

// drawn is a made picture: shapes on the ground by a camera 190 in away, 50 in
// up, with grain.
type drawn struct {
	rng    *rand.Rand
	shapes []shape
}

type shape struct {
	at    []fit.Place
	value uint8
}

const drawnW, drawnH = 1280, 720

// see is an image of the ground by a pinhole of 1100 px that looks 10 deg down
// from 50 in above a point 190 in from the plate, which lies 15 in to the right,
// turned by 5 deg: formulas of its own, not the fit's.
func see(p fit.Place) image.Point {
	turn, tilt := 5*math.Pi/180, 10*math.Pi/180
	x := 15 + p.X*math.Cos(turn) - p.Z*math.Sin(turn)
	z := 190 - p.X*math.Sin(turn) - p.Z*math.Cos(turn)
	y := 50.0
	depth := z*math.Cos(tilt) + y*math.Sin(tilt)
	v := (y*math.Cos(tilt) - z*math.Sin(tilt)) / depth * 1100
	const sub = 16 // parts of a px that OpenCV draws to
	return image.Pt(int(math.Round(sub*(1100*x/depth+drawnW/2-.5))), int(math.Round(sub*(v+drawnH/2-.5))))
}

// grain is noise of 4 steps, used from another place for each picture.
var grain = func() []int8 {
	rng := rand.New(rand.NewPCG(65001, 7))
	out := make([]int8, 99991)
	for i := range out {
		out[i] = int8(4 * rng.NormFloat64())
	}
	return out
}()

func (d *drawn) picture() gocv.Mat {
	m := gocv.NewMatWithSizeFromScalar(gocv.NewScalar(70, 70, 70, 0), 16*drawnH/8, 16*drawnW/8, gocv.MatTypeCV8UC1)
	defer m.Close()
	for _, s := range d.shapes {
		var pts []image.Point
		for _, p := range s.at {
			q := see(p)
			pts = append(pts, image.Pt((q.X+8)/8, (q.Y+8)/8)) // twice the size
		}
		pv := gocv.NewPointsVectorFromPoints([][]image.Point{pts})
		gocv.FillPoly(&m, pv, color.RGBA{s.value, s.value, s.value, 0})
		pv.Close()
	}
	small := gocv.NewMat()
	defer small.Close()
	gocv.Resize(m, &small, image.Pt(drawnW, drawnH), 0, 0, gocv.InterpolationArea)
	data, _ := small.DataPtrUint8()
	from := d.rng.IntN(len(grain))
	for i := range data {
		data[i] = uint8(max(0, min(255, int(data[i])+int(grain[(from+i)%len(grain)]))))
	}
	out := gocv.NewMat()
	gocv.CvtColor(small, &out, gocv.ColorGrayToBGR)
	return out
}

func (d *drawn) look(t testing.TB) *vision.Ground {
	t.Helper()
	f := NewFinder()
	defer f.Close()
	for range 3 {
		m := d.picture()
		if err := f.Add(m, vision.Affine{}); err != nil {
			t.Fatal(err)
		}
		m.Close()
	}
	feet := see(fit.Place{X: -2, Z: -30})
	g, err := f.Look(About{AnklesX: float64(feet.X) / 16, AnklesY: float64(feet.Y) / 16, HeightPx: 70 * 5.3, HeightIn: 70,
		Prior: fit.Before(&vision.Clip{Width: drawnW, Height: drawnH})})
	if err != nil {
		t.Fatal(err)
	}
	return g
}

func plate(value uint8) shape { return shape{fit.PlateCorners[:], value} }

// dirt covers part of a shape: blots of ground colour.
func dirt(rng *rand.Rand, n int, in float64) (out []shape) {
	for range n {
		x, z := rng.Float64()*17-8.5, rng.Float64()*17-8.5
		var b []fit.Place
		for k := range 8 {
			r := in * (.6 + .4*rng.Float64())
			b = append(b, fit.Place{X: x + r*math.Cos(float64(k)*math.Pi/4), Z: z + r*math.Sin(float64(k)*math.Pi/4)})
		}
		out = append(out, shape{b, 80})
	}
	return out
}

func farthest(g *vision.Ground) (px float64) {
	for i, p := range fit.PlateCorners {
		q := see(p)
		px = max(px, math.Hypot(g.Plate[i].X-float64(q.X)/16, g.Plate[i].Y-float64(q.Y)/16))
	}
	return px
}

func TestPlateIsFoundToPartOfAPx(t *testing.T) {
	rng := rand.New(rand.NewPCG(65001, 4))
	for _, value := range []uint8{235, 150, 110} {
		d := drawn{rng, []shape{plate(value)}}
		g := d.look(t)
		if len(g.Plate) != 5 {
			t.Errorf("plate %d on ground of 70: %s", value, g.NoPlate)
			continue
		}
		if px := farthest(g); px > 1 {
			t.Errorf("plate %d: a corner is off by %.2f px", value, px)
		}
	}
}

// A plate with dirt on it is found to an inch or not at all.
func TestDirtyPlateIsRightOrRefused(t *testing.T) {
	rng := rand.New(rand.NewPCG(65001, 5))
	found := 0
	for k := range 18 {
		d := drawn{rng, append([]shape{plate(200)}, dirt(rng, 1+k/4, 1.5)...)}
		g := d.look(t)
		if len(g.Plate) != 5 {
			continue
		}
		found++
		if px := farthest(g); px > 5.3 {
			t.Errorf("dirt %d: a corner is off by %.2f px", k, px)
		}
	}
	if found < 5 {
		t.Errorf("%d of 18 dirty plates found", found)
	}
}

// Mats, bases, blots and shapes with five corners that are not a plate's.
func TestWhatIsNoPlateIsRefused(t *testing.T) {
	rng := rand.New(rand.NewPCG(65001, 6))
	square := func(a, b float64) shape { return places(-a, b, a, b, a, -b, -a, -b) }
	for name, s := range map[string]shape{
		"base, 15 in":   square(7.5, 7.5),
		"strip":         square(20, 2),
		"strike mat":    square(8.5, 11),
		"round":         {round(9), 220},
		"plate turned":  places(8.5, 0, 0, -8.5, -8.5, -8.5, -8.5, 8.5, 0, 2),
		"regular five":  {regular(5, 9), 220},
		"long pentagon": places(-20, 0, -9, 6, 12, 6, 12, -6, -9, -6),
	} {
		d := drawn{rng, []shape{s}}
		if g := d.look(t); len(g.Plate) != 0 {
			t.Errorf("%s passes for a plate", name)
		}
	}
	for k := range 20 {
		var b []fit.Place
		for i := range 5 {
			a := (float64(i) + .7*rng.Float64()) * 2 * math.Pi / 5
			b = append(b, fit.Place{X: 10 * math.Cos(a), Z: 10 * math.Sin(a)})
		}
		d := drawn{rng, []shape{{b, 220}}}
		if g := d.look(t); len(g.Plate) != 0 && farthest(g) > 12 {
			t.Errorf("chance shape %d passes for a plate", k)
		}
	}
}

// places is a white shape with corners at x, z, x, z, ...
func places(xz ...float64) shape {
	s := shape{value: 220}
	for i := 0; i < len(xz); i += 2 {
		s.at = append(s.at, fit.Place{X: xz[i], Z: xz[i+1]})
	}
	return s
}

func round(r float64) []fit.Place { return regular(24, r) }

func regular(n int, r float64) (out []fit.Place) {
	for i := range n {
		a := float64(i) * 2 * math.Pi / float64(n)
		out = append(out, fit.Place{X: r * math.Cos(a), Z: r * math.Sin(a)})
	}
	return out
}

// On rendered clips whose truth files say where the plate lies: corners within a
// third of an inch, and the camera fitted to them has the true lens within its
// error.
func TestClips(t *testing.T) {
	paths, err := filepath.Glob("../../testdata/clips/*.mp4")
	if err != nil || len(paths) == 0 {
		t.Fatalf("no clips: %v", err)
	}
	for _, path := range paths {
		f := readTruth(t, path)
		g := lookAt(t, path, f)
		if len(g.Plate) != 5 {
			t.Errorf("%s: %s", f.Name, g.NoPlate)
			continue
		}
		inch := f.PxPerIn(0, vision.Vec3{X: f.Scene.PlatePointIn[0], Z: f.Scene.PlatePointIn[2]})
		mirror := map[string]float64{"R": 1, "L": -1}[f.Handedness]
		for i, c := range fit.PlateCorners {
			x, y, _ := f.Frames[0].P.Project(vision.Vec3{X: f.Scene.PlatePointIn[0] + 8.5 + c.X, Z: f.Scene.PlatePointIn[2] + mirror*c.Z})
			if d := math.Hypot(g.Plate[i].X-x, g.Plate[i].Y-y) / inch; d > 1./3 {
				t.Errorf("%s: corner %d is off by %.2f in", f.Name, i, d)
			}
		}
		if len(g.Lines) < 3 {
			t.Errorf("%s: %d lines of the boxes found", f.Name, len(g.Lines))
		}
	}
}

func readTruth(t testing.TB, path string) *truth.File {
	t.Helper()
	p, err := truth.Find(path)
	if err != nil {
		t.Fatal(err)
	}
	f, err := truth.Read(p)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// lookAt finds the ground in a clip whose camera motion is the truth's.
func lookAt(t testing.TB, path string, f *truth.File) *vision.Ground {
	t.Helper()
	ctx := context.Background()
	track, err := truth.Track(f, truth.Options{No3D: true})
	if err != nil {
		t.Fatal(err)
	}
	c, err := clip.Probe(ctx, path, vision.Subject{})
	if err != nil {
		t.Fatal(err)
	}
	r, err := clip.Open(ctx, c, path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	finder := NewFinder()
	defer finder.Close()
	for k := range track.Frames {
		p, err := r.Next(ctx)
		if err != nil {
			t.Fatal(err)
		}
		if Wanted(k, len(track.Frames)) {
			if err := finder.Add(p.BGR, track.Frames[k].Shift); err != nil {
				t.Fatal(err)
			}
		}
	}
	l, q := track.Frames[0].Body[vision.LeftAnkle], track.Frames[0].Body[vision.RightAnkle]
	g, err := finder.Look(About{AnklesX: (l.X + q.X) / 2, AnklesY: (l.Y + q.Y) / 2, HeightPx: f.Hitter.HeightIn * f.PxPerIn(0, vision.Vec3{Y: 35}),
		HeightIn: f.Hitter.HeightIn, Prior: fit.Before(&c)})
	if err != nil {
		t.Fatal(err)
	}
	return g
}

// A camera that could not be followed leaves nothing to lay over each other.
func TestUnsteadyCameraIsSaid(t *testing.T) {
	f := NewFinder()
	defer f.Close()
	d := drawn{rand.New(rand.NewPCG(1, 1)), []shape{plate(220)}}
	m := d.picture()
	defer m.Close()
	for range 5 {
		if err := f.Add(m, vision.Affine{A: 1, D: 1, SigmaPx: 30}); err != nil {
			t.Fatal(err)
		}
	}
	g, err := f.Look(About{HeightPx: 300, HeightIn: 70, Prior: fit.Before(&vision.Clip{Width: drawnW, Height: drawnH})})
	if err != nil || g.NoPlate == "" || len(g.Plate)+len(g.Lines)+len(g.Uprights) > 0 {
		t.Errorf("%+v, %v", g, err)
	}
}

func TestPicturesMustMatch(t *testing.T) {
	f := NewFinder()
	defer f.Close()
	a, b, c := gocv.NewMatWithSize(10, 10, gocv.MatTypeCV8UC3), gocv.NewMatWithSize(12, 10, gocv.MatTypeCV8UC3), gocv.NewMatWithSize(10, 10, gocv.MatTypeCV8UC1)
	defer a.Close()
	defer b.Close()
	defer c.Close()
	if err := f.Add(a, vision.Affine{}); err != nil {
		t.Error(err)
	}
	if f.Add(b, vision.Affine{}) == nil || f.Add(c, vision.Affine{}) == nil {
		t.Error("pictures of another size or kind are taken")
	}
}

func BenchmarkLook(b *testing.B) {
	d := drawn{rand.New(rand.NewPCG(1, 1)), []shape{plate(220)}}
	f := NewFinder()
	defer f.Close()
	for range Samples {
		m := d.picture()
		if err := f.Add(m, vision.Affine{}); err != nil {
			b.Fatal(err)
		}
		m.Close()
	}
	feet := see(fit.Place{X: -2, Z: -30})
	a := About{AnklesX: float64(feet.X) / 16, AnklesY: float64(feet.Y) / 16, HeightPx: 70 * 5.3, HeightIn: 70, Prior: fit.Before(&vision.Clip{Width: drawnW, Height: drawnH})}
	for b.Loop() {
		if _, err := f.Look(a); err != nil {
			b.Fatal(err)
		}
	}
}

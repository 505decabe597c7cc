package phases

import (
	"math"
	"path/filepath"
	"testing"

	"nightcage/vision"
	"nightcage/vision/truth"
)

// committed returns the truth files that lie in the repository.
func committed(t testing.TB) []*truth.File {
	t.Helper()
	paths, err := filepath.Glob("../testdata/clips/*.json.gz")
	if err != nil || len(paths) < 4 {
		t.Fatalf("want at least 4 truth files, have %d (%v)", len(paths), err)
	}
	var out []*truth.File
	for _, p := range paths {
		f, err := truth.Read(p)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, f)
	}
	return out
}

// replay returns the clip as if the hitter had gone through the times
// source(ms) instead of ms, for lengthMs.
func replay(f *truth.File, lengthMs float64, source func(ms float64) float64) *truth.File {
	g := *f
	g.Frames = nil
	dt := 1000 / f.FPS
	for i := 0; float64(i)*dt <= lengthMs; i++ {
		ms := float64(i) * dt
		s := math.Max(f.Frames[0].Ms, math.Min(source(ms), f.Frames[len(f.Frames)-1].Ms))
		k := 0
		for k < len(f.Frames)-2 && f.Frames[k+1].Ms <= s {
			k++
		}
		a, b := &f.Frames[k], &f.Frames[k+1]
		w := (s - a.Ms) / (b.Ms - a.Ms)
		mix := func(p, q truth.Point) truth.Point {
			return truth.Point{XYZ: vision.Vec3{X: p.XYZ.X + w*(q.XYZ.X-p.XYZ.X), Y: p.XYZ.Y + w*(q.XYZ.Y-p.XYZ.Y), Z: p.XYZ.Z + w*(q.XYZ.Z-p.XYZ.Z)},
				X: p.X + w*(q.X-p.X), Y: p.Y + w*(q.Y-p.Y), InFrame: p.InFrame && q.InFrame}
		}
		fr := truth.Frame{Ms: ms, Joints: map[string]truth.Point{}, HeadRadiusPx: a.HeadRadiusPx, P: a.P,
			Knob: mix(a.Knob, b.Knob), Tip: mix(a.Tip, b.Tip), SweetSpot: mix(a.SweetSpot, b.SweetSpot)}
		for n, p := range a.Joints {
			fr.Joints[n] = mix(p, b.Joints[n])
		}
		g.Frames = append(g.Frames, fr)
	}
	return &g
}

func eventMs(t testing.TB, f *truth.File, id EventID) float64 {
	t.Helper()
	ms, ok := f.EventMs(string(id))
	if !ok {
		t.Fatalf("%s has no %s", f.Name, id)
	}
	return ms
}

// take plays the swing up to just before the hands start and lets the hitter
// come to rest there.
func take(t testing.TB, f *truth.File) *truth.File {
	stop := eventMs(t, f, ForwardMove) - 60
	return replay(f, stop+500, func(ms float64) float64 {
		// Speed falls from one to zero over 120 ms.
		u := math.Max(0, math.Min(ms-(stop-60), 120))
		return math.Min(ms, stop-60) + u - u*u/240
	})
}

// check plays the swing on to early ms before contact and takes the bat back
// at a third of the speed.
func check(t testing.TB, f *truth.File, early float64) *truth.File {
	stop := eventMs(t, f, Contact) - early
	return replay(f, stop+600, func(ms float64) float64 {
		const brake = 50 // ms over which the bat stops
		if ms < stop-brake {
			return ms
		}
		u := ms - (stop - brake)
		if u < brake {
			return stop - brake + u - u*u/(2*brake)
		}
		return stop - brake/2 - math.Min((u-brake)/3, 120)
	})
}

// bunt squares the bat over the plate, level, and holds it there.
func bunt(t testing.TB, f *truth.File, no3d bool) *vision.Track {
	g := take(t, f)
	at := eventMs(t, f, ToeTouch)
	for i := range g.Frames {
		fr := &g.Frames[i]
		w := math.Max(0, math.Min((fr.Ms-at+450)/450, 1))
		place := func(p *truth.Point, x, y, z float64) {
			p.XYZ = vision.Vec3{X: p.XYZ.X + w*(x-p.XYZ.X), Y: p.XYZ.Y + w*(y-p.XYZ.Y), Z: p.XYZ.Z + w*(z-p.XYZ.Z)}
			p.X, p.Y, p.InFrame = fr.P.Project(p.XYZ)
		}
		place(&fr.Knob, 6, 38, 10)
		place(&fr.Tip, 10, 44, 10+math.Sqrt(f.Bat.LengthIn*f.Bat.LengthIn-52))
	}
	tr, err := truth.Track(g, truth.Options{Seed: 3, NoisePx: 1, BatNoisePx: 1, No3D: no3d})
	if err != nil {
		t.Fatal(err)
	}
	return tr
}

func TestKinds(t *testing.T) {
	for _, f := range committed(t) {
		for _, c := range []struct {
			name string
			want Kind
			make func() *truth.File
		}{
			{"swing", KindSwing, func() *truth.File { return f }},
			{"take", KindTake, func() *truth.File { return take(t, f) }},
			{"check early", KindCheck, func() *truth.File { return check(t, f, 60) }},
			{"check late", KindCheck, func() *truth.File { return check(t, f, 25) }},
			{"stance only", KindNone, func() *truth.File {
				end := eventMs(t, f, LoadStart) + 100
				return replay(f, 800, func(ms float64) float64 { return math.Min(ms, end) })
			}},
		} {
			for _, no3d := range []bool{false, true} {
				tr, err := truth.Track(c.make(), truth.Options{Seed: 5, NoisePx: 1, BatNoisePx: 1, No3D: no3d})
				if err != nil {
					t.Fatal(err)
				}
				got, err := Find(*tr)
				if err != nil {
					t.Fatal(err)
				}
				if got.Kind != c.want {
					t.Errorf("%s %s no3d=%v: kind %q (%s), want %q", f.Name, c.name, no3d, got.Kind, got.Why, c.want)
				}
				if e := got.Events[6]; e.Found != (c.want == KindSwing) {
					t.Errorf("%s %s no3d=%v: contact found %v", f.Name, c.name, no3d, e.Found)
				}
			}
		}
		for _, no3d := range []bool{false, true} {
			got, err := Find(*bunt(t, f, no3d))
			if err != nil {
				t.Fatal(err)
			}
			if got.Kind != KindBunt {
				t.Errorf("%s bunt no3d=%v: kind %q (%s)", f.Name, no3d, got.Kind, got.Why)
			}
		}
	}
}

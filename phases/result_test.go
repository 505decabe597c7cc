package phases

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"nightcage/vision"
	ballpath "nightcage/vision/ball/path"
	"nightcage/vision/truth"
)

// passing returns the swing as it would have gone had the ball not slowed the
// bat, with the ball flying on past it: lateMs later than the bat, raised by
// overIn, and turned at the bat by upDeg (a tip).
func passing(t testing.TB, f *truth.File, lateMs, overIn, upDeg float64) *truth.File {
	t.Helper()
	contact := eventMs(t, f, Contact)
	kept := 1 - lostTurn(f, contact)
	g := replay(f, contact+350, func(ms float64) float64 { return math.Min(ms, contact) + math.Max(0, ms-contact)/kept })
	pos, vel, radius := pitched(t, f, contact)
	for i := range g.Frames {
		fr := &g.Frames[i]
		s := (fr.Ms - contact - lateMs) / 1000
		p := vision.Vec3{X: pos.X + vel.X*s, Y: pos.Y + overIn + vel.Y*s - gravityInS2/2*s*s, Z: pos.Z + vel.Z*s}
		if s > 0 && upDeg != 0 {
			// The tip costs a tenth of the speed.
			sin, cos := math.Sincos(upDeg * math.Pi / 180)
			v := math.Hypot(vel.X, vel.Y) * 0.9
			down := math.Atan2(vel.Y, -vel.X)
			sin, cos = sin*math.Cos(down)+cos*math.Sin(down), cos*math.Cos(down)-sin*math.Sin(down)
			p.X, p.Y = pos.X-v*cos*s, pos.Y+overIn+v*sin*s-gravityInS2/2*s*s
		}
		if s > 0.12 {
			continue // in the catcher's mitt
		}
		put(g, fr, p, radius)
	}
	return g
}

// put places the ball in a frame.
func put(g *truth.File, fr *truth.Frame, at vision.Vec3, radiusIn float64) {
	fr.Ball.XYZ = at
	fr.Ball.X, fr.Ball.Y, fr.Ball.InFrame = fr.P.Project(at)
	fr.Ball.InFrame = fr.Ball.InFrame && fr.Ball.X > 0 && fr.Ball.Y > 0 && fr.Ball.X < float64(g.Width) && fr.Ball.Y < float64(g.Height)
	fr.BallRadiusPx = radiusIn * fr.P.PxPerIn(at)
}

// lostTurn is the share of its turn rate that the bat loses at contact.
func lostTurn(f *truth.File, contact float64) float64 {
	way := func(i int) vision.Vec3 {
		k, p := f.Frames[i].Knob.XYZ, f.Frames[i].Tip.XYZ
		return vision.Vec3{X: (p.X - k.X) / f.Bat.LengthIn, Y: (p.Y - k.Y) / f.Bat.LengthIn, Z: (p.Z - k.Z) / f.Bat.LengthIn}
	}
	rate := func(i int) float64 {
		a, b := way(i), way(i+1)
		return math.Sqrt((b.X-a.X)*(b.X-a.X) + (b.Y-a.Y)*(b.Y-a.Y) + (b.Z-a.Z)*(b.Z-a.Z))
	}
	k := 0
	for f.Frames[k+1].Ms < contact {
		k++
	}
	return 1 - rate(k+1)/rate(k-1)
}

// pitched is the ball's place and velocity (in/s) at contact on its way in.
func pitched(t testing.TB, f *truth.File, contact float64) (pos, vel vision.Vec3, radiusIn float64) {
	t.Helper()
	var tt, x, y, z []float64
	for i := range f.Frames {
		fr := &f.Frames[i]
		if s := (fr.Ms - contact) / 1000; s < 0 && s > -0.1 && fr.BallRadiusPx > 0 {
			tt, x, y, z = append(tt, s), append(x, fr.Ball.XYZ.X), append(y, fr.Ball.XYZ.Y+gravityInS2/2*s*s), append(z, fr.Ball.XYZ.Z)
		}
	}
	if len(tt) < 4 {
		t.Fatalf("%s has no pitch", f.Name)
	}
	fit := func(v []float64) (at, slope float64) {
		sd := make([]float64, len(v))
		for i := range sd {
			sd[i] = 1
		}
		at, slope, _ = line(series{tt, v, sd}, 0)
		return at, slope
	}
	pos.X, vel.X = fit(x)
	pos.Y, vel.Y = fit(y)
	pos.Z, vel.Z = fit(z)
	return pos, vel, f.BallRadius
}

// watch gives tr the flight that the ball's path makes of what a camera would
// see of f's ball: outlines that scatter, and three other things a frame.
// seen limits the frames in which the ball shows.
func watch(t testing.TB, tr *vision.Track, f *truth.File, seed uint64, seen func(ms float64) bool) {
	t.Helper()
	rng := rand.New(rand.NewPCG(seed, 0x62616c6c))
	var s ballpath.Seen
	for i := range tr.Frames {
		fr := &f.Frames[i]
		sight := ballpath.Sight{Index: tr.Frames[i].Index, Ms: fr.Ms}
		steadied := func(x, y float64) (float64, float64) {
			return steady(&tr.Frames[i], vision.Mark{X: x, Y: y})
		}
		if fr.BallRadiusPx > 1 && fr.Ball.InFrame && seen(fr.Ms) {
			r := fr.BallRadiusPx * (1 + 0.1*rng.NormFloat64())
			b := ballpath.Blob{SigmaPx: 0.1*r + 0.3, RadiusPx: r, DX: 1, Contrast: 5, Light: true}
			if k := max(i, 1); f.Frames[k-1].BallRadiusPx > 0 {
				dx, dy := f.Frames[k].Ball.X-f.Frames[k-1].Ball.X, f.Frames[k].Ball.Y-f.Frames[k-1].Ball.Y
				if l := math.Hypot(dx, dy); l > 0 && l < 400 {
					b.StreakPx, b.DX, b.DY = l*f.ShutterS*f.FPS, dx/l, dy/l
				}
			}
			b.X, b.Y = steadied(fr.Ball.X+b.SigmaPx*rng.NormFloat64(), fr.Ball.Y+b.SigmaPx*rng.NormFloat64())
			sight.Blobs = append(sight.Blobs, b)
		}
		for range 3 {
			b := ballpath.Blob{SigmaPx: 0.5, RadiusPx: 2 + 8*rng.Float64(), DX: 1, Contrast: 2, Light: rng.IntN(2) == 0}
			b.X, b.Y = steadied(float64(f.Width)*rng.Float64(), float64(f.Height)*rng.Float64())
			sight.Blobs = append(sight.Blobs, b)
		}
		s.Sights = append(s.Sights, sight)
	}
	found, err := ballpath.Follow(s, tr.Frames, ballpath.Options{PxPerIn: tr.Scale.PxPerIn, Width: float64(f.Width), Height: float64(f.Height)})
	if err != nil {
		t.Fatal(err)
	}
	for i, m := range found.Marks {
		tr.Frames[i].Ball = m
	}
	tr.Ball = &found.Flight
}

func always(float64) bool { return true }

func TestResults(t *testing.T) {
	for _, f := range committed(t) {
		contact := eventMs(t, f, Contact)
		until := func(end float64) func(float64) bool { return func(ms float64) bool { return ms < end } }
		for _, c := range []struct {
			name string
			file *truth.File
			seen func(float64) bool
			want []Result
		}{
			{"hit", f, always, []Result{ResultHit}},
			{"hit, not followed beyond the bat", f, until(contact), []Result{ResultUnknown}},
			{"miss, over it", passing(t, f, 0, 5, 0), always, []Result{ResultMiss}},
			{"miss, under it", passing(t, f, 3, -6, 0), always, []Result{ResultMiss}},
			{"miss, early", passing(t, f, 35, 0, 0), always, []Result{ResultMiss}},
			{"miss, late", passing(t, f, -30, 0, 0), always, []Result{ResultMiss}},
			{"foul tip up", passing(t, f, 0, 1.5, 9), always, []Result{ResultFoulTip}},
			{"foul tip down", passing(t, f, 0, -1.5, -10), always, []Result{ResultFoulTip}},
			{"no ball", f, func(float64) bool { return false }, []Result{ResultUnknown}},
		} {
			for _, no3d := range []bool{false, true} {
				tr, err := truth.Track(c.file, truth.Options{Seed: 5, NoisePx: 1, BatNoisePx: 1, No3D: no3d})
				if err != nil {
					t.Fatal(err)
				}
				watch(t, tr, c.file, 7, c.seen)
				got, err := Find(*tr)
				if err != nil {
					t.Fatal(err)
				}
				wellFormed(t, f.Name+" "+c.name, *tr, got)
				want := c.want
				if f.View != vision.ViewOpenSide && want[0] == ResultFoulTip && strings.HasSuffix(got.ResultWhy, slightTip) {
					want = []Result{ResultMiss}
				}
				at := eventOf(got, Contact)
				if got.Kind != KindSwing || !slices.Contains(want, got.Result) || got.ResultWhy == "" {
					t.Errorf("%s %s no3d=%v: %s, %q (%s), want one of %q", f.Name, c.name, no3d, got.Kind, got.Result, got.ResultWhy, want)
				}
				if !at.Found || math.Abs(at.Ms-contact) > 3*at.SigmaMs {
					t.Errorf("%s %s no3d=%v: contact off by %.1f ms with standard error %.1f %s", f.Name, c.name, no3d, at.Ms-contact, at.SigmaMs, at.Reason)
				}
				if missed := strings.HasPrefix(strings.Join(at.Evidence, ";"), "no contact"); missed != (got.Result == ResultMiss) {
					t.Errorf("%s %s no3d=%v: result %s with contact's evidence %q", f.Name, c.name, no3d, got.Result, at.Evidence)
				}
			}
		}
	}
}

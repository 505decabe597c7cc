package truth

import (
	"math"
	"path/filepath"
	"testing"

	"nightcage/vision"
)

// TestSeenBallIsTheSlopeOfItsPlaces compares with differences of places that
// the projection matrix gives.
func TestSeenBallIsTheSlopeOfItsPlaces(t *testing.T) {
	f, err := Read(filepath.Join("..", "..", "testdata", "clips", "s77001_09.json.gz")) // a left-handed hitter: mirrored
	if err != nil {
		t.Fatal(err)
	}
	cam, err := f.camera(f.Frames[0].P)
	if err != nil {
		t.Fatal(err)
	}
	const h = 1e-5
	at, vel := vision.Vec3{X: 12, Y: 30, Z: 25}, vision.Vec3{X: 900, Y: 400, Z: -300}
	move := func(s float64) (x, y float64) {
		x, y, _ = f.Frames[0].P.Project(vision.Vec3{X: at.X + s*vel.X, Y: at.Y + s*vel.Y, Z: at.Z + s*vel.Z})
		return x, y
	}
	x0, y0 := move(-h)
	x1, y1 := move(h)
	u, v := (x1-x0)/(2*h), (y1-y0)/(2*h)
	l := SeenBall(cam, at, vel)
	for _, c := range []struct {
		what           string
		got, want, tol float64
	}{
		{"x", l.X, (x0 + x1) / 2, .05},
		{"y", l.Y, (y0 + y1) / 2, .05},
		{"speed", l.SpeedPxS, math.Hypot(u, v), 1e-3 * math.Hypot(u, v)},
		{"angle", l.AngleDeg, math.Atan2(-v, math.Abs(u)) * 180 / math.Pi, .02},
		// The scale of the picture grows as the ball nears.
		{"nearing", l.NearingPerS, math.Log(f.PxPerIn(0, vision.Vec3{X: at.X + h*vel.X, Y: at.Y + h*vel.Y, Z: at.Z + h*vel.Z})/
			f.PxPerIn(0, vision.Vec3{X: at.X - h*vel.X, Y: at.Y - h*vel.Y, Z: at.Z - h*vel.Z})) / (2 * h), .1},
	} {
		if !(math.Abs(c.got-c.want) <= c.tol) {
			t.Errorf("%s = %.4f, want %.4f within %.2g", c.what, c.got, c.want, c.tol)
		}
	}
	if l.Right != (u > 0) {
		t.Errorf("moves right: %v, u = %.1f", l.Right, u)
	}
}

func TestBallFlightNeedsItsBall(t *testing.T) {
	f, err := Read(filepath.Join("..", "..", "testdata", "clips", "s77001_00.json.gz"))
	if err != nil {
		t.Fatal(err)
	}
	fl, err := f.BallFlight()
	if err != nil {
		t.Fatal(err)
	}
	contact, _ := f.EventMs("contact")
	if fl.In.Last >= fl.Out.First || f.Frames[fl.In.Last].Ms >= contact || f.Frames[fl.Out.First].Ms <= contact {
		t.Errorf("in to frame %d, out from %d, contact at %.1f ms", fl.In.Last, fl.Out.First, contact)
	}
	for i := range f.Frames {
		if f.Frames[i].Ms > contact {
			f.Frames[i].BallRadiusPx = 0
		}
	}
	if _, err := f.BallFlight(); err == nil {
		t.Error("a way out of a ball that no frame shows")
	}
}

package metrics_test

import (
	"math"
	"testing"

	"nightcage/metrics"
	"nightcage/phases"
	"nightcage/vision"
	"nightcage/vision/truth"
)

// sweetAtContact is where the sweet spot is at contact, swing frame, by
// carrying the last frame's before it on.
func sweetAtContact(t *testing.T, f *truth.File) vision.Vec3 {
	t.Helper()
	contact, _ := f.EventMs("contact")
	for i := len(f.Frames) - 1; i > 0; i-- {
		if a, b := &f.Frames[i-1], &f.Frames[i]; b.Ms <= contact {
			k := (contact - b.Ms) / (b.Ms - a.Ms)
			p, q := b.SweetSpot.XYZ, a.SweetSpot.XYZ
			return vision.Vec3{X: p.X + k*(p.X-q.X), Y: p.Y + k*(p.Y-q.Y), Z: p.Z + k*(p.Z-q.Z)}
		}
	}
	t.Fatal("no frame before contact")
	return vision.Vec3{}
}

// pitched measures a swing at a pitch that comes with a velocity, in/s, to the
// sweet spot.
func pitched(t *testing.T, name string, vel vision.Vec3, change func(l *vision.BallLine)) metrics.Swing {
	t.Helper()
	f := readTruth(t, name)
	tr, tl := track(t, f, truth.Options{}), timeline(f, .01)
	l := truth.SeenBall(tr.Solution.Camera, sweetAtContact(t, f), vel)
	l.Ms, l.First, l.Last, l.Seen = event(&tl, phases.Contact).Ms, tr.Ball.In.First, tr.Ball.In.Last, tr.Ball.In.Seen
	if change != nil {
		change(&l)
	}
	tr.Ball.In, tr.Ball.MeetX, tr.Ball.MeetY = &l, l.X, l.Y
	return measure(t, tr, tl, metrics.Options{Draws: 100, Joints: metrics.JointErrors{}})
}

func valueOf(t *testing.T, s metrics.Swing, id string) metrics.Result {
	t.Helper()
	m, ok := s.Find(id)
	if !ok || m.Value == nil {
		t.Fatalf("%s: %s", id, m.ReasonText)
	}
	return m
}

// TestBallTravelPerMillisecond: 1 mph is 17.6 in/s exactly (5280 ft of 12 in in
// 3600 s), so a ball at 60, 80, 90 and 95 mph covers 1.056, 1.408, 1.584 and
// 1.672 in each ms, and 24 in at 93 mph take 14.66 ms.
func TestBallTravelPerMillisecond(t *testing.T) {
	for _, c := range []struct{ mph, in, ms float64 }{{60, 1.056, 1}, {80, 1.408, 1}, {90, 1.584, 1}, {95, 1.672, 1}, {93, 24, 14.66}} {
		for _, clip := range []string{"s77001_00", "s77001_09"} { // a right- and a left-handed hitter
			s := pitched(t, clip, vision.Vec3{X: -1000 * c.in / c.ms}, nil)
			m := valueOf(t, s, "pitch_speed_contact")
			if math.Abs(*m.Value/c.mph-1) > .01 {
				t.Errorf("%s: a ball that covers %.3f in in %.2f ms is measured at %.2f mph, want %.0f", clip, c.in, c.ms, *m.Value, c.mph)
			}
			if d := valueOf(t, s, "pitch_descent_contact"); math.Abs(*d.Value) > .2 {
				t.Errorf("%s: a level pitch is measured to come down by %.2f deg", clip, *d.Value)
			}
		}
	}
}

// fly carries a baseball from its release to the plate and gives its velocity
// there, in/s, and the time of flight. Drag and lift are half rho v^2 A C along
// and square to the path (Cd .35, mass .145 kg, radius 36.6 mm, air 1.2 kg/m^3);
// the ball is let go so that it crosses the plate .76 m high.
func fly(mph, feet, releaseM, lift float64) (vel vision.Vec3, seconds float64) {
	const drag, kg, r, rho, g, plateM, h = .35, .145, .0366, 1.2, 9.80665, .76, 1e-4
	k := rho * math.Pi * r * r / (2 * kg)
	shoot := func(up float64) (y, vx, vy, t float64) {
		v := mph * .44704
		x := feet * .3048
		y = releaseM
		vx, vy = v*math.Cos(up), v*math.Sin(up)
		for x > 0 {
			speed := math.Hypot(vx, vy)
			ax, ay := -k*speed*(drag*vx+lift*vy), -k*speed*(drag*vy-lift*vx)-g
			x, y, t = x-vx*h, y+vy*h, t+h
			vx, vy = vx+ax*h, vy+ay*h
		}
		return y, vx, vy, t
	}
	low, high := -.3, .3
	for range 50 {
		if y, _, _, _ := shoot((low + high) / 2); y > plateM {
			high = (low + high) / 2
		} else {
			low = (low + high) / 2
		}
	}
	_, vx, vy, t := shoot(low)
	return vision.Vec3{X: -vx / .0254, Y: vy / .0254}, t
}

// TestPitchDescentOfKnownPitches flies pitches to the plate and measures them.
// Fastballs come down at about 6 deg and curves at about 10 (93-94 and 77-78
// mph; Nathan, "Optimizing the Swing", November 2015, as quoted elsewhere); a
// machine's 62 mph from 40 ft at about 6.7 deg and 58 mph (reckoned from the
// same equations by someone else's program). Release heights are common
// practice, no source.
func TestPitchDescentOfKnownPitches(t *testing.T) {
	for _, c := range []struct {
		name                         string
		mph, feet, releaseM, lift    float64
		descent, tol, arrives, tolAt float64
	}{
		{"fastball", 93.5, 55, 1.8, .1, 6, 1, 0, 0},
		{"curve", 77.5, 55, 1.8, -.2, 10, 1, 0, 0},
		{"machine", 62, 40, 1.2, 0, 6.7, 1, 58, .7},
	} {
		vel, _ := fly(c.mph, c.feet, c.releaseM, c.lift)
		s := pitched(t, "s77001_00", vel, nil)
		d, v := valueOf(t, s, "pitch_descent_contact"), valueOf(t, s, "pitch_speed_contact")
		t.Logf("%s: %.2f deg, %.1f mph at the plate", c.name, *d.Value, *v.Value)
		if math.Abs(*d.Value-c.descent) > c.tol {
			t.Errorf("%s comes down at %.2f deg, want about %.1f", c.name, *d.Value, c.descent)
		}
		if c.arrives > 0 && math.Abs(*v.Value-c.arrives) > c.tolAt {
			t.Errorf("%s arrives at %.2f mph, want about %.0f", c.name, *v.Value, c.arrives)
		}
	}
}

// TestBallAsARuler measures the pitch's speed in balls: a rule-book ball is 9 to
// 9 1/4 in around (Official Baseball Rules 3.01), 2.8648 to 2.9444 in across. The
// scale it gives at its own depth and the scale at the barrel's depth must agree
// to that band and what the ball's place on the barrel adds.
func TestBallAsARuler(t *testing.T) {
	const least, most = 9.0 / math.Pi, 9.25 / math.Pi
	for _, name := range []string{"s77001_00", "s77001_04", "s77001_09"} {
		f := readTruth(t, name)
		if f.BallRadius*2 < least || f.BallRadius*2 > most {
			t.Fatalf("the ball of %s is %.3f in across", name, f.BallRadius*2)
		}
		tr := track(t, f, truth.Options{})
		s := measure(t, tr, timeline(f, .01), metrics.Options{Draws: 50, Joints: metrics.JointErrors{}})
		got := *valueOf(t, s, "pitch_speed_contact").Value
		in := tr.Ball.In
		balls := in.SpeedPxS / (2 * in.RadiusPx)
		low, high := balls*least/17.6, balls*most/17.6
		t.Logf("%s: %.1f mph by the barrel, %.1f to %.1f by the ball", name, got, low, high)
		if got < low*.97 || got > high*1.03 {
			t.Errorf("%s: %.2f mph by the barrel's depth, %.2f to %.2f by the ball's size", name, got, low, high)
		}
	}
}

// TestPitchReadBesideContact: a pitch last seen 60 ms out falls on: by contact
// its upward speed is less by g*t, g = 386.09 in/s^2 (9.80665 m/s^2, ISO 80000-3).
// One that flew past the bat and was read 60 ms behind it had fallen less.
func TestPitchReadBesideContact(t *testing.T) {
	const late, vx, vy = .060, -1056.0, -60.0
	var m metrics.Result
	for _, sign := range []float64{-1, 1} {
		s := pitched(t, "s77001_00", vision.Vec3{X: vx, Y: vy}, func(l *vision.BallLine) { l.Ms -= sign * 1000 * late })
		want := math.Atan2(-vy+386.09*sign*late, -vx) * 180 / math.Pi
		m = valueOf(t, s, "pitch_descent_contact")
		if math.Abs(*m.Value-want) > .25 {
			t.Errorf("read %+.0f ms from contact: descent %.2f deg, want %.2f", -1000*sign*late, *m.Value, want)
		}
	}
	at := valueOf(t, pitched(t, "s77001_00", vision.Vec3{X: vx, Y: vy}, nil), "pitch_descent_contact")
	if !(*m.Sigma > 1.5**at.Sigma) {
		t.Errorf("the unknown spin widens the bar from %.2f to %.2f deg only", *at.Sigma, *m.Sigma)
	}
}

// TestUnseenHeadingWidensSpeed: without a nearing rate a speed rests on usual
// headings alone, and a slow toss may come from beside the hitter.
func TestUnseenHeadingWidensSpeed(t *testing.T) {
	for _, name := range []string{"s77001_00", "s77001_04", "s77001_09"} {
		f := readTruth(t, name)
		tr, tl := track(t, f, truth.Options{}), timeline(f, .01)
		known := valueOf(t, measure(t, tr, tl, metrics.Options{Draws: 100}), "launch_speed_contact")
		out := *tr.Ball.Out
		out.NearingSigmaPerS = 0
		tr.Ball.Out = &out
		m := valueOf(t, measure(t, tr, tl, metrics.Options{Draws: 400}), "launch_speed_contact")
		want, _ := f.Measure("exit.speed_mph")
		t.Logf("%s: launch %.1f +- %.1f mph [%.1f, %.1f] by usual spray, +- %.1f with its nearing rate, want %.1f", name, *m.Value, *m.Sigma, *m.Low95, *m.High95, *known.Sigma, want)
		if !(*m.Sigma > 1.3**known.Sigma) || *m.Low95 > want || want > *m.High95 {
			t.Errorf("%s: launch speed by usual spray %.1f [%.1f, %.1f] mph +- %.2f, +- %.2f with its nearing rate; want %.1f", name, *m.Value, *m.Low95, *m.High95, *m.Sigma, *known.Sigma, want)
		}
	}
	blind := func(l *vision.BallLine) { l.NearingSigmaPerS = 0 }
	toss := pitched(t, "s77001_00", vision.Vec3{X: -20 * 17.6}, blind)
	fast := pitched(t, "s77001_00", vision.Vec3{X: -60 * 17.6}, blind)
	a, _ := toss.Find("pitch_speed_contact")
	b := valueOf(t, fast, "pitch_speed_contact")
	if a.Value != nil && *a.Sigma / *a.Value < 3**b.Sigma / *b.Value {
		t.Errorf("a toss of 20 mph is known to %.2f mph, a pitch of 60 to %.2f", *a.Sigma, *b.Sigma)
	}
}

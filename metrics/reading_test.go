package metrics

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"nightcage/phases"
	"nightcage/vision"
)

// swinger is a made-up bat: its knob stands at (5, 40, 12) and it turns about
// the vertical at a steady rate, losing a share of it at contact.
type swinger struct {
	fps, rate float64 // frames per second, rad/s
	loss      float64
	lengthIn  float64
	sigmaIn   float64
	contactMs float64
}

func (w swinger) reading(t *testing.T) *reading {
	t.Helper()
	tr := vision.Track{Clip: vision.Clip{Clock: vision.Clock{Known: true}}, Hand: vision.Hand{Bats: vision.SideRight},
		Subject: vision.Subject{BatIn: w.lengthIn}, Solution: &vision.Solution{}}
	put := func(v r3.Vec) vision.Point3 {
		return vision.Point3{Vec3: vision.Vec3{X: v.X, Y: v.Y, Z: v.Z}, SX: w.sigmaIn, SY: w.sigmaIn, SZ: w.sigmaIn, Valid: true}
	}
	for i := 0; float64(i)*1000/w.fps < w.contactMs+100; i++ {
		ms := float64(i) * 1000 / w.fps
		since := (ms - w.contactMs) / 1000
		turned := w.rate * since
		if since > 0 {
			turned *= 1 - w.loss
		}
		sin, cos := math.Sincos(turned)
		knob := r3.Vec{X: 5, Y: 40, Z: 12}
		tip := r3.Add(knob, r3.Vec{X: w.lengthIn * sin, Z: w.lengthIn * cos})
		tr.Clip.Times = append(tr.Clip.Times, vision.FrameTime{Ms: ms})
		tr.Frames = append(tr.Frames, vision.Frame{Index: i, Ms: ms})
		tr.Solution.Frames = append(tr.Solution.Frames, vision.Pose3{Knob: put(knob), Tip: put(tip)})
	}
	tl := phases.Timeline{Kind: phases.KindSwing, Timed: true, Events: []phases.Event{
		{ID: phases.ForwardMove, Found: true, Ms: w.contactMs - 150, Confidence: 1},
		{ID: phases.BatParallel, Found: true, Ms: w.contactMs - 1000*math.Pi/2/w.rate, Confidence: 1},
		{ID: phases.Contact, Found: true, Ms: w.contactMs, Confidence: 1}}}
	r, why, err := newReading(&tr, tl, Options{})
	if err != nil || why != nil {
		t.Fatal(err, why)
	}
	return r
}

// TestTurningBat: a bat of length L turning at w rad/s about a still knob has
// its sweet spot at (L-6) w; a quarter turn takes the tip through L pi/2. The
// ball's blow must not leak into the speed before it.
func TestTurningBat(t *testing.T) {
	for _, c := range []struct {
		w   swinger
		tol float64 // relative
	}{
		{swinger{fps: 240, rate: 35, loss: .12, lengthIn: 33, sigmaIn: .001, contactMs: 401.3}, 1e-4},
		{swinger{fps: 120, rate: 35, loss: .12, lengthIn: 33, sigmaIn: .001, contactMs: 404}, 1e-4},
		{swinger{fps: 60, rate: 30, loss: .12, lengthIn: 30, sigmaIn: .001, contactMs: 411}, 1e-4},
	} {
		r := c.w.reading(t)
		s := &scene{reading: r}
		want := c.w.rate * (c.w.lengthIn - sweetFromTipIn) * mphPerInS
		near(t, "speed at contact", speed(s, sweetSpot, s.at(phases.Contact)), want, c.tol*want)
		near(t, "peak speed", peakSpeed(sweetSpot)(s), want, c.tol*want)
		arc := c.w.lengthIn * math.Pi / 2
		near(t, "barrel path", path(barrelEnd)(s), arc, .002*arc)
		near(t, "knob path", path(knobEnd)(s), 0, 1e-3)
		b := s.bat(s.at(phases.Contact))
		near(t, "heading", deg(math.Atan2(b.dir.X, b.dir.Z)), 0, .01)
		if s.why != nil {
			t.Error(s.why.text())
		}
	}
}

// TestSpeedNeedsItsSideOfContact: had the frames after contact been used, a
// fifth lost there would show.
func TestSpeedNeedsItsSideOfContact(t *testing.T) {
	r := swinger{fps: 240, rate: 35, loss: .2, lengthIn: 33, sigmaIn: .2, contactMs: 401.3}.reading(t)
	for _, before := range []bool{true, false} {
		for _, i := range r.fitBat(r.contact, 1, before).line[0].frames {
			if before != (r.m.times[i] <= r.contact) {
				t.Errorf("before=%v uses the frame at %.1f ms, contact %.1f", before, r.m.times[i], r.contact)
			}
		}
	}
}

// TestNoTimeBarUnderFrameRounding: an event placed to a frame of step h has a
// standard deviation of h/sqrt(12): 4.81, 2.41, 1.20 ms at 60, 120, 240 fps
// (JCGM 100:2008, F.2.2.1). No event here claims less, whatever it was given.
func TestNoTimeBarUnderFrameRounding(t *testing.T) {
	for fps, want := range map[float64]float64{60: 4.81, 120: 2.41, 240: 1.20} {
		r := swinger{fps: fps, rate: 30, lengthIn: 33, sigmaIn: .1, contactMs: 400}.reading(t)
		near(t, "event sigma", r.eventSigma[eventIndex(phases.Contact)], want, .005)
	}
}

// TestLogarithmMap: exp undoes the map, and its rates are those of the path.
func TestLogarithmMap(t *testing.T) {
	d := &batSpot{u0: r3.Vec{X: 0, Y: .6, Z: .8}, e1: r3.Vec{X: 1}, e2: r3.Cross(r3.Vec{X: 0, Y: .6, Z: .8}, r3.Vec{X: 1})}
	for _, x := range [][2]float64{{0, 0}, {.3, -.2}, {1.2, .4}, {1e-12, 0}} {
		v := [2]float64{3, -7}
		u, du := d.exp(x, v)
		near(t, "length", r3.Norm(u), 1, 1e-12)
		near(t, "angle", math.Acos(min(1, r3.Dot(u, d.u0))), math.Hypot(x[0], x[1]), 1e-7)
		const h = 1e-6
		a, _ := d.exp([2]float64{x[0] - h*v[0], x[1] - h*v[1]}, v)
		b, _ := d.exp([2]float64{x[0] + h*v[0], x[1] + h*v[1]}, v)
		near(t, "rate", r3.Norm(r3.Sub(du, r3.Scale(1/(2*h), r3.Sub(b, a)))), 0, 1e-4)
	}
}

func TestWrap(t *testing.T) {
	for in, want := range map[float64]float64{0: 0, 180: 180, -180: 180, 190: -170, -190: 170, 725: 5} {
		near(t, "wrap", wrap(in), want, 1e-12)
	}
}

// TestBootstrapIntervals: the corrected interval is the central one for an even
// sample and moves up when most draws fall below the estimate.
func TestBootstrapIntervals(t *testing.T) {
	var s sampleOf
	for i := range 1001 {
		s.values, s.other = append(s.values, float64(i)), append(s.other, false)
	}
	low, high := s.central(.95)
	near(t, "central low", low, 25, 1)
	near(t, "central high", high, 975, 1)
	l, h := s.corrected(500, .95)
	near(t, "even low", l, low, 2)
	near(t, "even high", h, high, 2)
	if l, h = s.corrected(700, .95); !(l > low && h > high) {
		t.Errorf("with 70 %% of draws below, [%v, %v] against central [%v, %v]", l, h, low, high)
	}
	// A tenth of the draws at another reading: the interval takes them in, and
	// they do not count as scatter about this one.
	for range 111 {
		s.values, s.other = append(s.values, -5000), append(s.other, true)
	}
	if l, h = s.corrected(500, .95); l != -5000 || h < 960 {
		t.Errorf("with a tenth of the draws at -5000: [%v, %v]", l, h)
	}
}

// TestEveryPointHasItsPair checks the pairing that joint errors and depths rest
// on against the landmarks' names.
func TestEveryPointHasItsPair(t *testing.T) {
	for l := range vision.NumLandmarks {
		name := vision.Landmark(l).String()
		want := name
		if len(name) > 6 && name[:6] == "right_" {
			want = "left_" + name[6:]
		}
		if got := leftOf(point(l)).String(); got != want {
			t.Errorf("left of %s is %s", name, got)
		}
	}
}

package path

import (
	"errors"
	"fmt"
	"math"
	"testing"

	"nightcage/vision"
)

func follow(t *testing.T, m made) (Result, []vision.Frame) {
	t.Helper()
	seen, frames, o := m.make()
	r, err := Follow(seen, frames, o)
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Marks) != len(frames) {
		t.Fatalf("%d marks for %d frames", len(r.Marks), len(frames))
	}
	return r, frames
}

// offBall counts marks that are not on the ball, and frames with the ball in
// the picture that have no mark.
func offBall(m made, r Result, frames []vision.Frame) (wrong, missing int) {
	for k, f := range frames {
		p, ok := m.ball(f.Ms)
		q, scale, seen := m.project(p)
		seen = seen && ok && q.x > 0 && q.y > 0 && q.x < madeW && q.y < madeH
		b := r.Marks[k]
		switch {
		case !b.Found() && seen:
			missing++
		case b.Found() && (!seen || math.Hypot(b.X-q.x, b.Y-q.y) > 1.45*scale):
			wrong++
		}
	}
	return wrong, missing
}

func TestMet(t *testing.T) {
	cases := map[string]func(*made){
		"60 fps":            func(m *made) { m.fps, m.clutter = 60, 0.5 },
		"120 fps":           func(m *made) {},
		"240 fps":           func(m *made) { m.fps = 240 },
		"fastball":          func(m *made) { m.fps, m.in = 240, vec{-1600, -150, 0} },
		"soft toss":         func(m *made) { m.in = vec{-180, -60, 60}; m.out = vec{1200, 300, 200} },
		"hit at the camera": func(m *made) { m.fps, m.out = 240, vec{1100, 300, -500} },
		"hit away":          func(m *made) { m.out = vec{1000, 300, 900} },
		"line drive back":   func(m *made) { m.out = vec{1500, 60, 0} },
		"ground ball":       func(m *made) { m.out = vec{1300, -260, 100} },
		"long shutter":      func(m *made) { m.shutterMs = 6 },
		"bat hides it":      func(m *made) { m.fps, m.hideMs = 240, 16 },
		"seen half the time": func(m *made) {
			m.fps, m.missShare = 240, 0.5
		},
		"clutter": func(m *made) { m.fps, m.clutter = 240, 15 },
		// Behind the catcher: straight away from the camera, 24 ft behind.
		"rear": func(m *made) {
			m.fps, m.distance, m.focal, m.at = 240, 290, 1900, vec{20, -8, 300}
			m.in, m.out = vec{-60, -110, -1000}, vec{120, 420, 1300}
		},
	}
	for name, set := range cases {
		t.Run(name, func(t *testing.T) {
			m := side()
			set(&m)
			r, frames := follow(t, m)
			fl := r.Flight
			if fl.Kind != vision.BallPitched || fl.End != vision.BallMet || fl.In == nil || fl.Out == nil {
				t.Fatalf("%s %s %s", fl.Kind, fl.End, fl.Why)
			}
			if e := fl.MeetMs - m.contactMs; math.Abs(e) > 3.5*fl.MeetSigmaMs || math.Abs(e) > 500/m.fps {
				t.Errorf("met %.2f ms late, sigma %.2f ms", e, fl.MeetSigmaMs)
			}
			wrong, missing := offBall(m, r, frames)
			if wrong > 0 || missing > 3 {
				t.Errorf("%d marks off the ball, %d frames without", wrong, missing)
			}
			q, _, _ := m.project(m.at)
			if d := math.Hypot(fl.MeetX-q.x, fl.MeetY-q.y); d > 1.5*m.pxPerIn() {
				t.Errorf("met %.1f px off", d)
			}
		})
	}
}

// The stated standard error of the meeting holds: about 95 of 100 within two.
func TestMeetingCoverage(t *testing.T) {
	n, in := 0, 0
	for seed := range uint64(60) {
		m := side()
		m.seed, m.fps = seed, []float64{60, 120, 240}[seed%3]
		m.contactMs += 1.7 * float64(seed) / 10
		r, _ := follow(t, m)
		if r.Flight.MeetSigmaMs == 0 {
			continue
		}
		n++
		if math.Abs(r.Flight.MeetMs-m.contactMs) < 2*r.Flight.MeetSigmaMs {
			in++
		}
	}
	if n < 55 || float64(in) < 0.88*float64(n) {
		t.Errorf("%d of %d within two standard errors, of 60", in, n)
	}
}

func TestTee(t *testing.T) {
	for _, fps := range []float64{60, 120, 240} {
		m := side()
		m.fps, m.tee, m.in = fps, true, vec{}
		r, frames := follow(t, m)
		fl := r.Flight
		if fl.Kind != vision.BallTee || fl.End != vision.BallMet || fl.Out == nil || fl.In != nil {
			t.Fatalf("%v fps: %s %s", fps, fl.Kind, fl.End)
		}
		if e := fl.MeetMs - m.contactMs; math.Abs(e) > 3.5*fl.MeetSigmaMs || math.Abs(e) > 500/fps {
			t.Errorf("%v fps: left %.2f ms late, sigma %.2f", fps, e, fl.MeetSigmaMs)
		}
		if wrong, missing := offBall(m, r, frames); wrong > 0 || missing > 2 {
			t.Errorf("%v fps: %d marks off the ball, %d frames without", fps, wrong, missing)
		}
	}
}

// A ball on a tee whose flight is not seen still says when it left, less
// surely.
func TestTeeGone(t *testing.T) {
	m := side()
	m.tee, m.in, m.out = true, vec{}, vec{}
	r, _ := follow(t, m)
	if fl := r.Flight; fl.Kind != vision.BallTee || fl.Out != nil || math.Abs(fl.MeetMs-m.contactMs) > 3*fl.MeetSigmaMs || fl.MeetSigmaMs < 3 {
		t.Errorf("%s, left at %.1f ± %.1f ms, truly %.1f", fl.Kind, fl.MeetMs, fl.MeetSigmaMs, m.contactMs)
	}
}

// A ball that nobody hits stays on its tee.
func TestTeeMissed(t *testing.T) {
	m := side()
	m.tee, m.in, m.out = true, vec{}, vec{}
	seen, frames, o := m.make()
	for k := range seen.Spots[0].Left {
		if seen.Spots[0].Left[k] = 0.05; math.Abs(frames[k].Ms-m.contactMs) < 12 {
			seen.Spots[0].Left[k] = 2 // the bat in front
		}
	}
	r, err := Follow(seen, frames, o)
	if err != nil {
		t.Fatal(err)
	}
	if r.Flight.End == vision.BallMet {
		t.Errorf("a ball that stayed on the tee was met at %.0f ms", r.Flight.MeetMs)
	}
}

// A ball that flies on is neither met nor lost, whether the hitter swings or
// not.
func TestPassed(t *testing.T) {
	for _, fps := range []float64{60, 120, 240} {
		for _, swings := range []bool{true, false} {
			m := side()
			m.fps, m.passes, m.swings = fps, true, swings
			m.hideMs = 0
			r, frames := follow(t, m)
			if fl := r.Flight; fl.Kind != vision.BallPitched || fl.End != vision.BallPassed || fl.MeetSigmaMs != 0 {
				t.Errorf("%v fps, swing %v: %s %s", fps, swings, fl.Kind, fl.End)
			}
			if wrong, _ := offBall(m, r, frames); wrong > 0 {
				t.Errorf("%v fps, swing %v: %d marks off the ball", fps, swings, wrong)
			}
		}
	}
}

// Without a ball nothing is marked, however busy the picture.
func TestNoBall(t *testing.T) {
	for seed := range uint64(40) {
		m := side()
		m.seed, m.in, m.out = seed, vec{}, vec{}
		m.fps = []float64{30, 60, 120, 240}[seed%4]
		m.clutter = float64(seed % 25)
		r, _ := follow(t, m)
		if r.Flight.Kind != vision.BallNone || r.Flight.Why == "" {
			t.Errorf("seed %d: %s %s with no ball", seed, r.Flight.Kind, r.Flight.End)
		}
		for k, b := range r.Marks {
			if b.Found() {
				t.Errorf("seed %d: ball in frame %d", seed, k)
				break
			}
		}
	}
}

// A ball's shadow runs along the ground below it, and a ball played by others
// far behind crosses the picture: neither meets the bat.
func TestOtherFlights(t *testing.T) {
	m := side()
	m.in, m.out = vec{}, vec{}
	seen, frames, o := m.make()
	for k := range seen.Sights {
		ms := frames[k].Ms - m.contactMs
		shadow := point{760 + math.Abs(ms)*6, 640 - math.Abs(ms)*0.3}
		far := point{1200 - ms, 200 + ms*ms/4000}
		for _, p := range []point{shadow, far} {
			if p.x > 0 && p.x < madeW && p.y > 0 {
				seen.Sights[k].Blobs = append(seen.Sights[k].Blobs, Blob{X: p.x, Y: p.y, SigmaPx: 0.7, RadiusPx: 3.5, Contrast: 3})
			}
		}
	}
	r, err := Follow(seen, frames, o)
	if err != nil {
		t.Fatal(err)
	}
	if r.Flight.Kind != vision.BallNone {
		t.Errorf("%s %s", r.Flight.Kind, r.Flight.End)
	}
}

// A camera that moves moves every picture; the places come back in each
// picture's own px.
func TestMovingCamera(t *testing.T) {
	m := side()
	seen, frames, o := m.make()
	still, err := Follow(seen, frames, o)
	if err != nil {
		t.Fatal(err)
	}
	for k := range frames {
		f := &frames[k]
		f.Shift = vision.Affine{A: 1, D: 1, TX: 3 * math.Sin(float64(k)/9), TY: float64(k) / 40, SigmaPx: 0.1}
		for _, q := range []*vision.Mark{&f.Knob, &f.Tip} {
			q.X, q.Y = q.X-f.Shift.TX, q.Y-f.Shift.TY
		}
		for l := range f.Body {
			f.Body[l].X, f.Body[l].Y = f.Body[l].X-f.Shift.TX, f.Body[l].Y-f.Shift.TY
		}
	}
	moved, err := Follow(seen, frames, o)
	if err != nil {
		t.Fatal(err)
	}
	if d := math.Abs(moved.Flight.MeetMs - still.Flight.MeetMs); d > 0.01 || moved.Flight.Kind != vision.BallPitched {
		t.Errorf("%s, met %.3f ms apart", moved.Flight.Kind, d)
	}
	n := 0
	for k := range frames {
		a, b := still.Marks[k], moved.Marks[k]
		if !a.Found() || !b.Found() {
			continue
		}
		n++
		if math.Abs(a.X-b.X-frames[k].Shift.TX) > 0.01 || math.Abs(a.Y-b.Y-frames[k].Shift.TY) > 0.01 {
			t.Fatalf("frame %d: (%.2f, %.2f) with the camera moved, (%.2f, %.2f) still", k, b.X, b.Y, a.X, a.Y)
		}
	}
	if n < 10 {
		t.Errorf("only %d frames to compare", n)
	}
}

// Repeated pictures hold nothing new and cost the ball nothing.
func TestRepeats(t *testing.T) {
	m := side()
	m.fps = 240
	seen, frames, o := m.make()
	for k := range seen.Sights {
		if k%4 == 3 {
			seen.Sights[k].Repeat, seen.Sights[k].Blobs = true, nil
		}
	}
	r, err := Follow(seen, frames, o)
	if err != nil {
		t.Fatal(err)
	}
	if e := r.Flight.MeetMs - m.contactMs; r.Flight.End != vision.BallMet || math.Abs(e) > 3.5*r.Flight.MeetSigmaMs {
		t.Errorf("%s, %.2f ms late, sigma %.2f", r.Flight.End, e, r.Flight.MeetSigmaMs)
	}
}

// Whatever comes in, Follow says so or copes.
func TestHostile(t *testing.T) {
	m := side()
	seen, frames, o := m.make()
	for _, bad := range []float64{0, -1, math.NaN(), math.Inf(1)} {
		p := o
		p.PxPerIn = bad
		if _, err := Follow(seen, frames, p); !errors.Is(err, ErrNoScale) {
			t.Errorf("%v px per inch: %v", bad, err)
		}
	}
	if _, err := Follow(seen, frames[1:], o); !errors.Is(err, ErrFrames) {
		t.Errorf("a frame too few: %v", err)
	}
	seen.Spots = []Spot{{X: 1, Y: 1, Left: []float64{0}}}
	if _, err := Follow(seen, frames, o); !errors.Is(err, ErrFrames) {
		t.Errorf("a spot watched too short: %v", err)
	}
	seen.Spots = nil
	for n := range 4 {
		if r, err := Follow(Seen{Sights: seen.Sights[:n]}, frames[:n], o); err != nil || r.Flight.Kind != vision.BallNone {
			t.Errorf("%d frames: %v %v", n, r.Flight.Kind, err)
		}
	}
	for k := range frames {
		frames[k].Body, frames[k].Knob, frames[k].Tip = nil, vision.Mark{}, vision.Mark{}
	}
	if r, err := Follow(seen, frames, o); err != nil || r.Flight.End == vision.BallLost {
		t.Errorf("no hitter: %v %v", r.Flight.End, err)
	}
	for k := range seen.Sights {
		seen.Sights[k].Blobs = nil
	}
	if r, err := Follow(seen, frames, o); err != nil || r.Flight.Kind != vision.BallNone {
		t.Errorf("nothing seen: %v %v", r.Flight.Kind, err)
	}
}

func ExampleFollow() {
	seen, frames, o := side().make()
	r, err := Follow(seen, frames, o)
	if err != nil {
		panic(err)
	}
	fmt.Println(r.Flight.Kind, r.Flight.End)
	// Output: pitched met
}

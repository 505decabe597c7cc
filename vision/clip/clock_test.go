package clip

import (
	"context"
	"math"
	"testing"

	"nightcage/vision"
)

// even gives n presentation times at a rate, rounded to a container's tick.
func even(n int, fps, ticksPerSecond float64) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = math.Round(float64(i)/fps*ticksPerSecond) / ticksPerSecond * 1000
	}
	return out
}

func TestStoredFPS(t *testing.T) {
	hole := even(240, 240, 90000)
	for i := 100; i < len(hole); i++ {
		hole[i] += 175
	}
	for _, c := range []struct {
		name string
		ms   []float64
		want float64
		tol  float64
	}{
		{"even", even(100, 240, 240000), 240, 1e-6},
		// QuickTime's usual 600 ticks make 240 fps into steps of 2 and 3 ticks.
		{"600 ticks", even(240, 240, 600), 240, 0.5},
		{"milliseconds", even(240, 59.94, 1000), 59.94, 0.1},
		{"a hole", hole, 240, 0.1},
		{"two pictures", []float64{0, 20}, 50, 0},
		{"one picture", []float64{0}, 0, 0},
	} {
		if got := storedFPS(c.ms); math.Abs(got-c.want) > c.tol {
			t.Errorf("%s: %.4f, want %.4f", c.name, got, c.want)
		}
	}
}

func TestRamped(t *testing.T) {
	join := func(parts ...[]float64) []float64 {
		out := []float64{0}
		for _, p := range parts {
			start := out[len(out)-1]
			for _, ms := range p[1:] {
				out = append(out, start+ms)
			}
		}
		return out
	}
	for _, c := range []struct {
		name string
		ms   []float64
		want bool
	}{
		{"even", even(200, 240, 90000), false},
		{"coarse ticks", even(200, 240, 600), false},
		{"coarse ticks, 120", even(200, 120, 600), false},
		{"milliseconds at 240", even(200, 240, 1000), false},
		{"one hole", join(even(60, 240, 90000), []float64{0, 175}, even(60, 240, 90000)), false},
		{"light falls from 30 to 20", join(even(60, 30, 90000), even(60, 20, 90000)), false},
		{"slow, fast, slow", join(even(30, 30, 90000), even(200, 240, 90000), even(30, 30, 90000)), true},
		{"half pace", join(even(60, 60, 600), even(60, 30, 600)), true},
		{"too few to tell", even(5, 30, 600), false},
	} {
		if got := ramped(c.ms); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
}

func TestClockRule(t *testing.T) {
	at30, at240 := even(300, 30, 90000), even(300, 240, 90000)
	ramp := append(even(60, 240, 90000), func() []float64 {
		out := even(60, 30, 90000)
		for i := range out {
			out[i] += 260
		}
		return out
	}()...)
	for _, c := range []struct {
		name     string
		ms       []float64
		tag, job float64
		source   vision.ClockSource
		fps      float64
		factor   float64 // capture time of the file's second picture over its presentation time
		conflict bool
	}{
		{"times alone", at240, 0, 0, vision.ClockTimestamps, 240, 1, false},
		{"a tag scales", at30, 240, 0, vision.ClockTag, 240, 1. / 8, false},
		{"a tag that restates the rate", at240, 240, 0, vision.ClockTimestamps, 240, 1, false},
		{"a tag below one and a half times", at30, 40, 0, vision.ClockTimestamps, 30, 1, false},
		{"the job wins over times", at30, 0, 120, vision.ClockJob, 120, 1. / 4, false},
		{"the job agrees with times", at240, 0, 239.76, vision.ClockJob, 239.76, 1, false},
		{"the job agrees with a tag", at30, 240, 240, vision.ClockJob, 240, 1. / 8, false},
		{"the job differs from a tag", at30, 240, 120, vision.ClockJob, 120, 1. / 4, true},
		{"the job says less than is stored", at240, 0, 120, vision.ClockJob, 120, 2, true},
		{"the job says a little more", at240, 0, 300, vision.ClockJob, 300, 0.8, true},
		{"two paces", ramp, 0, 0, vision.ClockUnknown, 0, 1, true},
		{"two paces, whatever is told", ramp, 240, 240, vision.ClockUnknown, 0, 1, true},
	} {
		clock, factor := setClock(c.ms, c.tag, c.job)
		if clock.Source != c.source || math.Abs(clock.CaptureFPS-c.fps) > 0.05 || math.Abs(factor-c.factor) > 0.001*c.factor {
			t.Errorf("%s: %+v, factor %.4f, want %s %v, factor %.4f", c.name, clock, factor, c.source, c.fps, c.factor)
		}
		if (clock.Conflict != "") != c.conflict {
			t.Errorf("%s: conflict %q", c.name, clock.Conflict)
		}
		if clock.Known != (c.source != vision.ClockUnknown) || clock.Known != (clock.SigmaRel > 0) {
			t.Errorf("%s: known %v, sigma %v", c.name, clock.Known, clock.SigmaRel)
		}
	}
}

// The tag as Android writes it, a 32-bit float in the file's metadata.
func TestProbeReadsTheCaptureTag(t *testing.T) {
	path := withCaptureTag(t, 120)
	c := probe(t, path)
	if c.Clock.Source != vision.ClockTag || c.Clock.CaptureFPS != 120 || math.Abs(c.Clock.StoredFPS-30) > 0.01 {
		t.Errorf("clock %+v", c.Clock)
	}
	last := c.Times[len(c.Times)-1]
	if n := float64(len(c.Times) - 1); math.Abs(last.Ms-n*1000/120) > 0.01 || math.Abs(last.PTSMs-n*1000/30) > 0.01 {
		t.Errorf("%v steps end at %+v", n, last)
	}
	if c, err := Probe(context.Background(), withCaptureTag(t, -3), vision.Subject{}); err != nil || c.Clock.Source != vision.ClockTimestamps || len(c.Notes) != 1 {
		t.Errorf("a tag that is no rate: %+v, notes %q, %v", c.Clock, c.Notes, err)
	}
	if c, err := Probe(context.Background(), path, vision.Subject{CaptureFPS: 240}); err != nil || c.Clock.Source != vision.ClockJob || c.Clock.Conflict == "" {
		t.Errorf("the job against the tag: %+v, %v", c.Clock, err)
	}
}

// SHA-256 of the three bytes "abc": FIPS 180-4 example, as published by NIST.
func TestHash(t *testing.T) {
	path := altered(t, "abc.mp4", h264(t), func([]byte) []byte { return []byte("abc") })
	got, err := hash(context.Background(), path)
	if want := "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"; err != nil || got != want {
		t.Errorf("%s, %v", got, err)
	}
}

// Wherever a matrix would need a turn that is no quarter, there is no clip.
func TestOrientRefusesOddTurns(t *testing.T) {
	s := math.Sqrt(0.5)
	for _, m := range [][9]float64{{s, s, 0, -s, s}, {}, {1, 1, 0, 1, 1}} {
		if o, err := orient(m); err == nil {
			t.Errorf("%v: %+v", m, o)
		}
	}
	for _, text := range []string{"", "00000000: 1 2 3", "x", "00000000: 1 2 3\n00000001: 4 5 6\n00000002: 7 8 9 10", "0: a 2 3\n1: 4 5 6\n2: 7 8 9"} {
		if m, err := parseMatrix(text); err == nil {
			t.Errorf("%q: %v", text, m)
		}
	}
}

func TestOnePace(t *testing.T) {
	// 20 pictures at 30 a second, 80 at 240 with one lost, 20 at 30 again.
	var c vision.Clip
	ms := 0.0
	for i := range 120 {
		c.Times = append(c.Times, vision.FrameTime{PTSMs: ms})
		switch {
		case i < 19 || i >= 99:
			ms += 1000. / 30
		case i == 60:
			ms += 2000. / 240
		default:
			ms += 1000. / 240
		}
	}
	for at, want := range map[int][2]int{50: {19, 100}, 25: {19, 100}, 5: {0, 20}, 110: {99, 120}} {
		if first, end := OnePace(c, at); first != want[0] || end != want[1] {
			t.Errorf("about picture %d: %d to %d, want %v", at, first, end, want)
		}
	}
	c.Clock.Known = true
	if first, end := OnePace(c, 50); first != 0 || end != 120 {
		t.Errorf("with a clock: %d to %d", first, end)
	}
	for i := range c.Times {
		c.Times[i].PTSMs = 10 * float64(i)
	}
	c.Clock.Known = false
	if first, end := OnePace(c, 50); first != 0 || end != 120 {
		t.Errorf("at one pace: %d to %d", first, end)
	}
}

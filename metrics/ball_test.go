package metrics_test

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"nightcage/metrics"
	"nightcage/phases"
	"nightcage/vision"
	"nightcage/vision/truth"
)

// ballErrors are the standard errors of a simulated flight in the picture.
type ballErrors struct {
	px, angleDeg, speedRel, nearingPerS, meetMs float64
}

// simulateBall puts one draw of errors into a flight, and states them.
func simulateBall(f *vision.BallFlight, e ballErrors, clock float64, rng *rand.Rand) *vision.BallFlight {
	out := *f
	line := func(l *vision.BallLine) *vision.BallLine {
		m := *l
		m.X, m.Y, m.SigmaPx = l.X+e.px*rng.NormFloat64(), l.Y+e.px*rng.NormFloat64(), e.px
		m.AngleDeg, m.AngleSigmaDeg = l.AngleDeg+e.angleDeg*rng.NormFloat64(), e.angleDeg
		m.SpeedSigmaPxS = e.speedRel * l.SpeedPxS / clock
		m.SpeedPxS = l.SpeedPxS/clock + m.SpeedSigmaPxS*rng.NormFloat64()
		m.NearingPerS, m.NearingSigmaPerS = l.NearingPerS/clock+e.nearingPerS*rng.NormFloat64(), e.nearingPerS
		m.Ms *= clock
		return &m
	}
	out.In, out.Out = line(f.In), line(f.Out)
	late := e.meetMs * rng.NormFloat64()
	out.MeetMs, out.MeetSigmaMs = f.MeetMs*clock+late, e.meetMs
	away := 1.0
	if !f.In.Right {
		away = -1
	}
	out.MeetX += e.px*rng.NormFloat64() + away*f.In.SpeedPxS*late/1000
	out.MeetY += e.px * rng.NormFloat64()
	return &out
}

// TestBallOfExactTracks compares exact tracks with what their truth files say,
// which the renderer computed by itself.
func TestBallOfExactTracks(t *testing.T) {
	for _, name := range []string{"s77001_00", "s77001_04", "s77001_09"} {
		f := readTruth(t, name)
		s := measure(t, track(t, f, truth.Options{}), timeline(f, .01), metrics.Options{Draws: 50, Joints: metrics.JointErrors{}})
		want := func(path string) float64 {
			v, ok := f.Measure(path)
			if !ok {
				t.Fatalf("%s has no %s", name, path)
			}
			return v
		}
		rad := math.Pi / 180
		planar := math.Atan2(math.Tan(rad*want("exit.launch_deg")), math.Cos(rad*want("exit.spray_deg_from_x"))) / rad
		attack, _ := f.Measure("attack_angle_contact_deg.sweet_spot_3d")
		for _, c := range []struct {
			id        string
			want, tol float64
		}{
			{"pitch_descent_contact", want("pitch.descent_deg_at_contact_xy"), .3},
			{"pitch_speed_contact", want("pitch.speed_mph"), .04 * want("pitch.speed_mph")},
			{"pitch_to_attack_contact", attack - want("pitch.descent_deg_at_contact_xy"), 1},
			{"launch_angle_contact", planar, 1},
			// The ball is placed at the sweet spot's depth; the bat met it up to 3
			// in away from there along the barrel.
			{"launch_speed_contact", want("exit.speed_mph"), .04 * want("exit.speed_mph")},
		} {
			m, _ := s.Find(c.id)
			if m.Value == nil {
				t.Errorf("%s %s: %s", name, c.id, m.ReasonText)
				continue
			}
			t.Logf("%s %-26s %7.2f +- %.2f, want %.2f", name, c.id, *m.Value, *m.Sigma, c.want)
			if !(math.Abs(*m.Value-c.want) <= c.tol) {
				t.Errorf("%s %s = %.2f, want %.2f within %.2g", name, c.id, *m.Value, c.want, c.tol)
			}
			if *m.Low95 > c.want || c.want > *m.High95 {
				t.Errorf("%s %s: [%.2f, %.2f] does not hold %.2f", name, c.id, *m.Low95, *m.High95, c.want)
			}
		}
		if m, _ := s.Find("contact_depth_contact"); m.Value == nil {
			t.Errorf("%s contact depth: %s", name, m.ReasonText)
		} else {
			t.Logf("%s contact depth %.2f +- %.2f", name, *m.Value, *m.Sigma)
		}
	}
}

// TestToldBall: who filmed the swing knows what was hit, and the record follows.
func TestToldBall(t *testing.T) {
	f := readTruth(t, "s77001_00")
	flying := track(t, f, truth.Options{}).Ball
	if flying == nil || flying.Kind != vision.BallPitched {
		t.Fatalf("the exact track's ball is %+v", flying)
	}
	still := *flying
	still.Kind, still.In = vision.BallTee, nil
	unseen := &vision.BallFlight{Kind: vision.BallNone, Why: "too dark"}
	const pitched, launched, swung = "pitch_speed_contact", "launch_angle_contact", "bat_speed_contact"
	for _, c := range []struct {
		name   string
		told   vision.BallFrom
		seen   *vision.BallFlight
		reason map[string]metrics.Reason // "": it has a value
		note   string
	}{
		{"not told", "", flying, map[string]metrics.Reason{pitched: "", launched: ""}, ""},
		{"not told, none seen", "", unseen, map[string]metrics.Reason{pitched: metrics.ReasonBallNotSeen}, "a dry swing, or a ball that could not be seen"},
		{"pitched, as seen", vision.FromPitch, flying, map[string]metrics.Reason{pitched: "", launched: ""}, ""},
		{"pitched, none seen", vision.FromPitch, unseen, map[string]metrics.Reason{pitched: metrics.ReasonBallNotSeen}, "the ball could not be seen"},
		{"pitched, seems to lie still", vision.FromPitch, &still, map[string]metrics.Reason{pitched: metrics.ReasonBallNotSeen, launched: ""}, "told as a pitched ball"},
		{"a tee, as seen", vision.FromTee, &still, map[string]metrics.Reason{pitched: metrics.ReasonNoPitch, launched: ""}, ""},
		{"a tee, one seems to fly in", vision.FromTee, flying, map[string]metrics.Reason{pitched: metrics.ReasonNoPitch, launched: "", "timing_margin_contact": metrics.ReasonNoPitch}, "told as hit off a tee"},
		{"a tee, none seen", vision.FromTee, unseen, map[string]metrics.Reason{pitched: metrics.ReasonNoPitch, "timing_margin_contact": metrics.ReasonNoPitch, launched: metrics.ReasonBallNotSeen}, "the ball could not be seen"},
		{"a dry swing", vision.FromNone, unseen, map[string]metrics.Reason{pitched: metrics.ReasonNoBall, launched: metrics.ReasonNoBall, swung: ""}, "a dry swing, as told"},
		{"a dry swing, one seems to fly", vision.FromNone, flying, map[string]metrics.Reason{launched: metrics.ReasonNoBall, swung: ""}, "told as a dry swing, but"},
	} {
		tr := track(t, f, truth.Options{})
		tr.Subject.Ball, tr.Ball = c.told, c.seen
		tl := timeline(f, .01)
		tl.Result = phases.ResultUnknown
		s := measure(t, tr, tl, metrics.Options{Draws: 50, Joints: metrics.JointErrors{}})
		for id, want := range c.reason {
			if m, _ := s.Find(id); m.Reason != want || (want == "") != (m.Value != nil) {
				t.Errorf("%s: %s is %q (%s), want %q", c.name, id, m.Reason, m.ReasonText, want)
			}
		}
		notes := strings.Join(s.Notes, "; ")
		if !strings.Contains(notes, c.note) || (c.note == "" && strings.Contains(notes, "ball")) {
			t.Errorf("%s: notes %q, want %q", c.name, notes, c.note)
		}
	}
}

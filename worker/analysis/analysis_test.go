package analysis

import (
	"context"
	"encoding/json"
	"errors"
	"math"
	"os/exec"
	"path/filepath"
	"testing"

	"nightcage/metrics"
	"nightcage/phases"
	"nightcage/vision"
	"nightcage/vision/clip"
	"nightcage/vision/truth"
)

const clips = "../../testdata/clips"

func analyser(t *testing.T) *Analyser {
	t.Helper()
	a, err := New(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(a.Close)
	return a
}

func readTruth(t *testing.T, name string) *truth.File {
	t.Helper()
	f, err := truth.Read(filepath.Join(clips, name+".json.gz"))
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// Bounds are the targets of the design where the pipeline meets them with room
// on many clips; one clip may not use that room up.
func TestSwingAgainstTruth(t *testing.T) {
	a := analyser(t)
	f := readTruth(t, "s77001_00")
	subject := vision.Subject{HeightIn: f.Hitter.HeightIn, BatIn: f.Bat.LengthIn, Bats: vision.SideUnknown}
	calls, lastDone, lastTotal := 0, 0, 0
	found, err := a.Run(t.Context(), filepath.Join(clips, "s77001_00.mp4"), subject, Options{}, func(done, total int) {
		if done < lastDone {
			t.Errorf("progress went back from %d to %d", lastDone, done)
		}
		calls, lastDone, lastTotal = calls+1, done, total
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(found) != 1 {
		t.Fatalf("%d swings, want 1", len(found))
	}
	res := found[0]
	if calls < len(f.Frames) || lastDone != lastTotal || lastTotal == 0 {
		t.Errorf("progress: %d calls, ended at %d of %d", calls, lastDone, lastTotal)
	}
	if want := vision.SideLeft; res.Track.Hand.Bats != want {
		t.Errorf("bats %s, want %s", res.Track.Hand.Bats, want)
	}
	if res.Track.Sighting.View != f.View {
		t.Errorf("view %s, want %s", res.Track.Sighting.View, f.View)
	}

	contact, _ := f.EventMs(string(phases.Contact))
	var tip []float64
	for _, frame := range res.Track.Frames {
		want := f.Frames[frame.Index]
		if want.Ms < contact-150 || want.Ms > contact+60 {
			continue
		}
		got := frame.Tip
		if !got.Found() {
			t.Errorf("frame %d: no tip", frame.Index)
			continue
		}
		tip = append(tip, math.Hypot(got.X-want.Tip.X, got.Y-want.Tip.Y)/want.P.PxPerIn(want.Tip.XYZ))
	}
	if want := int(0.2 * min(f.FPS, 240)); len(tip) < want {
		t.Errorf("%d pictures looked at in the swing, want %d and more", len(tip), want)
	}
	if m := median(tip); m > 0.7 {
		t.Errorf("tip in the swing: median error %.2f in, target 0.7", m)
	}
	for _, e := range res.Timeline.Events {
		if e.ID != phases.Contact {
			continue
		}
		if frames := math.Abs(e.Ms-contact) * f.FPS / 1000; !e.Found || frames > 1.5 {
			t.Errorf("contact found %v, off by %.2f frames", e.Found, frames)
		}
	}
	want, _ := f.Measure("bat_speed_contact_mph.sweet_spot_3d")
	if m, _ := res.Swing.Find("bat_speed_contact"); m.Value == nil || math.Abs(*m.Value/want-1) > 0.15 {
		t.Errorf("bat speed %s, truth %.1f mph", metrics.Text(m), want)
	}
	if len(res.Stills) != len(stillEvents) {
		t.Errorf("%d stills, want %d", len(res.Stills), len(stillEvents))
	}
	for _, s := range res.Stills {
		if len(s.JPEG) < 10_000 || s.JPEG[0] != 0xff || s.JPEG[1] != 0xd8 {
			t.Errorf("still at %s: %d bytes, no JPEG", s.Event, len(s.JPEG))
		}
	}
}

// made makes a clip from another one, or from a test source, with ffmpeg.
func made(t testing.TB, args ...string) string {
	t.Helper()
	out := filepath.Join(t.TempDir(), "made.mp4")
	cmd := exec.CommandContext(t.Context(), "ffmpeg", append(append([]string{"-v", "error", "-y"}, args...), out)...)
	if b, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("ffmpeg %v: %v\n%s", args, err, b)
	}
	return out
}

func TestNothingToMeasure(t *testing.T) {
	a := analyser(t)
	swing := filepath.Join(clips, "s77001_04.mp4")
	for _, c := range []struct {
		name string
		make []string
		want Kind
	}{
		{"a test card", []string{"-f", "lavfi", "-i", "testsrc2=size=640x360:rate=60:duration=1"}, NoPerson},
		{"an upright clip stored on its side", []string{"-i", swing, "-t", "0.5", "-vf", "transpose=1"}, WrongRotation},
		{"a stance without a swing", []string{"-i", swing, "-t", "0.25"}, NoSwing},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := a.Run(t.Context(), made(t, c.make...), vision.Subject{HeightIn: 55}, Options{NoStills: true}, nil)
			if !errors.Is(err, c.want) {
				t.Fatalf("Run = %v, want %s", err, c.want)
			}
			kind, reason, ok := Reason(err)
			if !ok || kind != string(c.want) || reason == "" {
				t.Errorf("Reason = %q, %q, %v", kind, reason, ok)
			}
			s := a.Failed(metrics.Failure{Kind: kind, Text: reason}, vision.Clip{Name: "made.mp4"}, vision.Subject{})
			raw, err := json.Marshal(s)
			if err != nil {
				t.Fatal(err)
			}
			if err := metrics.Validate(raw); err != nil {
				t.Errorf("failure record: %v", err)
			}
		})
	}
}

func TestBadFileIsTyped(t *testing.T) {
	_, err := analyser(t).Run(t.Context(), "analysis_test.go", vision.Subject{}, Options{}, nil)
	if kind, _, ok := Reason(err); !ok || !errors.Is(err, clip.NotAVideo) || kind != string(clip.NotAVideo) {
		t.Errorf("Run on a Go file = %v", err)
	}
}

func TestCancelled(t *testing.T) {
	a := analyser(t)
	ctx, cancel := context.WithCancel(t.Context())
	_, err := a.Run(ctx, filepath.Join(clips, "s77001_04.mp4"), vision.Subject{}, Options{}, func(done, _ int) {
		if done == 20 {
			cancel()
		}
	})
	if !errors.Is(err, context.Canceled) {
		t.Errorf("Run = %v, want the context's error", err)
	}
}

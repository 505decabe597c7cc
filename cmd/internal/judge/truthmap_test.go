package judge

import (
	"context"
	"math"
	"path/filepath"
	"testing"

	"nightcage/metrics"
	"nightcage/phases"
	"nightcage/vision"
	"nightcage/vision/truth"
)

// exactTolerance is how far a measure made from exact places and events may lie
// from the truth file's own number, by unit: the file samples at 0.5 ms and
// rounds events to the sample, a frame is 4 to 8 ms, and between frames a
// reading is a polynomial's.
var exactTolerance = map[string]float64{"deg": .5, "in": .15, "mph": .6, "ms": .02, "1": .01, "%": .1}

// The exceptions, each with its reason.
var widerTolerance = map[string]float64{
	"lead_knee_angle_plant":           1.0, // the landing foot stops within a frame
	"lead_knee_angle_toe_touch":       1.0, // the same
	"attack_angle_contact":            .8,  // up to 8 ms past the last frame, in a turn of 2 deg a ms
	"pitch_to_attack_contact":         .8,  // rests on it
	"contact_depth_contact":           .8,  // met up to 3 in from the sweet spot, seen 15 deg from square
	"pitch_speed_contact":             1.5, // the same 3 in change the scale by 2 %
	"launch_speed_contact":            1.5, // the same
	"lead_knee_straightening_contact": 1.0, // rests on the first
	"bat_heading_contact":             1.0, // 2 deg a ms
	"bat_tip_speed_contact":           .8,  // the sweet spot's tolerance at the longer arm
	"forearm_bat_angle_contact":       1.0, // near straight, where a degree sideways is several of angle
	"barrel_path_contact":             .3,
	"barrel_over_knob_path_contact":   .1, // a path of 5 to 9 in below the line
	"pelvis_forward_speed_peak":       .1, // of 1 to 3
	"arm_peak_time_contact":           5,  // a flat top, sought between frames 4 to 17 ms apart
	// The file's largest separation is sought from the start of the stride, ours
	// from toe touch; it falls in the turn in every clip.
	"hip_shoulder_separation_max": .6,
}

// TestMeasuresEqualTruth measures exact tracks with exact events: every measure
// that a truth file has a number for must come out as that number.
func TestMeasuresEqualTruth(t *testing.T) {
	paths, err := filepath.Glob("../../../testdata/clips/*.json.gz")
	if err != nil || len(paths) < 4 {
		t.Fatalf("%d truth files (%v)", len(paths), err)
	}
	compared := map[string]int{}
	for _, p := range paths {
		f, err := truth.Read(p)
		if err != nil {
			t.Fatal(err)
		}
		tr, err := truth.Track(f, truth.Options{})
		if err != nil {
			t.Fatal(err)
		}
		if tr.Ball, err = f.BallFlight(); err != nil {
			t.Fatal(err)
		}
		tl := phases.Timeline{Kind: phases.KindSwing, Timed: true}
		for _, id := range phases.Events() {
			ms, ok := f.EventMs(string(id))
			tl.Events = append(tl.Events, phases.Event{ID: id, Found: ok, Ms: ms, SigmaMs: .01, Confidence: 1})
		}
		s, err := metrics.Measure(context.Background(), *tr, tl, metrics.Options{Joints: metrics.JointErrors{}, Draws: 100})
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range s.Measures {
			want, ok := TruthOf(m.ID, f)
			if !ok {
				continue
			}
			compared[m.ID]++
			if m.Value == nil {
				// The ball's flight is read from the side only.
				if d, _ := metrics.Lookup(m.ID); d.Group != metrics.GroupBall || m.Reason != metrics.ReasonView || f.View != vision.ViewRear {
					t.Errorf("%s: %s is unavailable: %s", f.Name, m.ID, m.ReasonText)
				}
				continue
			}
			tol, special := widerTolerance[m.ID]
			if !special {
				tol = exactTolerance[m.Unit]
			}
			if !(math.Abs(*m.Value-want) <= tol) {
				t.Errorf("%s: %s is %.3f, truth %.3f %s, tolerance %.2g", f.Name, m.ID, *m.Value, want, m.Unit, tol)
			}
		}
	}
	for id := range truthMeasures {
		if compared[id] != len(paths) {
			t.Errorf("%s: compared on %d of %d clips; is it a measure, and its path right?", id, compared[id], len(paths))
		}
	}
	for id := range derivedTruth {
		if compared[id] != len(paths) {
			t.Errorf("%s: compared on %d of %d clips", id, compared[id], len(paths))
		}
	}
	for id := range widerTolerance {
		if compared[id] == 0 {
			t.Errorf("a tolerance for %s, which is not compared", id)
		}
	}
}

package metrics_test

import (
	"context"
	"math"
	"testing"

	"nightcage/metrics"
	"nightcage/phases"
	"nightcage/vision"
	"nightcage/vision/truth"
)

// spoiled is a full track and timeline with one thing taken away or broken.
type spoiled struct {
	name   string
	spoil  func(tr *vision.Track, tl *phases.Timeline)
	id     string
	grade  metrics.Grade
	reason metrics.Reason
}

func event(tl *phases.Timeline, id phases.EventID) *phases.Event {
	for i := range tl.Events {
		if tl.Events[i].ID == id {
			return &tl.Events[i]
		}
	}
	return nil
}

// lose makes points invalid in every frame of the solution and the picture.
func lose(tr *vision.Track, landmarks ...vision.Landmark) {
	for i := range tr.Frames {
		for _, l := range landmarks {
			tr.Solution.Frames[i].Body[l].Valid = false
			tr.Frames[i].Body[l] = vision.Mark{}
		}
	}
}

func TestReasons(t *testing.T) {
	const un, est, meas = metrics.GradeUnavailable, metrics.GradeEstimated, metrics.GradeMeasured
	f := readTruth(t, "s77001_09")
	for _, c := range []spoiled{
		{"nothing", func(*vision.Track, *phases.Timeline) {}, "bat_speed_contact", meas, ""},
		{"event not found", func(_ *vision.Track, tl *phases.Timeline) { event(tl, phases.ToeTouch).Found = false },
			"shoulder_tilt_toe_touch", un, metrics.ReasonEvent},
		{"another event not found", func(_ *vision.Track, tl *phases.Timeline) { event(tl, phases.ToeTouch).Found = false },
			"bat_speed_contact", meas, ""},
		{"a take", func(_ *vision.Track, tl *phases.Timeline) {
			tl.Kind = phases.KindTake
			event(tl, phases.Contact).Found = false
		},
			"bat_speed_contact", un, metrics.ReasonNotASwing},
		{"a take's stride", func(_ *vision.Track, tl *phases.Timeline) {
			tl.Kind = phases.KindTake
			event(tl, phases.Contact).Found = false
		},
			"stride_length_toe_touch", meas, ""},
		{"no solution", func(tr *vision.Track, _ *phases.Timeline) { tr.Solution, tr.Unsolved = nil, "no body" },
			"bat_speed_contact", un, metrics.ReasonNoSolution},
		{"no solution, side view", func(tr *vision.Track, _ *phases.Timeline) { tr.Solution = nil },
			"head_rise_contact", est, metrics.ReasonPlanar},
		{"no solution, rear view", func(tr *vision.Track, _ *phases.Timeline) {
			tr.Solution, tr.Sighting = nil, vision.Sighting{View: vision.ViewRear, YawDeg: -90, SigmaDeg: 3}
		}, "head_rise_contact", un, metrics.ReasonView},
		{"no solution, rear view: times", func(tr *vision.Track, _ *phases.Timeline) {
			tr.Solution, tr.Sighting = nil, vision.Sighting{View: vision.ViewRear, YawDeg: -90, SigmaDeg: 3}
		}, "swing_time_contact", meas, ""},
		{"no solution, oblique", func(tr *vision.Track, _ *phases.Timeline) { tr.Solution, tr.Sighting.YawDeg = nil, 40 },
			"head_rise_contact", un, metrics.ReasonView},
		{"no solution, no scale", func(tr *vision.Track, _ *phases.Timeline) { tr.Solution, tr.Scale = nil, vision.Scale{} },
			"head_rise_contact", un, metrics.ReasonNoScale},
		{"nobody looked for a ball", func(tr *vision.Track, _ *phases.Timeline) { tr.Ball = nil },
			"pitch_descent_contact", un, metrics.ReasonBallNotSeen},
		{"no ball", func(tr *vision.Track, _ *phases.Timeline) {
			tr.Ball = &vision.BallFlight{Kind: vision.BallNone, Why: "none flew"}
		},
			"launch_angle_contact", un, metrics.ReasonBallNotSeen},
		{"a tee", func(tr *vision.Track, _ *phases.Timeline) { tr.Ball.Kind, tr.Ball.In = vision.BallTee, nil },
			"pitch_speed_contact", un, metrics.ReasonNoPitch},
		{"a tee: launch", func(tr *vision.Track, _ *phases.Timeline) { tr.Ball.Kind, tr.Ball.In = vision.BallTee, nil },
			"launch_speed_contact", meas, ""},
		{"a tee: depth", func(tr *vision.Track, _ *phases.Timeline) { tr.Ball.Kind, tr.Ball.In = vision.BallTee, nil },
			"contact_depth_contact", meas, ""},
		{"a miss", func(tr *vision.Track, _ *phases.Timeline) { tr.Ball.End, tr.Ball.Out = vision.BallPassed, nil },
			"launch_speed_contact", un, metrics.ReasonNotHit},
		{"a miss: depth", func(tr *vision.Track, _ *phases.Timeline) { tr.Ball.End, tr.Ball.Out = vision.BallPassed, nil },
			"contact_depth_contact", un, metrics.ReasonNotHit},
		{"a miss: pitch", func(tr *vision.Track, _ *phases.Timeline) { tr.Ball.End, tr.Ball.Out = vision.BallPassed, nil },
			"pitch_to_attack_contact", meas, ""},
		{"lost on its way in", func(tr *vision.Track, _ *phases.Timeline) {
			tr.Ball.End, tr.Ball.Out, tr.Ball.MeetSigmaMs = vision.BallLost, nil, 0
		}, "contact_depth_contact", un, metrics.ReasonBallNotSeen},
		{"lost long before", func(tr *vision.Track, _ *phases.Timeline) { tr.Ball.In.Ms -= 200 },
			"pitch_descent_contact", un, metrics.ReasonBallNotSeen},
		{"fouled back", func(tr *vision.Track, _ *phases.Timeline) { tr.Ball.Out.Right = !tr.Ball.Out.Right },
			"launch_angle_contact", un, metrics.ReasonUndefined},
		{"ball from behind the catcher", func(tr *vision.Track, _ *phases.Timeline) {
			tr.Solution.Camera.Centre = vision.Vec3{X: -200, Y: 50}
		}, "pitch_descent_contact", un, metrics.ReasonView},
		{"ball, unknown clock", func(tr *vision.Track, tl *phases.Timeline) { unknownClock(tr, tl) },
			"launch_speed_contact", un, metrics.ReasonNoClock},
		{"ball, unknown clock: angle", func(tr *vision.Track, tl *phases.Timeline) { unknownClock(tr, tl) },
			"pitch_descent_contact", meas, ""},
		{"ball, no solution", func(tr *vision.Track, _ *phases.Timeline) { tr.Solution = nil },
			"pitch_descent_contact", est, metrics.ReasonPlanar},
		{"ball speed, no solution", func(tr *vision.Track, _ *phases.Timeline) { tr.Solution = nil },
			"pitch_speed_contact", un, metrics.ReasonNoSolution},
		{"unknown clock", func(tr *vision.Track, tl *phases.Timeline) { unknownClock(tr, tl) },
			"bat_speed_contact", un, metrics.ReasonNoClock},
		{"unknown clock: times", func(tr *vision.Track, tl *phases.Timeline) { unknownClock(tr, tl) },
			"swing_time_contact", un, metrics.ReasonNoClock},
		{"unknown clock: angles", func(tr *vision.Track, tl *phases.Timeline) { unknownClock(tr, tl) },
			"hip_shoulder_separation_plant", meas, ""},
		{"side of the plate unknown", func(tr *vision.Track, _ *phases.Timeline) { tr.Hand.Bats = vision.SideUnknown },
			"shoulder_tilt_toe_touch", un, metrics.ReasonNoHand},
		{"side of the plate unknown: bat", func(tr *vision.Track, _ *phases.Timeline) { tr.Hand.Bats = vision.SideUnknown },
			"bat_speed_contact", meas, ""},
		{"no knee", func(tr *vision.Track, _ *phases.Timeline) { lose(tr, vision.LeftKnee, vision.RightKnee) },
			"lead_knee_angle_plant", un, metrics.ReasonLandmark},
		{"no bat", func(tr *vision.Track, _ *phases.Timeline) {
			for i := range tr.Solution.Frames {
				tr.Solution.Frames[i].Tip.Valid = false
			}
		}, "bat_speed_contact", un, metrics.ReasonBat},
		{"bat lost around contact", func(tr *vision.Track, tl *phases.Timeline) {
			at := event(tl, phases.Contact).Ms
			for i := range tr.Frames {
				if math.Abs(tr.Frames[i].Ms-at) < 40 {
					tr.Solution.Frames[i].Knob.Valid = false
				}
			}
		}, "attack_angle_contact", un, metrics.ReasonBat},
		{"body's frames lost around toe touch", func(tr *vision.Track, tl *phases.Timeline) {
			at := event(tl, phases.ToeTouch).Ms
			for i := range tr.Frames {
				tr.Clip.Times[i].Lost = math.Abs(tr.Frames[i].Ms-at) < 40
			}
		}, "shoulder_tilt_toe_touch", un, metrics.ReasonLandmark},
		{"track ends before contact", func(tr *vision.Track, tl *phases.Timeline) {
			n := int(event(tl, phases.Contact).Frame) - 12
			tr.Frames, tr.Solution.Frames = tr.Frames[:n], tr.Solution.Frames[:n]
		}, "bat_speed_contact", un, metrics.ReasonBat},
		{"inseam not told", func(tr *vision.Track, _ *phases.Timeline) { tr.Subject.InseamIn = 0 },
			"base_over_inseam_toe_touch", un, metrics.ReasonNoInseam},
		{"height not told", func(tr *vision.Track, _ *phases.Timeline) { tr.Subject.HeightIn = 0 },
			"stride_share_toe_touch", un, metrics.ReasonNoHeight},
		{"wild marks", func(tr *vision.Track, _ *phases.Timeline) {
			for i := range tr.Solution.Frames {
				p := &tr.Solution.Frames[i]
				p.Knob.SX, p.Tip.SX, p.Knob.SZ, p.Tip.SZ = 30, 30, 30, 30
			}
		}, "bat_speed_contact", un, metrics.ReasonTooWide},
		{"loose marks", func(tr *vision.Track, _ *phases.Timeline) {
			for i := range tr.Solution.Frames {
				p := &tr.Solution.Frames[i]
				p.Knob.SX, p.Tip.SX, p.Knob.SZ, p.Tip.SZ = .9, .9, .9, .9
			}
		}, "bat_speed_contact", est, metrics.ReasonWide},
		{"scale from the level of play", func(tr *vision.Track, _ *phases.Timeline) {
			tr.Scale.Sources = []vision.ScaleSource{{From: "prior", PxPerIn: 6, SigmaRel: .06}}
		}, "bat_speed_contact", est, metrics.ReasonPriorScale},
		{"scale from the level of play: angles", func(tr *vision.Track, _ *phases.Timeline) {
			tr.Scale.Sources = []vision.ScaleSource{{From: "prior", PxPerIn: 6, SigmaRel: .06}}
		}, "attack_angle_contact", meas, ""},
		{"rival solution", func(tr *vision.Track, _ *phases.Timeline) { tr.Solution.Doubt = .9 },
			"pelvis_openness_plant", est, metrics.ReasonDoubt},
		{"unsure event", func(_ *vision.Track, tl *phases.Timeline) { event(tl, phases.HeelPlant).Confidence = .2 },
			"pelvis_openness_plant", est, metrics.ReasonEventUnsure},
		{"shoulders filled in", func(tr *vision.Track, _ *phases.Timeline) {
			for i := range tr.Frames {
				for _, l := range []vision.Landmark{vision.LeftShoulder, vision.RightShoulder} {
					tr.Frames[i].Body[l].How = vision.HowModel
				}
			}
		}, "shoulder_tilt_toe_touch", est, metrics.ReasonFilledIn},
		{"contact before toe touch", func(_ *vision.Track, tl *phases.Timeline) {
			event(tl, phases.ToeTouch).Ms = event(tl, phases.Contact).Ms + 30
		}, "head_travel_largest_contact", un, metrics.ReasonOrder},
		{"time that runs backward", func(_ *vision.Track, tl *phases.Timeline) {
			event(tl, phases.ToeTouch).Ms = event(tl, phases.HeelPlant).Ms + 30
		}, "plant_time_plant", un, metrics.ReasonOrder},
		{"feet together", func(tr *vision.Track, _ *phases.Timeline) {
			for i := range tr.Solution.Frames {
				b := tr.Solution.Frames[i].Body
				b[vision.LeftAnkle].X = b[vision.RightAnkle].X + 1
			}
		}, "head_over_base_contact", un, metrics.ReasonUndefined},
		{"bat off the picture, solved", func(tr *vision.Track, _ *phases.Timeline) {
			for i := range tr.Frames {
				tr.Frames[i].Tip = vision.Mark{}
			}
		}, "bat_tilt_contact", est, metrics.ReasonFilledIn},
	} {
		t.Run(c.name+", "+c.id, func(t *testing.T) {
			tr, tl := track(t, f, truth.Options{}), timeline(f, 1)
			c.spoil(&tr, &tl)
			// Joint errors aside: this is about reasons, not sizes.
			s := measure(t, tr, tl, metrics.Options{Draws: 60, Joints: metrics.JointErrors{}})
			got, _ := s.Find(c.id)
			if got.Grade != c.grade || got.Reason != c.reason {
				t.Errorf("%s is %s %q (%s), want %s %q", c.id, got.Grade, got.Reason, got.ReasonText, c.grade, c.reason)
			}
		})
	}
}

func unknownClock(tr *vision.Track, tl *phases.Timeline) {
	tr.Clip.Clock = vision.Clock{Source: vision.ClockUnknown, StoredFPS: 30}
	tl.Timed = false
	for i := range tl.Events {
		tl.Events[i].SigmaMs = 0
	}
}

// TestNothingToRead: a track without frames is a record, not a crash.
func TestNothingToRead(t *testing.T) {
	s := measure(t, vision.Track{}, phases.Timeline{Kind: phases.KindNone}, metrics.Options{Draws: 20})
	for _, m := range s.Measures {
		if m.Grade != metrics.GradeUnavailable {
			t.Errorf("%s is %s with nothing to read", m.ID, m.Grade)
		}
	}
}

// TestNotANumber: numbers that are none reach no record.
func TestNotANumber(t *testing.T) {
	f := readTruth(t, "s77001_09")
	nan := math.NaN()
	tr, tl := track(t, f, truth.Options{}), timeline(f, 1)
	for i := range tr.Solution.Frames {
		tr.Solution.Frames[i].Body[vision.LeftHip].X = nan
		tr.Solution.Frames[i].Tip.SZ = math.Inf(1)
	}
	s := measure(t, tr, tl, metrics.Options{Draws: 20}) // checkRecord marshals
	if m, _ := s.Find("pelvis_openness_plant"); m.Reason != metrics.ReasonLandmark {
		t.Errorf("hips that are not numbers: %s %s", m.Grade, m.Reason)
	}
	for name, spoil := range map[string]func(tr *vision.Track, tl *phases.Timeline){
		"scale":       func(tr *vision.Track, _ *phases.Timeline) { tr.Solution.ScaleSigmaRel = nan },
		"event":       func(_ *vision.Track, tl *phases.Timeline) { event(tl, phases.Contact).Ms = nan },
		"event sigma": func(_ *vision.Track, tl *phases.Timeline) { event(tl, phases.Contact).SigmaMs = math.Inf(1) },
		"event id":    func(_ *vision.Track, tl *phases.Timeline) { event(tl, phases.Contact).ID = "launch" },
		"frames":      func(tr *vision.Track, _ *phases.Timeline) { tr.Solution.Frames = tr.Solution.Frames[1:] },
	} {
		tr, tl := track(t, f, truth.Options{}), timeline(f, 1)
		spoil(&tr, &tl)
		if _, err := metrics.Measure(context.Background(), tr, tl, metrics.Options{Draws: 20}); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}

func TestMeasureStopsWithItsContext(t *testing.T) {
	f := readTruth(t, "s77001_09")
	ctx, stop := context.WithCancel(context.Background())
	stop()
	if _, err := metrics.Measure(ctx, track(t, f, truth.Options{}), timeline(f, 1), metrics.Options{}); err == nil {
		t.Error("Measure runs on after its context ended")
	}
}

// TestErrorBarsGrowWithTheirCause turns up one cause at a time.
func TestErrorBarsGrowWithTheirCause(t *testing.T) {
	f := readTruth(t, "s77001_09")
	sigma := func(id string, spoil func(tr *vision.Track, tl *phases.Timeline)) float64 {
		tr, tl := track(t, f, truth.Options{}), timeline(f, 1)
		spoil(&tr, &tl)
		s := measure(t, tr, tl, metrics.Options{Joints: metrics.JointErrors{}, Draws: 200})
		m, _ := s.Find(id)
		if m.Value == nil {
			t.Fatalf("%s is unavailable: %s", id, m.ReasonText)
		}
		return *m.Sigma
	}
	nothing := func(*vision.Track, *phases.Timeline) {}
	for name, c := range map[string]struct {
		id    string
		spoil func(tr *vision.Track, tl *phases.Timeline)
		least float64 // added in quadrature, in the measure's unit
	}{
		"scale":  {"base_width_toe_touch", func(tr *vision.Track, _ *phases.Timeline) { tr.Solution.ScaleSigmaRel = .05 }, 1.2},
		"barrel": {"bat_speed_contact", func(tr *vision.Track, _ *phases.Timeline) { tr.Solution.BatScaleSigmaRel = .05 }, 2},
		"yaw":    {"pelvis_openness_plant", func(tr *vision.Track, _ *phases.Timeline) { tr.Solution.YawSigmaDeg = 6 }, 5.3},
		"tilt":   {"spine_tilt_contact", func(tr *vision.Track, _ *phases.Timeline) { tr.Solution.TiltSigmaDeg = 3 }, 2.6},
		"clock":  {"bat_speed_contact", func(tr *vision.Track, _ *phases.Timeline) { tr.Clip.Clock.SigmaRel = .05 }, 2},
		"event":  {"swing_time_contact", func(_ *vision.Track, tl *phases.Timeline) { event(tl, phases.ForwardMove).SigmaMs = 10 }, 9},
		"nod":    {"bat_tilt_contact", func(tr *vision.Track, _ *phases.Timeline) { tr.Solution.Camera.TiltSigmaDeg = 4 }, 3},
		"depths": {"barrel_depth_bat_parallel", func(tr *vision.Track, _ *phases.Timeline) { tr.Solution.BatDepthSigmaIn = 8 }, .5},
		"arm": {"lead_elbow_angle_toe_touch", func(tr *vision.Track, _ *phases.Timeline) {
			elbow := tr.Hand.Lead(vision.LeftElbow)
			for i := range tr.Solution.Frames {
				q := &tr.Solution.Frames[i]
				at := q.Body[elbow]
				at.Z -= 10
				q.Other = []vision.OtherPlace{{Landmark: elbow, Place: at, Weight: .4}}
			}
		}, 8},
		"depth": {"barrel_behind_head_toe_touch", func(tr *vision.Track, _ *phases.Timeline) { tr.Solution.BodyDepthSigmaIn = 8 }, .8},
		"marks": {"head_rise_contact", func(tr *vision.Track, _ *phases.Timeline) {
			for i := range tr.Solution.Frames {
				tr.Solution.Frames[i].Head.SY = 2
			}
		}, .5},
	} {
		before, after := sigma(c.id, nothing), sigma(c.id, c.spoil)
		if grown := math.Sqrt(max(0, after*after-before*before)); !(grown >= c.least) {
			t.Errorf("%s: sigma of %s goes from %.3g to %.3g, want %.3g added", name, c.id, before, after, c.least)
		}
	}
	// Changes know more than levels: what keeps drops out of them.
	joints := metrics.Options{Joints: metrics.NetworkJointErrors(), Draws: 400}
	s := measure(t, track(t, f, truth.Options{}), timeline(f, 1), joints)
	level, _ := s.Find("forearm_bat_angle_plant")
	change, _ := s.Find("forearm_bat_opening_plant")
	if !(*change.Sigma < *level.Sigma) {
		t.Errorf("opening from toe touch to plant is known to %.3g deg, its end to %.3g", *change.Sigma, *level.Sigma)
	}
}

func TestEverySourceHasWords(t *testing.T) {
	for _, s := range append(metrics.SourcesOfError(), metrics.FromTogether) {
		if s.Words() == "" {
			t.Errorf("%s has no words", s)
		}
	}
}

// TestBudget: each cause is the whole budget when it is the only one.
func TestBudget(t *testing.T) {
	f := readTruth(t, "s77001_09")
	for _, c := range []struct {
		spoil func(tr *vision.Track, tl *phases.Timeline)
		id    string
		from  metrics.SourceOfError
	}{
		{func(tr *vision.Track, _ *phases.Timeline) { tr.Solution.YawSigmaDeg = 6 }, "pelvis_openness_toe_touch", metrics.FromCamera},
		{func(tr *vision.Track, _ *phases.Timeline) { tr.Solution.ScaleSigmaRel = .1 }, "base_width_toe_touch", metrics.FromScale},
		{func(_ *vision.Track, tl *phases.Timeline) { event(tl, phases.ForwardMove).SigmaMs = 20 }, "swing_time_contact", metrics.FromEvents},
		{func(tr *vision.Track, _ *phases.Timeline) {
			for i := range tr.Solution.Frames {
				tr.Solution.Frames[i].Tip.SY = 5
			}
		}, "bat_tilt_contact", metrics.FromBat},
	} {
		tr, tl := track(t, f, truth.Options{}), timeline(f, .1)
		c.spoil(&tr, &tl)
		s := measure(t, tr, tl, metrics.Options{Joints: metrics.JointErrors{}, Draws: 100, Budget: true})
		m, _ := s.Find(c.id)
		sum := 0.0
		for _, share := range m.Budget {
			sum += share
		}
		if math.Abs(sum-1) > .001 {
			t.Errorf("%s: shares sum to %.4f", c.id, sum)
		}
		if m.Budget[c.from] < .8 {
			t.Errorf("%s: %s has a share of %.2f: %v", c.id, c.from, m.Budget[c.from], m.Budget)
		}
	}
}

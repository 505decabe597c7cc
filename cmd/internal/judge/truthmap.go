package judge

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"nightcage/vision"
	"nightcage/vision/truth"
)

// TruthOf returns what a truth file says a measure is; ok is false for measures
// it has no value for.
func TruthOf(id string, f *truth.File) (value float64, ok bool) {
	if path, mapped := truthMeasures[id]; mapped {
		return f.Measure(path)
	}
	if of, derived := derivedTruth[id]; derived {
		v := of(f)
		return v, !math.IsNaN(v)
	}
	return 0, false
}

// truthMeasures maps our measure ids to the dotted path of the same quantity in
// a truth file (truth.File.Measure). Measures that are missing here have no
// value of their own in a truth file.
var truthMeasures = map[string]string{
	"shoulder_tilt_toe_touch": "shoulder_tilt_deg.toe_touch.three_d",
	"shoulder_tilt_plant":     "shoulder_tilt_deg.heel_plant.three_d",
	"shoulder_tilt_contact":   "shoulder_tilt_deg.contact.three_d",

	"head_travel_contact":  "head_travel_toe_touch_to_contact_in.planar_xy",
	"head_forward_contact": "head_travel_toe_touch_to_contact_in.x",
	"head_rise_contact":    "head_travel_toe_touch_to_contact_in.y",

	"base_width_toe_touch":       "base_width_in.toe_touch.ankles_3d",
	"base_over_inseam_toe_touch": "base_width_in.toe_touch.over_inseam",
	"stride_length_toe_touch":    "stride_length_in.x",

	"lead_knee_angle_toe_touch": "lead_knee_angle_deg.toe_touch.three_d",
	"lead_knee_angle_plant":     "lead_knee_angle_deg.heel_plant.three_d",
	"lead_knee_angle_contact":   "lead_knee_angle_deg.contact.three_d",
	"back_knee_angle_toe_touch": "rear_knee_angle_deg.toe_touch.three_d",
	"back_knee_angle_contact":   "rear_knee_angle_deg.contact.three_d",

	"back_toe_slide_contact":         "back_foot_slide_in.toe_tip_x_from_toe_touch",
	"back_heel_lift_contact":         "back_heel_lift_in.contact",
	"back_heel_lift_largest_contact": "back_heel_lift_in.max_to_contact",

	"hip_shoulder_separation_toe_touch": "hip_shoulder_separation_deg.toe_touch",
	"hip_shoulder_separation_plant":     "hip_shoulder_separation_deg.heel_plant",
	"hip_shoulder_separation_contact":   "hip_shoulder_separation_deg.contact",
	"hip_shoulder_separation_max":       "hip_shoulder_separation_deg.max",

	"forearm_bat_angle_toe_touch":    "forearm_bat_angle_deg.toe_touch.lead_3d",
	"forearm_bat_angle_plant":        "forearm_bat_angle_deg.heel_plant.lead_3d",
	"forearm_bat_angle_bat_parallel": "forearm_bat_angle_deg.bat_parallel.lead_3d",
	"forearm_bat_angle_contact":      "forearm_bat_angle_deg.contact.lead_3d",

	"knob_path_contact":     "path_bat_parallel_to_contact_in.knob.three_d",
	"barrel_path_contact":   "path_bat_parallel_to_contact_in.tip.three_d",
	"bat_speed_contact":     "bat_speed_contact_mph.sweet_spot_3d",
	"bat_tip_speed_contact": "bat_speed_contact_mph.tip_3d",
	"attack_angle_contact":  "attack_angle_contact_deg.sweet_spot_3d",
	"bat_tilt_contact":      "bat_at_contact_deg.elevation",
	"bat_heading_contact":   "bat_at_contact_deg.azimuth_from_plate_line",

	"lead_elbow_angle_toe_touch": "elbow_angle_deg.lead_toe_touch",
	"lead_elbow_angle_contact":   "elbow_angle_deg.lead_contact",
	"back_elbow_angle_toe_touch": "elbow_angle_deg.rear_toe_touch",
	"back_elbow_angle_contact":   "elbow_angle_deg.rear_contact",
	"back_elbow_angle_extension": "elbow_angle_deg.rear_full_extension",

	"pitch_descent_contact": "pitch.descent_deg_at_contact_xy",
	"pitch_speed_contact":   "pitch.speed_mph",
	"launch_speed_contact":  "exit.speed_mph",

	"swing_time_contact":    "forward_move_to_contact_ms",
	"parallel_time_contact": "bat_parallel_to_contact_ms",
}

// derivedTruth holds measures that follow from values of the truth file by
// subtraction or division. A value the file lacks makes them NaN.
var derivedTruth = map[string]func(*truth.File) float64{
	"base_minus_inseam_toe_touch": func(f *truth.File) float64 {
		return value(f, "base_width_in.toe_touch.ankles_3d") - f.Hitter.InseamIn
	},
	"stride_share_toe_touch": func(f *truth.File) float64 {
		return 100 * value(f, "stride_length_in.x") / f.Hitter.HeightIn
	},
	"lead_knee_straightening_contact": func(f *truth.File) float64 {
		return value(f, "lead_knee_angle_deg.contact.three_d") - value(f, "lead_knee_angle_deg.heel_plant.three_d")
	},
	"forearm_bat_opening_plant": func(f *truth.File) float64 {
		return value(f, "forearm_bat_angle_deg.heel_plant.lead_3d") - value(f, "forearm_bat_angle_deg.toe_touch.lead_3d")
	},
	"barrel_over_knob_path_contact": func(f *truth.File) float64 {
		return value(f, "path_bat_parallel_to_contact_in.tip.three_d") / value(f, "path_bat_parallel_to_contact_in.knob.three_d")
	},
	// Launch is an elevation in three dimensions; seen from the side a ball hit
	// at a spray angle s climbs steeper: tan(planar) = tan(launch)/cos(s).
	"launch_angle_contact": func(f *truth.File) float64 {
		const rad = math.Pi / 180
		return math.Atan2(math.Tan(rad*value(f, "exit.launch_deg")), math.Cos(rad*value(f, "exit.spray_deg_from_x"))) / rad
	},
	"pitch_to_attack_contact": func(f *truth.File) float64 {
		return value(f, "attack_angle_contact_deg.sweet_spot_3d") - value(f, "pitch.descent_deg_at_contact_xy")
	},
	"contact_depth_contact":     contactDepth,
	"pelvis_forward_speed_peak": hipsForwardSpeed,
	"arm_peak_time_contact":     armPeak,
	"load_time_stride":          func(f *truth.File) float64 { return between(f, "load_start", "stride_start") },
	"stride_time_toe_touch":     func(f *truth.File) float64 { return between(f, "stride_start", "toe_touch") },
	"plant_time_plant":          func(f *truth.File) float64 { return between(f, "toe_touch", "heel_plant") },
	"turn_time_contact":         func(f *truth.File) float64 { return between(f, "heel_plant", "contact") },
	"extension_time_extension":  func(f *truth.File) float64 { return between(f, "contact", "full_extension") },
	"finish_time_finish":        func(f *truth.File) float64 { return between(f, "contact", "finish") },
}

// contactDepth is the x of the ball against that of the lead ankle at contact,
// each carried there by the last two frames before it.
func contactDepth(f *truth.File) float64 {
	contact, ok := f.EventMs("contact")
	if !ok {
		return math.NaN()
	}
	for i := len(f.Frames) - 1; i > 0; i-- {
		a, b := &f.Frames[i-1], &f.Frames[i]
		if b.Ms >= contact {
			continue
		}
		ankle := f.LeadSide + "_ankle"
		p, okA := a.Joints[ankle]
		q, okB := b.Joints[ankle]
		if !okA || !okB || a.BallRadiusPx == 0 || b.BallRadiusPx == 0 {
			return math.NaN()
		}
		k := (contact - b.Ms) / (b.Ms - a.Ms)
		last, before := b.Ball.XYZ.X-q.XYZ.X, a.Ball.XYZ.X-p.XYZ.X
		return last + k*(last-before)
	}
	return math.NaN()
}

// hipsForwardSpeed is the largest speed of mid-hips toward the pitcher between two
// frames from the start of the load to heel plant, mph.
func hipsForwardSpeed(f *truth.File) float64 {
	from, okFrom := f.EventMs("load_start")
	to, okTo := f.EventMs("heel_plant")
	if !okFrom || !okTo {
		return math.NaN()
	}
	x := func(fr *truth.Frame) float64 {
		return (fr.Joints["left_hip"].XYZ.X + fr.Joints["right_hip"].XYZ.X) / 2
	}
	top := math.Inf(-1)
	for i := 1; i < len(f.Frames); i++ {
		a, b := &f.Frames[i-1], &f.Frames[i]
		if a.Ms >= from && b.Ms <= to {
			const mph = 3600.0 / 63360 // of an inch per second
			top = math.Max(top, (x(b)-x(a))/(b.Ms-a.Ms)*1000*mph)
		}
	}
	return top
}

// armPeak is how long before contact the line from the lead shoulder to the lead
// hand turns fastest between two frames from toe touch on, ms; a parabola through
// the fastest pair and its neighbours tells where between frames.
func armPeak(f *truth.File) float64 {
	from, okFrom := f.EventMs("toe_touch")
	to, okTo := f.EventMs("contact")
	if !okFrom || !okTo {
		return math.NaN()
	}
	shoulder, hand := vision.LeftShoulder, vision.LeftHand
	if f.LeadSide == "right" {
		shoulder, hand = vision.RightShoulder, vision.RightHand
	}
	var ms, turn []float64
	for i := 1; i < len(f.Frames); i++ {
		if f.Frames[i-1].Ms < from || f.Frames[i].Ms > to {
			continue
		}
		var d [2]r3.Vec
		for k := range d {
			a, okA := f.Landmark(i-1+k, shoulder)
			b, okB := f.Landmark(i-1+k, hand)
			if !okA || !okB {
				return math.NaN()
			}
			d[k] = r3.Unit(r3.Sub(r3.Vec(b.XYZ), r3.Vec(a.XYZ)))
		}
		step := f.Frames[i].Ms - f.Frames[i-1].Ms
		ms = append(ms, f.Frames[i].Ms-step/2)
		turn = append(turn, math.Atan2(r3.Norm(r3.Cross(d[0], d[1])), r3.Dot(d[0], d[1]))/step)
	}
	top := 0
	for i := range turn {
		if turn[i] > turn[top] {
			top = i
		}
	}
	if top == 0 || top >= len(turn)-1 {
		return math.NaN()
	}
	a, b, c := turn[top-1], turn[top], turn[top+1]
	return to - ms[top] - (ms[top+1]-ms[top])*(a-c)/(2*(a-2*b+c))
}

func value(f *truth.File, path string) float64 {
	if v, ok := f.Measure(path); ok {
		return v
	}
	return math.NaN()
}

func between(f *truth.File, from, to string) float64 {
	a, okA := f.EventMs(from)
	b, okB := f.EventMs(to)
	if !okA || !okB {
		return math.NaN()
	}
	return b - a
}

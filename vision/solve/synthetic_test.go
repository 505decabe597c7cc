package solve

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"nightcage/vision"
)

// synthetic is a stick hitter before a pinhole camera, made from formulas that
// share nothing with the renderer: a standing body whose hips and shoulders
// turn, hands on an arc, and a bat that turns about a tilted axis.
type synthetic struct {
	yawDeg, tiltDeg float64
	distance, focal float64
	cameraUp        float64
	left            bool
	fps             float64
	height, bat     float64
	motion          *motion // nil: the plain one
}

func plain() synthetic {
	return synthetic{distance: 190, focal: 1150, cameraUp: 52, fps: 240, height: 70, bat: 33}
}

const (
	synWidth, synHeight = 1280, 720
	synFromMs, synToMs  = -900.0, 250.0 // about contact
)

// pose is the hitter at a time about contact, swing frame.
func (s synthetic) pose(ms float64) (body []r3.Vec, head, knob, tip r3.Vec) {
	if s.motion != nil {
		return s.motion.pose(s.height, s.bat, ms)
	}
	h := s.height / 70
	turn := 1 / (1 + math.Exp(-(ms+65)/26)) // 0 before, 1 after
	line := func(mid r3.Vec, half, openDeg float64) (lead, rear r3.Vec) {
		sin, cos := math.Sincos(openDeg * math.Pi / 180)
		d := r3.Vec{X: half * cos, Z: -half * sin}
		return r3.Add(mid, d), r3.Sub(mid, d)
	}
	body = make([]r3.Vec, vision.NumLandmarks)
	hipMid := r3.Vec{X: 2 * turn, Y: 34 * h, Z: -3}
	shMid := r3.Vec{X: 1 * turn, Y: 53.5 * h, Z: 3}
	hl, hr := line(hipMid, 4*h, -12+88*turn)
	sl, sr := line(shMid, 6.8*h, -20+104*turn)
	body[vision.LeftHip], body[vision.RightHip], body[vision.LeftShoulder], body[vision.RightShoulder] = hl, hr, sl, sr
	stride := 0.0
	if ms > -500 {
		stride = 8 / (1 + math.Exp(-(ms+380)/30))
	}
	for side, x := range []float64{12 + stride, -12} {
		l := vision.Landmark(side)
		ankle := r3.Vec{X: x, Y: 3.4 * h}
		body[vision.LeftAnkle+l] = ankle
		body[vision.LeftHeel+l] = r3.Add(ankle, r3.Vec{Y: -2, Z: -2.5})
		body[vision.LeftToe+l] = r3.Add(ankle, r3.Vec{Y: -2.4, Z: 7.5})
		body[vision.LeftKnee+l] = bend(body[vision.LeftHip+l], ankle, .235*s.height, .25*s.height, r3.Vec{Z: 1})
	}
	// bat: turns about a tilted axis from over the shoulder through contact
	a := (-190 + 300/(1+math.Exp(-(ms-10)/33))) * math.Pi / 180 // 0: toward the plate; 40 rad/s at most
	lie := math.Atan(.55 * math.Cos(a))
	sin, cos := math.Sincos(a)
	d := r3.Vec{X: sin * math.Cos(lie), Y: -math.Sin(lie), Z: cos * math.Cos(lie)}
	b := (-60 + 150*turn) * math.Pi / 180
	hands := r3.Vec{X: 13*math.Sin(b) + 1, Y: (47 - 11*turn) * h, Z: 9 + 5*math.Cos(b)}
	knob = r3.Sub(hands, r3.Scale(4.3, d))
	tip = r3.Add(knob, r3.Scale(s.bat, d))
	body[vision.LeftHand], body[vision.RightHand] = r3.Add(knob, r3.Scale(bottomFistIn, d)), r3.Add(knob, r3.Scale(topFistIn, d))
	for side := range vision.Landmark(2) {
		hand, sh := body[vision.LeftHand+side], body[vision.LeftShoulder+side]
		w := r3.Add(hand, r3.Scale(3, r3.Unit(r3.Sub(sh, hand))))
		body[vision.LeftWrist+side] = w
		body[vision.LeftElbow+side] = bend(sh, w, .16*s.height, .153*s.height, r3.Vec{X: .5 - float64(side), Y: -1, Z: -.3})
	}
	head = r3.Vec{X: 2, Y: 62 * h, Z: 5}
	body[vision.Nose] = r3.Add(head, r3.Vec{X: 3.2, Z: 1.5})
	for side := range vision.Landmark(2) {
		body[vision.LeftEye+side] = r3.Add(head, r3.Vec{X: 2.8, Y: 1, Z: 1.5 * (1 - 2*float64(side))})
		body[vision.LeftEar+side] = r3.Add(head, r3.Vec{X: .2, Z: 2.8 * (1 - 2*float64(side))})
	}
	return body, head, knob, tip
}

// bend is the middle joint of a limb from a to c with segments of l1 and l2,
// bent toward pole; a limb that cannot reach is straight.
func bend(a, c r3.Vec, l1, l2 float64, pole r3.Vec) r3.Vec {
	d := r3.Sub(c, a)
	long := min(r3.Norm(d), l1+l2-.01)
	u := r3.Unit(d)
	along := (long*long + l1*l1 - l2*l2) / (2 * long)
	out := math.Sqrt(max(0, l1*l1-along*along))
	side := r3.Unit(r3.Sub(pole, r3.Scale(r3.Dot(pole, u), u)))
	return r3.Add(a, r3.Add(r3.Scale(along, u), r3.Scale(out, side)))
}

// camera is where the pictures are taken from: aimed at the hitter's middle.
func (s synthetic) camera() camera {
	c := camera{f: s.focal, yaw: s.yawDeg * math.Pi / 180, tilt: s.tiltDeg * math.Pi / 180, scale: s.focal / s.distance}
	c.axes()
	sin, cos := math.Sincos(c.yaw)
	centre := r3.Vec{X: s.distance * sin, Y: s.cameraUp, Z: s.distance*cos - 3}
	c.origin = r3.Vec{}
	back := r3.Add(r3.Scale(centre.X, c.axisX), r3.Add(r3.Scale(centre.Y, c.up), r3.Scale(centre.Z, c.axisZ)))
	c.origin = r3.Scale(-1, back)
	return c
}

// track is the pictures' marks and the truth.
func (s synthetic) track() (*vision.Track, *vision.Solution) {
	c := s.camera()
	sc := &scene{w: synWidth, h: synHeight, cx: (synWidth - 1) / 2.0, cy: (synHeight - 1) / 2.0, mirrored: s.left}
	t := &vision.Track{Clip: vision.Clip{Name: "synthetic", Width: synWidth, Height: synHeight, FocalPx: s.focal, FocalSigmaRel: .02,
		Clock: vision.Clock{Known: true, CaptureFPS: s.fps}},
		Subject: vision.Subject{HeightIn: s.height, BatIn: s.bat, Bats: vision.SideUnknown}}
	want := &vision.Solution{Camera: c.public(sc)}
	mark := func(p r3.Vec) vision.Mark {
		u, v := c.project(c.fromSwing(p))
		if s.left {
			u = -u
		}
		return vision.Mark{X: u + sc.cx, Y: v + sc.cy, SigmaPx: 1, Seen: 1, How: vision.HowNetwork}
	}
	for ms := synFromMs; ms <= synToMs; ms += 1000 / s.fps {
		body, head, knob, tip := s.pose(ms)
		f := vision.Frame{Index: len(t.Frames), Ms: ms - synFromMs, Body: make([]vision.Mark, vision.NumLandmarks),
			Head: mark(head), Knob: mark(knob), Tip: mark(tip)}
		pose := vision.Pose3{Body: make([]vision.Point3, vision.NumLandmarks),
			Knob: vision.Point3{Vec3: vision.Vec3(knob), Valid: true}, Tip: vision.Point3{Vec3: vision.Vec3(tip), Valid: true}}
		for j, p := range body {
			f.Body[sc.side(j)] = mark(p)
			pose.Body[sc.side(j)] = vision.Point3{Vec3: vision.Vec3(p), Valid: true}
		}
		f.World = worldFrom(want.Camera, pose.Body)
		t.Frames = append(t.Frames, f)
		want.Frames = append(want.Frames, pose)
		t.Clip.Times = append(t.Clip.Times, vision.FrameTime{PTSMs: f.Ms, Ms: f.Ms})
	}
	t.Window = [2]int{0, len(t.Frames)}
	return t, want
}

// contactMs is the track's time of contact.
func (s synthetic) contactMs() float64 { return -synFromMs }

// tipSpeed is the barrel end's speed at a time, in/s, by a fine difference.
func (s synthetic) tipSpeed(ms float64) float64 {
	_, _, _, a := s.pose(ms - .1)
	_, _, _, b := s.pose(ms + .1)
	return r3.Norm(r3.Sub(b, a)) / .0002
}

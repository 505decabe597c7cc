package truth

import (
	"fmt"
	"math"
	"math/rand/v2"

	"nightcage/vision"
)

// Options says how a Track made from truth departs from the truth. The zero
// value gives the truth itself.
type Options struct {
	Seed uint64 // of every random draw; equal options give equal tracks

	NoisePx    float64 // standard deviation of Gaussian noise on every body landmark and the head centre, per axis, px
	BatNoisePx float64 // the same for knob, tip and ball

	LostShare    float64 // share of frames (0..1) that hold nothing at all: Clip.Times[i].Lost is set
	MissShare    float64 // share of single marks (0..1) that are not found
	OutlierShare float64 // share of single marks (0..1) thrown off evenly within OutlierPx while their stated sigma stays
	OutlierPx    float64 // radius of those throws, px

	No3D bool // leave Track.Solution nil
}

// roundingPx is the standard error of positions that the file rounds to
// 0.01 px, with room for the projection of inches rounded to 0.001.
const roundingPx = 0.01

// roundingIn is the same for places, inches.
const roundingIn = 0.001

// topHandIn is how far along the handle the top hand's middle lies from the
// bottom hand's, for a hitter 72 in tall, growing with height. The renderer
// that makes truth files grips so; it does not write the number into them.
const topHandIn = 3.35

// joints maps landmarks to the file's joint names. Ears are not in the file;
// hands come from the bat.
var joints = map[vision.Landmark]string{
	vision.Nose: "nose", vision.LeftEye: "left_eye", vision.RightEye: "right_eye",
	vision.LeftShoulder: "left_shoulder", vision.RightShoulder: "right_shoulder",
	vision.LeftElbow: "left_elbow", vision.RightElbow: "right_elbow",
	vision.LeftWrist: "left_wrist", vision.RightWrist: "right_wrist",
	vision.LeftHip: "left_hip", vision.RightHip: "right_hip",
	vision.LeftKnee: "left_knee", vision.RightKnee: "right_knee",
	vision.LeftAnkle: "left_ankle", vision.RightAnkle: "right_ankle",
	vision.LeftHeel: "left_heel", vision.RightHeel: "right_heel",
	vision.LeftToe: "left_toe", vision.RightToe: "right_toe",
}

// Landmark returns the truth for a body landmark in frame i. ok is false for
// landmarks the file does not define (ears) or lacks. The two hands are the
// middles of the grips on the bat's axis; the bottom hand is the lead one.
func (f *File) Landmark(i int, l vision.Landmark) (p Point, ok bool) {
	fr := &f.Frames[i]
	if l == vision.LeftHand || l == vision.RightHand {
		along := f.Bat.BottomHandIn
		if (l == vision.LeftHand) != (f.LeadSide == "left") {
			along += topHandIn * f.Hitter.HeightIn / 72
		}
		return f.OnBat(i, along), f.Bat.BottomHandIn > 0
	}
	name, known := joints[l]
	if !known {
		return Point{}, false
	}
	p, ok = fr.Joints[name]
	return p, ok
}

// OnBat returns the point of the bat's axis a given number of inches from the
// knob's end, in frame i.
func (f *File) OnBat(i int, fromKnobIn float64) Point {
	fr := &f.Frames[i]
	k, t, s := fr.Knob.XYZ, fr.Tip.XYZ, fromKnobIn/f.Bat.LengthIn
	p := Point{XYZ: vision.Vec3{X: k.X + s*(t.X-k.X), Y: k.Y + s*(t.Y-k.Y), Z: k.Z + s*(t.Z-k.Z)}}
	p.X, p.Y, p.InFrame = fr.P.Project(p.XYZ)
	p.InFrame = p.InFrame && p.X >= -halfPx && p.Y >= -halfPx && p.X < float64(f.Width)-halfPx && p.Y < float64(f.Height)-halfPx
	return p
}

// PxPerIn is the picture scale at a swing-frame point in frame i; see
// Projection.PxPerIn.
func (f *File) PxPerIn(i int, at vision.Vec3) float64 { return f.Frames[i].P.PxPerIn(at) }

// Bats is the side of the plate the hitter stands on.
func (f *File) Bats() vision.Side {
	if f.Handedness == "L" {
		return vision.SideLeft
	}
	return vision.SideRight
}

// Subject is what a coach who knows the hitter would have told with the clip.
func (f *File) Subject() vision.Subject {
	return vision.Subject{Hitter: f.Name, HeightIn: f.Hitter.HeightIn, InseamIn: f.Hitter.InseamIn,
		BatIn: f.Bat.LengthIn, Bats: f.Bats(), CaptureFPS: f.FPS}
}

// Solution is the swing in three dimensions, exact to the file's rounding. The
// camera is that of the first frame, to which Frame.Shift leads the others.
func (f *File) Solution() (*vision.Solution, error) {
	cam, err := f.camera(f.Frames[0].P)
	if err != nil {
		return nil, fmt.Errorf("truth of %s: %w", f.Name, err)
	}
	s := &vision.Solution{Camera: cam, Frames: make([]vision.Pose3, len(f.Frames))}
	exact := func(p Point, ok bool) vision.Point3 {
		if !ok {
			return vision.Point3{}
		}
		return vision.Point3{Vec3: p.XYZ, SX: roundingIn, SY: roundingIn, SZ: roundingIn, Valid: true}
	}
	for i := range f.Frames {
		pose := vision.Pose3{Body: make([]vision.Point3, vision.NumLandmarks),
			Knob: exact(f.Frames[i].Knob, true), Tip: exact(f.Frames[i].Tip, true)}
		for l := range pose.Body {
			pose.Body[l] = exact(f.Landmark(i, vision.Landmark(l)))
		}
		head, ok := f.Frames[i].Joints["head_centre"]
		pose.Head = exact(head, ok)
		s.Frames[i] = pose
	}
	return s, nil
}

// clip describes the video the file belongs to. Hash and codec stay empty: a
// truth file does not know them.
func (f *File) clip() vision.Clip {
	c := vision.Clip{Name: f.Video, Width: f.Width, Height: f.Height,
		DurationMs: f.Frames[len(f.Frames)-1].Ms - f.Frames[0].Ms,
		Clock:      vision.Clock{Known: true, Source: vision.ClockTimestamps, CaptureFPS: f.FPS, StoredFPS: f.FPS, SigmaRel: 1e-6}}
	for i := range f.Frames {
		c.Times = append(c.Times, vision.FrameTime{PTSMs: f.Frames[i].Ms, Ms: f.Frames[i].Ms})
	}
	return c
}

// Track returns what vision would hand on after seeing the clip as o says:
// every frame, every landmark the file defines, the bat, the ball where it is
// in the picture, hand-shake, view, handedness, scale at the hips, and the 3-D
// solution. Points outside the picture are not found. Noise, misses and
// outliers touch the image marks only; the Solution stays exact, so ask for
// No3D (or solve anew) to see what they do in three dimensions.
func Track(f *File, o Options) (*vision.Track, error) {
	rng := rand.New(rand.NewPCG(o.Seed, 0x7275746874)) // any second word: it only separates this stream from others
	mark := func(p Point, ok bool, noise float64) vision.Mark {
		// Draw for every mark, found or not, so that one option does not
		// reshuffle the draws of the others.
		dx, dy := rng.NormFloat64()*noise, rng.NormFloat64()*noise
		miss, out := rng.Float64() < o.MissShare, rng.Float64() < o.OutlierShare
		r, turn := o.OutlierPx*math.Sqrt(rng.Float64()), 2*math.Pi*rng.Float64()
		if !ok || !p.InFrame || miss {
			return vision.Mark{}
		}
		if out {
			dx, dy = dx+r*math.Cos(turn), dy+r*math.Sin(turn)
		}
		return vision.Mark{X: p.X + dx, Y: p.Y + dy, SigmaPx: math.Hypot(noise, roundingPx), Seen: 1, How: vision.HowNetwork}
	}
	t := &vision.Track{Clip: f.clip(), Subject: f.Subject(), Window: [2]int{0, len(f.Frames)},
		Hand:  vision.Hand{Bats: f.Bats(), Confidence: 1, From: "truth"},
		Notes: []string{"made from a truth file, not from pictures"}}
	middle := f.middle(0)
	t.Sighting = vision.Sighting{View: f.View, Confidence: 1, SigmaDeg: 0.01,
		YawDeg: math.Atan2(f.Camera.Centre.X-middle.XYZ.X, f.Camera.Centre.Z-middle.XYZ.Z) * 180 / math.Pi}
	scale := f.PxPerIn(0, middle.XYZ)
	t.Scale = vision.Scale{PxPerIn: scale, SigmaRel: 1e-5, Sources: []vision.ScaleSource{{From: "truth", PxPerIn: scale, SigmaRel: 1e-5}}}
	for i := range f.Frames {
		src := &f.Frames[i]
		fr := vision.Frame{Index: i, Ms: src.Ms, HeadRadiusPx: src.HeadRadiusPx, Body: make([]vision.Mark, vision.NumLandmarks)}
		for l := range fr.Body {
			p, ok := f.Landmark(i, vision.Landmark(l))
			fr.Body[l] = mark(p, ok, o.NoisePx)
		}
		head, ok := src.Joints["head_centre"]
		fr.Head = mark(head, ok, o.NoisePx)
		fr.Knob, fr.Tip = mark(src.Knob, true, o.BatNoisePx), mark(src.Tip, true, o.BatNoisePx)
		fr.Ball = mark(src.Ball, src.BallRadiusPx > 0, o.BatNoisePx)
		if fr.Knob.Found() && fr.Tip.Found() {
			long := math.Hypot(src.Tip.X-src.Knob.X, src.Tip.Y-src.Knob.Y)
			fr.BatAngleSigmaDeg = math.Atan2(math.Sqrt2*fr.Tip.SigmaPx, long) * 180 / math.Pi
		}
		at := f.middle(i)
		fr.Shift = shift(f.Frames[0].P, src.P, at.X, at.Y)
		if rng.Float64() < o.LostShare {
			t.Clip.Times[i].Lost = true
			fr = vision.Frame{Index: i, Ms: src.Ms}
		}
		t.Frames = append(t.Frames, fr)
	}
	if o.No3D {
		t.Unsolved = "not asked for"
		return t, nil
	}
	sol, err := f.Solution()
	if err != nil {
		return nil, err
	}
	t.Solution = sol
	return t, nil
}

// middle is the middle of the hips in frame i.
func (f *File) middle(i int) Point {
	fr := &f.Frames[i]
	l, r := fr.Joints["left_hip"].XYZ, fr.Joints["right_hip"].XYZ
	p := Point{XYZ: vision.Vec3{X: (l.X + r.X) / 2, Y: (l.Y + r.Y) / 2, Z: (l.Z + r.Z) / 2}}
	p.X, p.Y, p.InFrame = fr.P.Project(p.XYZ)
	return p
}

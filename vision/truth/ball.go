package truth

import (
	"fmt"
	"math"

	"nightcage/vision"
)

// Errors that BallFlight states: those of the file's rounding, and of parabolas
// through frames 4 ms and more apart.
const (
	ballAngleDeg    = 0.01
	ballSpeedRel    = 1e-4
	ballNearingPerS = 1e-3
	ballMeetMs      = 0.01

	// A frame nearer contact than this may show the ball while the bat turns it.
	turningMs = 0.5
	wayFrames = 6
)

// BallFlight is what vision would say of the ball, exact but for the file's
// rounding: its ways in and out at contact, from parabolas through the frames on
// either side, as the first frame's camera sees them. Track does not call it. It
// fails when the file has no contact or shows the ball in fewer than three
// frames before or after it.
func (f *File) BallFlight() (*vision.BallFlight, error) {
	contact, ok := f.EventMs("contact")
	if !ok {
		return nil, fmt.Errorf("ball of %s: no contact", f.Name)
	}
	cam, err := f.camera(f.Frames[0].P)
	if err != nil {
		return nil, fmt.Errorf("ball of %s: %w", f.Name, err)
	}
	var before, after []int
	for i := range f.Frames {
		switch ms := f.Frames[i].Ms; {
		case f.Frames[i].BallRadiusPx == 0:
		case ms < contact-turningMs:
			before = append(before, i)
		case ms > contact+turningMs:
			after = append(after, i)
		}
	}
	if len(before) < 3 || len(after) < 3 {
		return nil, fmt.Errorf("ball of %s: in %d frames before contact and %d after it", f.Name, len(before), len(after))
	}
	in := f.ballLine(cam, before[max(0, len(before)-wayFrames):], contact)
	out := f.ballLine(cam, after[:min(len(after), wayFrames)], contact)
	return &vision.BallFlight{Kind: vision.BallPitched, End: vision.BallMet, MeetMs: contact, MeetSigmaMs: ballMeetMs,
		MeetX: in.X, MeetY: in.Y, In: &in, Out: &out}, nil
}

// ballLine is the parabola through the first, middle and last of some frames
// (Newton's form), read at a time.
func (f *File) ballLine(cam vision.Camera, frames []int, ms float64) vision.BallLine {
	a, b, c := frames[0], frames[len(frames)/2], frames[len(frames)-1]
	ta, tb, tc := f.Frames[a].Ms-ms, f.Frames[b].Ms-ms, f.Frames[c].Ms-ms
	read := func(axis func(vision.Vec3) float64) (x, v float64) {
		xa, xb, xc := axis(f.Frames[a].Ball.XYZ), axis(f.Frames[b].Ball.XYZ), axis(f.Frames[c].Ball.XYZ)
		ab := (xb - xa) / (tb - ta)
		abc := ((xc-xb)/(tc-tb) - ab) / (tc - ta)
		return xa - ab*ta + abc*ta*tb, 1000 * (ab - abc*(ta+tb))
	}
	var at, vel vision.Vec3
	at.X, vel.X = read(func(v vision.Vec3) float64 { return v.X })
	at.Y, vel.Y = read(func(v vision.Vec3) float64 { return v.Y })
	at.Z, vel.Z = read(func(v vision.Vec3) float64 { return v.Z })
	l := SeenBall(cam, at, vel)
	l.First, l.Last, l.Seen, l.Ms = a, c, len(frames), ms
	l.RadiusPx, l.RadiusSigmaPx = f.Frames[b].BallRadiusPx, roundingPx
	return l
}

// SeenBall is the line in a camera's picture of a ball at a swing-frame place
// (inches) with a velocity (inches per second): with (u, v) the picture's place of
// camera coordinates c and w the camera's axes times the velocity,
//
//	du/dt = f (wx - (cx/cz) wz)/cz,  dv/dt = f (wy - (cy/cz) wz)/cz
//
// Frames and times stay zero. The ball must be in front of the camera.
func SeenBall(cam vision.Camera, at, vel vision.Vec3) vision.BallLine {
	turned := func(v vision.Vec3) (out [3]float64) {
		for i := range out {
			out[i] = cam.R[3*i]*v.X + cam.R[3*i+1]*v.Y + cam.R[3*i+2]*v.Z
		}
		return out
	}
	c, w := turned(at), turned(vel)
	c[0], c[1], c[2] = c[0]+cam.T.X, c[1]+cam.T.Y, c[2]+cam.T.Z
	x, y := c[0]/c[2], c[1]/c[2]
	u, v := cam.FocalPx*(w[0]-x*w[2])/c[2], cam.FocalPx*(w[1]-y*w[2])/c[2]
	speed := math.Hypot(u, v)
	return vision.BallLine{X: cam.FocalPx*x + cam.CX, Y: cam.FocalPx*y + cam.CY, SigmaPx: roundingPx,
		AngleDeg: math.Atan2(-v, math.Abs(u)) * 180 / math.Pi, AngleSigmaDeg: ballAngleDeg, Right: u > 0,
		SpeedPxS: speed, SpeedSigmaPxS: ballSpeedRel * speed, NearingPerS: -w[2] / c[2], NearingSigmaPerS: ballNearingPerS}
}

package export

import (
	"errors"
	"fmt"
	"math"

	"nightcage/vision"
)

// Reasons for a swing to have no marker file.
var (
	ErrNoClock    = errors.New("the clip's true frame rate is not known")
	ErrNoSolution = errors.New("the swing could not be solved in three dimensions")
)

const mmPerInch = 25.4

// markers names the points of a marker file: the landmarks, then head, knob and
// tip of the bat.
func markers() []string {
	var out []string
	for l := range vision.NumLandmarks {
		out = append(out, vision.Landmark(l).String())
	}
	return append(out, "head", "bat_knob", "bat_tip")
}

// place is a marker in one frame, millimetres. sigma is the root of the mean of its
// three variances. One that was not found is not ok.
type place struct {
	x, y, z, sigma float64
	ok             bool
}

// motion is a solved swing as marker files have it: X toward the pitcher, Y up, Z
// to the side that a right-handed hitter's chest faces, a right-handed frame whose
// origin is on the ground between the ankles at load. A left-handed hitter, who is
// mirrored in the solution, is turned back.
type motion struct {
	fps    float64
	first  int       // frame of the clip
	ms     []float64 // from the first frame on
	frames [][]place // by frame, then as in markers
}

// newMotion reads a track. Errors: ErrNoClock, ErrNoSolution.
func newMotion(t vision.Track) (*motion, error) {
	if !t.Clip.Clock.Known || !(t.Clip.Clock.CaptureFPS > 0) {
		return nil, fmt.Errorf("markers of clip %s: %w", t.Clip.Name, ErrNoClock)
	}
	if t.Solution == nil || len(t.Solution.Frames) != len(t.Frames) || len(t.Frames) == 0 {
		return nil, fmt.Errorf("markers of clip %s: %w", t.Clip.Name, ErrNoSolution)
	}
	flip := 1.0
	if t.Hand.Bats == vision.SideLeft {
		flip = -1
	}
	m := &motion{fps: t.Clip.Clock.CaptureFPS, first: t.Frames[0].Index}
	for i, p := range t.Solution.Frames {
		m.ms = append(m.ms, t.Frames[i].Ms-t.Frames[0].Ms)
		body := p.Body
		if len(body) == 0 {
			body = make([]vision.Point3, vision.NumLandmarks)
		}
		var frame []place
		for _, q := range append(body[:len(body):len(body)], p.Head, p.Knob, p.Tip) {
			frame = append(frame, place{x: q.X * mmPerInch, y: q.Y * mmPerInch, z: flip * q.Z * mmPerInch,
				sigma: math.Sqrt((q.SX*q.SX+q.SY*q.SY+q.SZ*q.SZ)/3) * mmPerInch, ok: q.Valid})
		}
		m.frames = append(m.frames, frame)
	}
	return m, nil
}

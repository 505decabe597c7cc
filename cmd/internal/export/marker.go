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

// place is a marker at one instant, millimetres. sigma is the root of the mean of its
// three variances. One that was not found is not ok.
type place struct {
	x, y, z, sigma float64
	ok             bool
	seen           bool // false: from pictures before and after one that nobody looked at
}

// motion is a solved swing as marker files have it: X toward the pitcher, Y up, Z
// to the side that a right-handed hitter's chest faces, a right-handed frame whose
// origin is on the ground between the ankles at load. A left-handed hitter, who is
// mirrored in the solution, is turned back.
//
// Marker files claim an even rate, which is the clip's capture rate here, whichever of
// its pictures were looked at: a sample that lies between two of them is on the straight
// line (vision.Track.Between), and none is ok where they are too far apart for that.
type motion struct {
	fps     float64
	first   int       // picture of the clip at the first sample
	samples [][]place // each as in markers
}

// newMotion reads a track. Errors: ErrNoClock, ErrNoSolution.
func newMotion(t vision.Track) (*motion, error) {
	fps := t.Clip.Clock.CaptureFPS
	if !t.Clip.Clock.Known || !(fps > 0) {
		return nil, fmt.Errorf("markers of clip %s: %w", t.Clip.Name, ErrNoClock)
	}
	if t.Solution == nil || len(t.Solution.Frames) != len(t.Frames) || len(t.Frames) == 0 {
		return nil, fmt.Errorf("markers of clip %s: %w", t.Clip.Name, ErrNoSolution)
	}
	flip := 1.0
	if t.Hand.Bats == vision.SideLeft {
		flip = -1
	}
	m := &motion{fps: fps, first: t.Frames[0].Index}
	from, to := t.Frames[0].Ms, t.Frames[len(t.Frames)-1].Ms
	const late = .01 // of a sample: a capture rate is rounded
	for k := range int((to-from)*fps/1000+late) + 1 {
		sample := make([]place, len(markers()))
		if i, j, share, ok := t.Between(min(from+float64(k)*1000/fps, to)); ok {
			a, b := points(t.Solution.Frames[i]), points(t.Solution.Frames[j])
			for n := range sample {
				q := a[n].Toward(b[n], share)
				sample[n] = place{x: q.X * mmPerInch, y: q.Y * mmPerInch, z: flip * q.Z * mmPerInch,
					sigma: math.Sqrt((q.SX*q.SX+q.SY*q.SY+q.SZ*q.SZ)/3) * mmPerInch, ok: q.Valid, seen: t.Frames[j].Index-t.Frames[i].Index <= 1}
			}
		}
		m.samples = append(m.samples, sample)
	}
	return m, nil
}

// points are those of markers in one frame.
func points(p vision.Pose3) []vision.Point3 {
	body := p.Body
	if len(body) == 0 {
		body = make([]vision.Point3, vision.NumLandmarks)
	}
	return append(body[:len(body):len(body)], p.Head, p.Knob, p.Tip)
}

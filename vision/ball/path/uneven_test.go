package path

import (
	"math"
	"testing"

	"nightcage/vision"
)

// thin keeps every frame from 400 ms before contact to 250 after and one in four
// elsewhere.
func (m made) thin(seen Seen, frames []vision.Frame) (Seen, []vision.Frame) {
	var out Seen
	var kept []vision.Frame
	left := make([][]float64, len(seen.Spots))
	for k, f := range frames {
		if d := f.Ms - m.contactMs; k%4 != 0 && (d < -400 || d > 250) {
			continue
		}
		kept, out.Sights = append(kept, f), append(out.Sights, seen.Sights[k])
		for i := range left {
			left[i] = append(left[i], seen.Spots[i].Left[k])
		}
	}
	for i, s := range seen.Spots {
		s.Left = left[i]
		out.Spots = append(out.Spots, s)
	}
	return out, kept
}

// A ball is followed as well through frames that are closer about the swing than
// elsewhere.
func TestUnevenFrames(t *testing.T) {
	for name, set := range map[string]func(*made){
		"pitched": func(*made) {},
		"clutter": func(m *made) { m.clutter = 15 },
		"tee":     func(m *made) { m.tee, m.in = true, vec{} },
		"rear": func(m *made) {
			m.distance, m.focal, m.at = 290, 1900, vec{20, -8, 300}
			m.in, m.out = vec{-60, -110, -1000}, vec{120, 420, 1300}
		},
	} {
		t.Run(name, func(t *testing.T) {
			m := side()
			m.fps, m.contactMs = 240, 903
			set(&m)
			seen, frames, o := m.make()
			n := len(frames)
			seen, frames = m.thin(seen, frames)
			if len(frames) > 3*n/4 {
				t.Fatalf("%d of %d frames left: the track is hardly uneven", len(frames), n)
			}
			r, err := Follow(seen, frames, o)
			if err != nil {
				t.Fatal(err)
			}
			kind := vision.BallPitched
			if m.tee {
				kind = vision.BallTee
			}
			fl := r.Flight
			if fl.Kind != kind || fl.End != vision.BallMet || fl.Out == nil {
				t.Fatalf("%s %s %s", fl.Kind, fl.End, fl.Why)
			}
			if e := fl.MeetMs - m.contactMs; math.Abs(e) > 3.5*fl.MeetSigmaMs || math.Abs(e) > 500/m.fps {
				t.Errorf("met %.2f ms late, sigma %.2f ms", e, fl.MeetSigmaMs)
			}
			if wrong, missing := offBall(m, r, frames); wrong > 0 || missing > 3 {
				t.Errorf("%d marks off the ball, %d frames without", wrong, missing)
			}
		})
	}
}

// A ball on a tee that the bat hides for a while after the swing was clear for
// most of the time, though not in most of the frames.
func TestClearByTime(t *testing.T) {
	f := &field{}
	for ms := 0.0; ms < 1000; {
		f.frames = append(f.frames, vision.Frame{Ms: ms})
		if ms < 200 {
			ms += 1000. / 240
		} else {
			ms += 1000. / 60
		}
	}
	if s := f.share(0, len(f.frames), func(k int) bool { return f.frames[k].Ms < 200 }); math.Abs(s-0.2) > 0.01 {
		t.Errorf("200 of 1000 ms are a share of %.3f", s)
	}
}

package smooth

import (
	"math"
	"math/rand/v2"
	"testing"

	"nightcage/vision"
	"nightcage/vision/truth"
)

// Frames taken out away from the swing must not make the marks about it worse.
func TestBodiesOfUnevenFrames(t *testing.T) {
	for _, name := range clips {
		f := readTruth(t, name)
		contact, ok := f.EventMs("contact")
		if !ok {
			t.Fatalf("%s has no contact", name)
		}
		frames := noisyTrack(t, f, truth.Options{Seed: 7, NoisePx: 1.5})
		most := max(1, int(f.FPS/60))
		var some []vision.Frame
		for i := range frames {
			if d := frames[i].Ms - contact; i%most == 0 || d >= -400 && d <= 250 {
				some = append(some, frames[i])
			}
		}
		if most > 1 && len(some) > 3*len(frames)/4 {
			t.Fatalf("%s: %d of %d frames left: the track is hardly uneven", name, len(some), len(frames))
		}
		all, _ := Bodies(frames)
		less, _ := Bodies(some)
		off := func(of []vision.Frame) float64 {
			sum, n := 0.0, 0.0
			for _, fr := range of {
				if d := fr.Ms - contact; d < -350 || d > 200 || len(fr.Body) == 0 {
					continue
				}
				for l := vision.LeftShoulder; l <= vision.RightToe; l++ {
					if p, _ := f.Landmark(fr.Index, l); p.InFrame && fr.Body[l].Found() {
						sum += math.Pow(fr.Body[l].X-p.X, 2) + math.Pow(fr.Body[l].Y-p.Y, 2)
						n++
					}
				}
			}
			return math.Sqrt(sum / n)
		}
		a, b := off(all), off(less)
		t.Logf("%s: off by %.2f px with all frames, %.2f with %d of %d", name, a, b, len(some), len(frames))
		if b > 1.03*a {
			t.Errorf("%s: off by %.2f px, with all frames by %.2f", name, b, a)
		}
	}
}

// Noise is told from motion whatever the steps: white noise of one px on a straight
// path is found as such.
func TestNoiseOfUnevenSteps(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 1))
	s := series{scale: 400}
	for i, ms := 0, 0.0; i < 400; i++ {
		s.t = append(s.t, ms/1000)
		s.values, s.noise = append(s.values, []float64{3 * ms, 100 + ms + rng.NormFloat64()}), append(s.noise, 1)
		s.values[i][0] += rng.NormFloat64()
		if ms += 1000. / 240; i%2 == 0 {
			ms += 3000. / 240
		}
	}
	s.fitNoise()
	if sd := math.Sqrt(s.noise[0]); sd < 0.85 || sd > 1.15 {
		t.Errorf("noise of 1 px on steps of 4 and 17 ms found as %.2f px", sd)
	}
}

// The marks hold the path as firmly in seconds as in frames: four times the frames
// over a time do not pull four times as hard.
func TestStepsHoldByTime(t *testing.T) {
	const height = 400.0
	var frames []vision.Frame
	var steps [][]Step
	for ms, i := 0.0, 0; ms < 1000; i++ {
		body := standing(height)
		y := 300.0
		if ms >= 250 && ms < 750 {
			y = 304 // where the network wanders to, and the flow says it does not
		}
		body[vision.LeftHeel] = vision.Mark{X: 200, Y: y, SigmaPx: 3, How: vision.HowNetwork}
		frames = append(frames, vision.Frame{Index: i, Ms: ms, Body: body})
		st := make([]Step, vision.NumLandmarks)
		st[vision.LeftHeel] = Step{X: 200, Y: 300, SigmaPx: 0.01}
		steps = append(steps, st)
		if ms += 1000. / 60; ms > 250 && ms < 750 {
			ms -= 750. / 60
		}
	}
	// Half of the time at either place: the flow's still heel lies halfway.
	if y := Steps(frames, steps)[len(frames)/2].Body[vision.LeftHeel].Y; math.Abs(y-302) > 0.3 {
		t.Errorf("heel at %.2f px, want 302", y)
	}
}

package smooth

import (
	"math"
	"math/rand/v2"
	"testing"

	"nightcage/vision"
)

// A foot comes down and stops; the network's mark wanders slowly about it. The
// steps must sharpen the stop without moving the mark's mean place.
func TestStepsSharpenAStop(t *testing.T) {
	const n, height, fps = 240, 400.0, 240.0
	rng := rand.New(rand.NewPCG(7, 1))
	truth := make([]float64, n) // the lead heel's y
	for i := range truth {
		truth[i] = 300 + 40*math.Min(float64(i)/120, 1)
	}
	frames, steps := make([]vision.Frame, n), make([][]Step, n)
	wander := 0.0
	keep := math.Exp(-1000 / fps / wanderMs)
	for i := range frames {
		wander = keep*wander + math.Sqrt(1-keep*keep)*wanderShare*height*rng.NormFloat64()
		body := standing(height)
		body[vision.LeftHeel] = vision.Mark{X: 200, Y: truth[i] + wander, SigmaPx: 3, How: vision.HowNetwork}
		frames[i] = vision.Frame{Index: i, Ms: 1000 * float64(i) / fps, Body: body}
		if i > 0 {
			steps[i] = make([]Step, vision.NumLandmarks)
			steps[i][vision.LeftHeel] = Step{X: 200, Y: frames[i-1].Body[vision.LeftHeel].Y,
				DY: truth[i] - truth[i-1] + 0.12*rng.NormFloat64(), SigmaPx: 0.12}
		}
	}
	got := Steps(frames, steps)
	speedError := func(f []vision.Frame) float64 {
		sum := 0.0
		for i := 1; i < n; i++ {
			d := f[i].Body[vision.LeftHeel].Y - f[i-1].Body[vision.LeftHeel].Y - (truth[i] - truth[i-1])
			sum += d * d
		}
		return math.Sqrt(sum / (n - 1))
	}
	placeError := func(f []vision.Frame) float64 {
		sum := 0.0
		for i := range n {
			d := f[i].Body[vision.LeftHeel].Y - truth[i]
			sum += d * d
		}
		return math.Sqrt(sum / n)
	}
	if a, b := speedError(frames), speedError(got); b > a/3 {
		t.Errorf("speed error %.3f px a frame with steps, %.3f without: want a third or less", b, a)
	}
	if a, b := placeError(frames), placeError(got); b > a {
		t.Errorf("place error %.2f px with steps, %.2f without", b, a)
	}
	if m := got[100].Body[vision.LeftHeel]; m.SigmaPx != 3 || m.How != vision.HowNetwork {
		t.Errorf("mark's sigma and how became %v, %q", m.SigmaPx, m.How)
	}
}

// Without steps, and with steps that belong to something far away, the marks
// stay close to what they were.
func TestStepsIgnoreStrangers(t *testing.T) {
	const n = 60
	frames, steps := make([]vision.Frame, n), make([][]Step, n)
	for i := range frames {
		body := standing(400)
		body[vision.LeftHeel] = vision.Mark{X: 200, Y: 300, SigmaPx: 3, How: vision.HowNetwork}
		frames[i] = vision.Frame{Index: i, Ms: 1000 * float64(i) / 120, Body: body}
		steps[i] = make([]Step, vision.NumLandmarks)
		steps[i][vision.LeftHeel] = Step{X: 260, Y: 300, DX: 5, DY: 5, SigmaPx: 0.1}
	}
	for i, f := range Steps(frames, steps) {
		if m := f.Body[vision.LeftHeel]; math.Hypot(m.X-200, m.Y-300) > 0.01 {
			t.Fatalf("frame %d: mark moved to %.1f, %.1f", i, m.X, m.Y)
		}
	}
	if got := Steps(frames, nil); got[5].Body[vision.LeftHeel] != frames[5].Body[vision.LeftHeel] {
		t.Error("steps of another length changed the marks")
	}
}

// standing is an upright body of a given height, enough to measure it by.
func standing(height float64) []vision.Mark {
	body := make([]vision.Mark, vision.NumLandmarks)
	at := map[vision.Landmark][2]float64{ // shares of the height from the ground up, side
		vision.LeftEar: {0.94, -0.03}, vision.RightEar: {0.94, 0.03}, vision.LeftShoulder: {0.82, -0.1}, vision.RightShoulder: {0.82, 0.1},
		vision.LeftHip: {0.52, -0.06}, vision.RightHip: {0.52, 0.06}, vision.LeftKnee: {0.28, -0.06}, vision.RightKnee: {0.28, 0.06},
		vision.LeftAnkle: {0.05, -0.06}, vision.RightAnkle: {0.05, 0.06},
	}
	for l, p := range at {
		body[l] = vision.Mark{X: 300 + p[1]*height, Y: 500 - p[0]*height, SigmaPx: 3, Seen: 1, How: vision.HowNetwork}
	}
	return body
}

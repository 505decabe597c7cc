package correct

import (
	"fmt"

	"nightcage/vision"
	ballpath "nightcage/vision/ball/path"
)

// ballRadiusIn is a baseball's: 9 to 9.25 in around (Official Baseball Rules 3.01).
const ballRadiusIn = 1.45

// follow finds the ball's flight anew from its marks: those that a person put and
// those that were seen in the picture. The error is ErrBad for a ball on a tee, whose
// leaving is told from the picture alone.
func follow(t *vision.Track) error {
	if t.Ball != nil && t.Ball.Kind == vision.BallTee {
		return fmt.Errorf("%w: when a ball leaves a tee is told from the picture, not from its places", ErrBad)
	}
	if !(t.Scale.PxPerIn > 0) {
		return fmt.Errorf("%w: without a scale the ball cannot be followed", ErrBad)
	}
	seen := ballpath.Seen{Sights: make([]ballpath.Sight, len(t.Frames))}
	for i, f := range t.Frames {
		s := &seen.Sights[i]
		s.Index, s.Ms = f.Index, f.Ms
		if f.Ball.How != vision.HowHand && f.Ball.How != vision.HowEdges {
			continue
		}
		x, y := f.Shift.Apply(f.Ball.X, f.Ball.Y)
		s.Blobs = []ballpath.Blob{{X: x, Y: y, SigmaPx: f.Ball.SigmaPx, RadiusPx: ballRadiusIn * t.Scale.PxPerIn, Contrast: 1, Light: true}}
	}
	found, err := ballpath.Follow(seen, t.Frames, ballpath.Options{PxPerIn: t.Scale.PxPerIn, Width: float64(t.Clip.Width), Height: float64(t.Clip.Height)})
	if err != nil {
		return err
	}
	for i, m := range found.Marks {
		if t.Frames[i].Ball.How != vision.HowHand { // what a person put stays as it was put
			t.Frames[i].Ball = m
		}
	}
	t.Ball = &found.Flight
	return nil
}

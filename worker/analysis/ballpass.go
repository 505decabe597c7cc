package analysis

import (
	"fmt"

	"nightcage/vision"
	"nightcage/vision/ball"
	ballpath "nightcage/vision/ball/path"
)

// newBallFinder looks for balls of the size that they have at a hitter so tall
// in the picture.
func newBallFinder(c vision.Clip, height float64) (*ball.Finder, error) {
	f, err := ball.NewFinder(ball.Setup{Width: c.Width, Height: c.Height, PxPerIn: height / nominalHeightIn})
	if err != nil {
		return nil, fmt.Errorf("clip %s: %w", c.Name, err)
	}
	return f, nil
}

// addBall fills the ball's places and its flight, with body and bat known.
func addBall(track *vision.Track, seen ballpath.Seen, pxPerIn float64) error {
	c := track.Clip
	found, err := ballpath.Follow(seen, track.Frames, ballpath.Options{PxPerIn: pxPerIn, Width: float64(c.Width), Height: float64(c.Height)})
	if err != nil {
		return fmt.Errorf("clip %s: %w", c.Name, err)
	}
	for i, m := range found.Marks {
		track.Frames[i].Ball = m
	}
	track.Ball = &found.Flight
	return nil
}

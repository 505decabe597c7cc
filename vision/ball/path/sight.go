package path

import (
	"errors"
	"fmt"
	"math"

	"nightcage/vision"
)

// Blob is one thing in a frame that may be the ball: small, unlike the same
// place shortly before and after, round or drawn out into a streak. Places and
// lengths are px of the first tracked frame (Frame.Shift applied).
type Blob struct {
	X, Y     float64 // middle, which is the ball's place at mid-exposure
	SigmaPx  float64 // standard error along either axis if it is the ball
	RadiusPx float64 // half the width across the streak
	StreakPx float64 // how far it moved during the exposure, 0 for a round thing
	DX, DY   float64 // unit direction of the streak up to sign; any for a round thing
	Contrast float64 // peak difference from the background in multiples of the detection threshold
	Light    bool    // lighter than its background
}

// Sight is what was seen in one frame.
type Sight struct {
	Index  int     // frame index in the clip
	Ms     float64 // capture time, mid-exposure
	Repeat bool    // the picture equals the one before and was not looked at
	Blobs  []Blob  // best first
}

// Spot is a small round thing that lay still from the start of the clip: a
// ball on a tee, or a stain on the wall behind.
type Spot struct {
	X, Y     float64 // px of the first tracked frame
	SigmaPx  float64
	RadiusPx float64
	Light    bool
	// Left says, for each Sight, how far the place has gone from how it looked
	// at the start to how it looks at the end: 0 unchanged, 1 as at the end;
	// more when something else is in front. NaN where not looked at.
	Left []float64
}

// Seen is everything the finder saw in a clip.
type Seen struct {
	Sights []Sight // consecutive, ascending
	Spots  []Spot
}

// Options is what is known of the clip as a whole.
type Options struct {
	PxPerIn float64 // picture scale at the hitter's body; must be positive
	Width   float64 // of the picture, px
	Height  float64
}

// Errors of Follow.
var (
	ErrNoScale = errors.New("no picture scale: pixels per inch must be positive")
	ErrFrames  = errors.New("sights and frames do not belong together")
)

// Diameters of a ball. Rule-book circumferences: baseball 9 to 9 1/4 in
// (Official Baseball Rules 3.01); softball, 11 and 12 in with 1/8 in either way
// (USA Softball, from memory).
const (
	minBallIn = 9 / math.Pi
	maxBallIn = 12.125 / math.Pi
)

func check(seen Seen, frames []vision.Frame, o Options) error {
	if !(o.PxPerIn > 0) || math.IsInf(o.PxPerIn, 0) {
		return fmt.Errorf("follow the ball: %w", ErrNoScale)
	}
	if len(seen.Sights) != len(frames) {
		return fmt.Errorf("follow the ball: %d sights, %d frames: %w", len(seen.Sights), len(frames), ErrFrames)
	}
	for i, s := range seen.Sights {
		if s.Index != frames[i].Index || (i > 0 && !(s.Ms > seen.Sights[i-1].Ms)) {
			return fmt.Errorf("follow the ball: sight %d is of frame %d at %v ms: %w", i, s.Index, s.Ms, ErrFrames)
		}
	}
	for i, s := range seen.Spots {
		if len(s.Left) != len(frames) {
			return fmt.Errorf("follow the ball: spot %d was watched for %d of %d frames: %w", i, len(s.Left), len(frames), ErrFrames)
		}
	}
	return nil
}

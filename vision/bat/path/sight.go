package path

import (
	"errors"
	"fmt"
	"math"

	"nightcage/vision"
)

// Peak is one place in a frame where an end of the bat may be.
type Peak struct {
	X, Y    float64 // px
	SigmaPx float64 // standard error along either axis if this is the right place, px
	Score   float64 // 0..1: the finder's share of belief in this place
}

// Line is one straight thing in a frame that may be the bat's axis, with a
// direction from the hands outward.
type Line struct {
	X, Y     float64 // px: the point of the axis that is known best across it
	DX, DY   float64 // unit direction, knob to tip
	SigmaPx  float64 // standard error across the axis at (X, Y), px
	SigmaDeg float64 // standard error of the direction
	ReachPx  float64 // how far beyond (X, Y) along the direction it can be followed, px; 0: not known
	Score    float64 // 0..1
	How      vision.How
}

// Sight is what was seen of the bat in one frame. A frame in which nothing was
// looked for or found is a Sight with Index and Ms alone.
type Sight struct {
	Index  int     // frame index in the clip
	Ms     float64 // capture time, mid-exposure
	Repeat bool    // the picture equals the one before: its sights carry no new information and are not used

	Knobs, Tips []Peak // best first
	Lines       []Line // best first

	// Hands are the hitter's left and right fist; not found: How is HowNone.
	Hands [2]vision.Mark

	// Shift takes this frame's px to the first frame's, following the still
	// background; the zero value means that it was not measured. The path is
	// smoothed in the first frame's px and given in each frame's own.
	Shift vision.Affine

	// Width and Height of the picture, px; 0 when not known. A tip near the
	// border may be where the picture cuts the bat.
	Width, Height float64
}

// Options is what is known of the clip as a whole.
type Options struct {
	// BatIn is the bat's length, inches; 0: not told, 33 ± 2 is assumed.
	BatIn float64
	// PxPerIn is the picture scale at the hitter's body; must be positive.
	PxPerIn float64
	// ScaleSigmaRel is the relative standard error of PxPerIn.
	ScaleSigmaRel float64
}

// Frame is the bat in one frame.
type Frame struct {
	Index         int
	Ms            float64
	Knob, Tip     vision.Mark
	AngleSigmaDeg float64 // of the picture direction knob to tip; 0 when either is not found
}

// Kink is a sudden loss of the tip's speed in the picture, as when a ball is
// hit, looked for around the fastest moment of the path. It is weak evidence:
// the loss is small against what a smooth path may do, and LogLR says how weak.
type Kink struct {
	Found   bool    // there was a stretch fast and well enough seen to look at; else the rest means nothing
	Ms      float64 // where it would be
	SigmaMs float64 // standard error of Ms, never below what the frame spacing allows
	LossRel float64 // share of the speed lost, at the likeliest time; negative: gained
	Sigma   float64 // standard error of LossRel
	LogLR   float64 // log of how much likelier the path is with a ball's loss at some time in that stretch than without one
}

// Result is the bat over the clip.
type Result struct {
	Frames []Frame // one per Sight, same order
	Kink   Kink
	// FastestMs is when the tip moves fastest in the picture, and FastestInS
	// how fast, inches at the body's scale per second. FastestInS 0: no path.
	FastestMs  float64
	FastestInS float64
}

// ErrNoScale is returned when the picture scale is not a positive number.
var ErrNoScale = errors.New("no picture scale: pixels per inch must be positive")

func check(sights []Sight, o Options) error {
	if !(o.PxPerIn > 0) || math.IsInf(o.PxPerIn, 0) {
		return fmt.Errorf("smooth the bat's path: %w", ErrNoScale)
	}
	for i := 1; i < len(sights); i++ {
		if !(sights[i].Ms > sights[i-1].Ms) {
			return fmt.Errorf("smooth the bat's path: frame %d at %v ms does not follow frame %d at %v ms",
				sights[i].Index, sights[i].Ms, sights[i-1].Index, sights[i-1].Ms)
		}
	}
	return nil
}

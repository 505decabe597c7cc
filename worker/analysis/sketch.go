package analysis

import (
	"errors"
	"fmt"

	"gocv.io/x/gocv"

	"nightcage/phases"
	"nightcage/vision"
)

// ErrNotTracked: a frame lies outside the track.
var ErrNotTracked = errors.New("the frame was not looked at")

// Sketch draws on img, the clip's frame with this index, the lines that stills
// have: body, bat, and the barrel's way since the bat was parallel. Errors:
// ErrNotTracked.
func Sketch(img *gocv.Mat, track vision.Track, tl phases.Timeline, frame int) error {
	for k := range track.Frames {
		f := &track.Frames[k]
		if f.Index != frame {
			continue
		}
		pen := newPen(img)
		pen.trail(&Result{Track: track, Timeline: tl}, f, phases.Contact)
		pen.body(f, track.Hand, phases.Contact)
		pen.bat(f)
		return nil
	}
	return fmt.Errorf("draw on frame %d of clip %s: %w", frame, track.Clip.Name, ErrNotTracked)
}

// Caption writes a line in the top left corner of img, which must be continuous.
func Caption(img *gocv.Mat, text string) error { return newPen(img).caption([]string{text}) }

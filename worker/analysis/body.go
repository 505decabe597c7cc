package analysis

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"

	"nightcage/vision"
	"nightcage/vision/clip"
	"nightcage/vision/pose"
	"nightcage/vision/pose/smooth"
)

// follow reads the window win of the clip and follows the hitter's body and the
// camera's motion through it. Hand, Sighting, Scale and Solution are left for later stages.
// heightPx is the hitter's standing height in the picture.
func (a *Analyser) follow(ctx context.Context, path string, c vision.Clip, win [2]int, subject vision.Subject, steps *steps) (track vision.Track, heightPx float64, err error) {
	hitter, err := a.findHitter(ctx, path, c, win)
	if err != nil {
		return track, 0, err
	}
	r, err := clip.Open(ctx, c, path)
	if err != nil {
		return track, 0, err
	}
	defer r.Close()
	if err := r.Seek(ctx, win[0]); err != nil {
		return track, 0, err
	}
	still := clip.NewStabiliser(hitter.Box)
	defer still.Close()
	body := a.pose.Follow(hitter)
	flow := pose.NewFlow()
	defer flow.Close()
	var moved [][]smooth.Step
	track = vision.Track{Clip: c, Subject: subject, Window: win}
	unsteady := ""
	var heights []float64
	for {
		p, err := r.Next(ctx)
		if errors.Is(err, io.EOF) || (err == nil && p.Index >= win[1]) {
			break
		}
		if err != nil {
			return track, 0, err
		}
		f := vision.Frame{Index: p.Index, Ms: c.Times[p.Index].Ms}
		look, err := body.Next(ctx, p.BGR, f.Ms)
		if err != nil {
			return track, 0, wrap(c, "follow the hitter", err)
		}
		look.Put(&f)
		if look.Found {
			heights = append(heights, look.StandingPx())
		}
		step, err := flow.Next(r.Gray(), look)
		if err != nil {
			return track, 0, wrap(c, "follow the hitter", err)
		}
		moved = append(moved, step)
		shift, err := still.Next(r.Gray())
		if err != nil {
			return track, 0, wrap(c, "follow the camera", err)
		}
		f.Shift = shift.Affine
		if shift.Reason != "" {
			unsteady = shift.Reason
		}
		track.Frames = append(track.Frames, f)
		steps.frame()
	}
	track.Clip = r.Clip()
	track.Notes = append(track.Notes, c.Notes...)
	if lost := len(track.Frames) - len(heights); lost > 0 {
		track.Notes = append(track.Notes, fmt.Sprintf("the hitter was hidden, or could not be told from somebody else, in %d of %d pictures", lost, len(track.Frames)))
	}
	if unsteady != "" {
		track.Notes = append(track.Notes, "the camera's own motion could not be followed throughout: "+unsteady)
	}
	track.Frames, _ = smooth.Bodies(track.Frames)
	track.Frames = smooth.Steps(track.Frames, moved)
	if len(heights) == 0 {
		// A person who lies in the picture is found at times and followed never.
		return track, 0, a.nobody(ctx, r, c, (win[0]+win[1])/2)
	}
	return track, median(heights), nil
}

// median of x, which it sorts; 0 without any.
func median(x []float64) float64 {
	if len(x) == 0 {
		return 0
	}
	slices.Sort(x)
	return x[len(x)/2]
}

package analysis

import (
	"context"
	"errors"
	"io"
	"slices"

	"nightcage/vision"
	"nightcage/vision/clip"
	"nightcage/vision/pose"
	"nightcage/vision/pose/smooth"
)

// follow reads the clip and follows the hitter's body and the camera's motion
// through it. Hand, Sighting, Scale and Solution are left for later stages.
// heightPx is the hitter's standing height in the picture.
func (a *Analyser) follow(ctx context.Context, path string, c vision.Clip, subject vision.Subject, steps *steps) (track vision.Track, heightPx float64, err error) {
	hitter, err := a.findHitter(ctx, path, c)
	if err != nil {
		return track, 0, err
	}
	r, err := clip.Open(ctx, c, path)
	if err != nil {
		return track, 0, err
	}
	defer r.Close()
	still := clip.NewStabiliser(hitter.Box)
	defer still.Close()
	body := a.pose.Follow(hitter)
	track = vision.Track{Clip: c, Subject: subject, Window: [2]int{0, len(c.Times)}}
	unsteady := ""
	var heights []float64
	for {
		p, err := r.Next(ctx)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return track, 0, err
		}
		f := vision.Frame{Index: p.Index, Ms: c.Times[p.Index].Ms}
		look, err := body.Next(ctx, p.BGR)
		if err != nil {
			return track, 0, wrap(c, "follow the hitter", err)
		}
		look.Put(&f)
		if look.Found {
			heights = append(heights, look.StandingPx())
		}
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
	if unsteady != "" {
		track.Notes = append(track.Notes, "the camera's own motion could not be followed throughout: "+unsteady)
	}
	track.Frames, _ = smooth.Bodies(track.Frames)
	if len(heights) == 0 {
		return track, 0, &Error{Kind: NoPerson, Clip: c.Name, Reason: "The hitter could not be followed in any frame."}
	}
	return track, median(heights), nil
}

// looks is how many pictures are searched for people before the swing is
// followed: enough that a hitter hidden in one is seen in others.
const looks = 6

// findHitter looks for people in a few pictures spread over the clip and
// chooses the hitter. A stride moves the hips by less than the follower searches.
func (a *Analyser) findHitter(ctx context.Context, path string, c vision.Clip) (pose.Person, error) {
	r, err := clip.Open(ctx, c, path)
	if err != nil {
		return pose.Person{}, err
	}
	defer r.Close()
	var seen []pose.Sighting
	n := len(c.Times)
	for k := range min(looks, n) {
		if err := r.Seek(ctx, k*(n-1)/max(looks-1, 1)); err != nil {
			return pose.Person{}, err
		}
		p, err := r.Next(ctx)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return pose.Person{}, err
		}
		people, err := a.pose.People(ctx, p.BGR)
		if err != nil {
			return pose.Person{}, wrap(c, "look for people", err)
		}
		seen = append(seen, pose.Sighting{Ms: c.Times[p.Index].Ms, People: people})
	}
	hitter, _, ok := pose.Hitter(seen)
	if !ok {
		return pose.Person{}, &Error{Kind: NoPerson, Clip: c.Name, Reason: "Nobody is in view who could be the hitter."}
	}
	return hitter, nil
}

// median of x, which it sorts; 0 without any.
func median(x []float64) float64 {
	if len(x) == 0 {
		return 0
	}
	slices.Sort(x)
	return x[len(x)/2]
}

package analysis

import (
	"context"
	"errors"
	"io"
	"slices"

	"gocv.io/x/gocv"

	"nightcage/vision"
	"nightcage/vision/clip"
	"nightcage/vision/pose"
	"nightcage/vision/pose/smooth"
)

// window finds the frames around the swing. A short clip is looked at whole;
// a longer one is read through once on thumbnails.
func window(ctx context.Context, path string, c vision.Clip) (vision.Clip, [2]int, error) {
	whole := [2]int{0, len(c.Times)}
	if clip.Whole(c) {
		return c, whole, nil
	}
	r, err := clip.Open(ctx, c, path)
	if err != nil {
		return c, whole, err
	}
	defer r.Close()
	scan := clip.NewScan(vision.Box{})
	defer scan.Close()
	for {
		p, err := r.Next(ctx)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return c, whole, err
		}
		if err := scan.Add(p.Index, r.Gray()); err != nil {
			return c, whole, wrap(c, "look for the swing", err)
		}
	}
	c = scan.Apply(r.Clip())
	at := scan.Indices()
	ms := make([]float64, len(at))
	for i, k := range at {
		ms[i] = c.Times[k].Ms
	}
	first, end, ok := clip.Window(scan.Energy(), ms)
	if !ok {
		return c, whole, &Error{Kind: NoSwing, Clip: c.Name, Reason: "Nothing in the clip moves as fast and briefly as a swing."}
	}
	return c, [2]int{at[first], at[end-1] + 1}, nil
}

// follow reads the window and follows the hitter's body and the camera's motion
// through it. Hand, Sighting, Scale and Solution are left for later stages.
// heightPx is the hitter's standing height in the picture.
func (a *Analyser) follow(ctx context.Context, path string, c vision.Clip, subject vision.Subject, steps *steps) (track vision.Track, heightPx float64, err error) {
	c, win, err := window(ctx, path, c)
	if err != nil {
		return track, 0, err
	}
	steps.frames(win[1] - win[0])
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
	whole := clip.Whole(c)
	scan := clip.NewScan(vision.Box{})
	defer scan.Close()
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
		if whole { // else window has scanned it
			if err := scan.Add(p.Index, r.Gray()); err != nil {
				return track, 0, wrap(c, "look for repeated pictures", err)
			}
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
	if whole {
		track.Clip = scan.Apply(track.Clip)
	}
	track.Notes = append(track.Notes, c.Notes...)
	if unsteady != "" {
		track.Notes = append(track.Notes, "the camera's own motion could not be followed throughout: "+unsteady)
	}
	track.Frames, _ = smooth.Bodies(track.Frames)
	track.Frames = smooth.Steps(track.Frames, moved)
	if len(heights) == 0 {
		return track, 0, &Error{Kind: NoPerson, Clip: c.Name, Reason: "The hitter could not be followed in any frame."}
	}
	return track, median(heights), nil
}

// looks is how many pictures are searched for people before the swing is
// followed: enough that a hitter hidden in one is seen in others.
const looks = 6

// findHitter looks for people in a few pictures spread over the window and
// chooses the hitter. A stride moves the hips by less than the follower searches.
func (a *Analyser) findHitter(ctx context.Context, path string, c vision.Clip, win [2]int) (pose.Person, error) {
	r, err := clip.Open(ctx, c, path)
	if err != nil {
		return pose.Person{}, err
	}
	defer r.Close()
	var seen []pose.Sighting
	n := win[1] - win[0]
	for k := range min(looks, n) {
		if err := r.Seek(ctx, win[0]+k*(n-1)/(looks-1)); err != nil {
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
		return pose.Person{}, a.nobody(ctx, r, c, win[0]+n/2)
	}
	return hitter, nil
}

// nobody says why no hitter was found: people who appear once the picture is
// turned mean that the file's rotation is wrong.
func (a *Analyser) nobody(ctx context.Context, r *clip.Reader, c vision.Clip, index int) error {
	if err := r.Seek(ctx, index); err != nil {
		return err
	}
	nobody := &Error{Kind: NoPerson, Clip: c.Name, Reason: "Nobody is in view who could be the hitter."}
	p, err := r.Next(ctx)
	if errors.Is(err, io.EOF) {
		return nobody
	}
	if err != nil {
		return err
	}
	turned := gocv.NewMat()
	defer turned.Close()
	for _, turn := range []struct {
		flag  gocv.RotateFlag
		words string
	}{{gocv.Rotate90Clockwise, "a quarter turn clockwise"}, {gocv.Rotate90CounterClockwise, "a quarter turn counter-clockwise"},
		{gocv.Rotate180Clockwise, "half a turn"}} {
		gocv.Rotate(p.BGR, &turned, turn.flag)
		people, err := a.pose.People(ctx, turned)
		if err != nil {
			return wrap(c, "look for people", err)
		}
		if len(people) > 0 {
			return &Error{Kind: WrongRotation, Clip: c.Name,
				Reason: "The picture does not stand upright: people appear after " + turn.words + ". Turn the clip and send it again."}
		}
	}
	return nobody
}

// median of x, which it sorts; 0 without any.
func median(x []float64) float64 {
	if len(x) == 0 {
		return 0
	}
	slices.Sort(x)
	return x[len(x)/2]
}

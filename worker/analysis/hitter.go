package analysis

import (
	"context"
	"errors"
	"io"

	"gocv.io/x/gocv"

	"nightcage/vision"
	"nightcage/vision/clip"
	"nightcage/vision/pose"
)

// looks is how many pictures are searched for people before the swing is
// followed: enough that a hitter hidden in one is seen in others.
const looks = 6

// findHitter looks for people in a few pictures spread over the window and
// chooses the hitter. A stride moves the hips by less than the follower searches.
// Where nobody seen has swung it looks for small people too: the first search
// misses a hitter beside somebody nearer.
func (a *Analyser) findHitter(ctx context.Context, path string, c vision.Clip, win [2]int) (pose.Person, error) {
	r, err := clip.Open(ctx, c, path)
	if err != nil {
		return pose.Person{}, err
	}
	defer r.Close()
	var hitter pose.Choice
	ok := false
	for _, find := range []finder{a.pose.People, a.pose.Everybody} {
		seen, err := sightings(ctx, r, c, win, find)
		if err != nil {
			return pose.Person{}, err
		}
		if hitter, ok = pose.Hitter(seen); !ok || hitter.Swung() {
			break // People has looked for small ones where it saw nobody
		}
	}
	if !ok {
		return pose.Person{}, a.nobody(ctx, r, c, win[0]+(win[1]-win[0])/2)
	}
	if !hitter.Sure() {
		return pose.Person{}, &Error{Kind: NoPerson, Clip: c.Name,
			Reason: "Several people are in view, and none of them holds both hands together as on a bat."}
	}
	return hitter.Person, nil
}

type finder func(ctx context.Context, img gocv.Mat) ([]pose.Person, error)

// peopleAt is who is seen in the picture with an index, or in the first after it
// that decodes: at says which. Past the last picture the error is io.EOF.
func peopleAt(ctx context.Context, r *clip.Reader, c vision.Clip, index int, find finder) (at int, people []pose.Person, err error) {
	if err := r.Seek(ctx, index); err != nil {
		return 0, nil, err
	}
	p, err := r.Next(ctx)
	if err != nil {
		return 0, nil, err
	}
	if people, err = find(ctx, p.BGR); err != nil {
		return 0, nil, wrap(c, "look for people", err)
	}
	return p.Index, people, nil
}

// sightings is who is seen in pictures spread over the window.
func sightings(ctx context.Context, r *clip.Reader, c vision.Clip, win [2]int, find finder) ([]pose.Sighting, error) {
	var seen []pose.Sighting
	n := win[1] - win[0]
	for k := range min(looks, n) {
		at, people, err := peopleAt(ctx, r, c, win[0]+k*(n-1)/(looks-1), find)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, err
		}
		seen = append(seen, pose.Sighting{Ms: c.Times[at].Ms, People: people})
	}
	return seen, nil
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

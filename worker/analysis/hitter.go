package analysis

import (
	"context"
	"errors"
	"io"

	"gocv.io/x/gocv"

	"nightcage/vision/pose"
)

// looks is how many pictures are searched for people before the swing is
// followed: enough that a hitter hidden in one is seen in others.
const looks = 6

// lookAt is the k-th of the pictures of a stretch [first, end) that are searched.
func lookAt(stretch [2]int, k int) int {
	return stretch[0] + k*(stretch[1]-stretch[0]-1)/(looks-1)
}

// findHitter looks for people in a few pictures spread over the window and
// chooses the hitter. A stride moves the hips by less than the follower searches.
// Where nobody seen has swung it looks for small people too: the first search
// misses a hitter beside somebody nearer.
func (a *Analyser) findHitter(ctx context.Context, g *gallery, win window) (pose.Choice, error) {
	if hitter, ok := pose.Hitter(win.seen); ok && hitter.Swung() {
		return hitter, nil
	}
	var hitter pose.Choice
	ok := false
	for _, find := range []finder{a.pose.People, a.pose.Everybody} {
		seen, err := sightings(ctx, g, win.frames, find)
		if err != nil {
			return hitter, err
		}
		if hitter, ok = pose.Hitter(seen); !ok || hitter.Swung() {
			break // People has looked for small ones where it saw nobody
		}
	}
	if !ok {
		return hitter, a.nobody(ctx, g, win.frames[0]+(win.frames[1]-win.frames[0])/2)
	}
	if !hitter.Sure() {
		return hitter, &Error{Kind: NoPerson, Clip: g.clip.Name,
			Reason: "Several people are in view, and none of them holds both hands together as on a bat."}
	}
	return hitter, nil
}

type finder func(ctx context.Context, img gocv.Mat) ([]pose.Person, error)

// peopleAt is who is seen in the picture with an index, or in the first after it
// that decodes: at says which. Past the last picture the error is io.EOF.
func peopleAt(ctx context.Context, g *gallery, index int, find finder) (at int, people []pose.Person, err error) {
	img, at, err := g.picture(ctx, index)
	if err != nil {
		return 0, nil, err
	}
	if people, err = find(ctx, img); err != nil {
		return 0, nil, wrap(g.clip, "look for people", err)
	}
	return at, people, nil
}

// sightings is who is seen in pictures spread over a stretch.
func sightings(ctx context.Context, g *gallery, stretch [2]int, find finder) ([]pose.Sighting, error) {
	var seen []pose.Sighting
	last := -1
	for k := range looks {
		index := lookAt(stretch, k)
		if index == last {
			continue
		}
		last = index
		at, people, err := peopleAt(ctx, g, index, find)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, err
		}
		seen = append(seen, pose.Sighting{Ms: g.clip.Times[at].Ms, People: people})
	}
	return seen, nil
}

// nobody says why no hitter was found: people who appear once the picture is
// turned mean that the file's rotation is wrong.
func (a *Analyser) nobody(ctx context.Context, g *gallery, index int) error {
	nobody := &Error{Kind: NoPerson, Clip: g.clip.Name, Reason: "Nobody is in view who could be the hitter."}
	img, _, err := g.picture(ctx, index)
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
		gocv.Rotate(img, &turned, turn.flag)
		people, err := a.pose.People(ctx, turned)
		if err != nil {
			return wrap(g.clip, "look for people", err)
		}
		if len(people) > 0 {
			return &Error{Kind: WrongRotation, Clip: g.clip.Name,
				Reason: "The picture does not stand upright: people appear after " + turn.words + ". Turn the clip and send it again."}
		}
	}
	return nobody
}

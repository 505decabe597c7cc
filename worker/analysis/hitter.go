package analysis

import (
	"context"
	"errors"
	"io"

	"gocv.io/x/gocv"

	"nightcage/vision/pose"
)

// findHitter looks for people in a few pictures of the window and chooses the hitter.
// A stride moves the hips by less than the follower searches.
func (a *Analyser) findHitter(ctx context.Context, g *gallery, win window) (pose.Choice, error) {
	if hitter, ok := pose.Hitter(win.seen); ok && hitter.Swung() {
		return hitter, nil
	}
	given := map[int]int{} // by picture, for which k
	hitter, ok, err := a.pose.FindHitter(ctx, len(win.people), func(k int) (gocv.Mat, float64, error) {
		img, at, err := g.picture(ctx, win.people[k])
		if other, ok := given[at]; err == nil && ok && other != k {
			err = io.EOF // two instants near one picture
		}
		if err != nil {
			return img, 0, err
		}
		given[at] = k
		return img, g.clip.Times[at].Ms, nil
	})
	switch {
	case err != nil:
		return hitter, wrap(g.clip, "look for people", err)
	case !ok:
		return hitter, a.nobody(ctx, g, win.frames[0]+(win.frames[1]-win.frames[0])/2)
	case !hitter.Sure():
		return hitter, &Error{Kind: NoPerson, Clip: g.clip.Name,
			Reason: "Several people are in view, and none of them holds both hands together as on a bat."}
	}
	return hitter, nil
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

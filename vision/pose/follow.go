package pose

import (
	"context"
	"fmt"
	"math"

	"gocv.io/x/gocv"
)

const (
	// jump is how far, over the square's side, the middle of the hips may move
	// between pictures looked at, before it is taken for another person's. The
	// side is some 1.3 body heights, and hips move under 0.1 of it even between
	// pictures 50 ms apart.
	jump = 0.25
	// swell bounds the growth of the square from one picture to the next.
	swell = 1.5
)

// Follower keeps one person in its square from picture to picture.
type Follower struct {
	e    *Estimator
	roi  ROI
	lost int // pictures since the person was last seen
}

// Follow starts to follow a person seen in one picture. Next may be called on
// that picture again, and then forward or backward in time from it.
func (e *Estimator) Follow(p Person) *Follower { return &Follower{e: e, roi: p.ROI} }

// Next finds the person in the next picture: one run of the landmark network
// when all goes well. When the network no longer sees a person in the square,
// or sees one that cannot be the same, the detector looks around the last
// place; a person still not found gives a Look with Found false, and the search
// goes on with the next picture.
func (f *Follower) Next(ctx context.Context, img gocv.Mat) (Look, error) {
	if f.lost == 0 {
		s, err := f.e.see(ctx, img, f.roi, false)
		if err != nil {
			return Look{}, fmt.Errorf("following the hitter: %w", err)
		}
		if f.same(&s) {
			f.roi = s.next()
			return s.look(), nil
		}
	}
	s, ok, err := f.search(ctx, img)
	if err != nil {
		return Look{}, fmt.Errorf("looking for the hitter again: %w", err)
	}
	if !ok {
		f.lost++
		return Look{}, nil
	}
	f.lost, f.roi = 0, s.next()
	return s.look(), nil
}

// same reports whether a sight is of the person followed.
func (f *Follower) same(s *sight) bool {
	if s.presence < present {
		return false
	}
	to := s.next()
	ratio := to.Side / f.roi.Side
	return math.Abs(to.Turn) < uprightRad && ratio < swell && ratio > 1/swell &&
		math.Hypot(to.X-f.roi.X, to.Y-f.roi.Y) < jump*f.roi.Side
}

// search runs the detector around the last square and tries its findings, the
// nearest first.
func (f *Follower) search(ctx context.Context, img gocv.Mat) (sight, bool, error) {
	near, far := f.roi, f.roi
	near.Turn, far.Turn = 0, 0
	near.Side, far.Side = 1.4*f.roi.Side, 2.2*f.roi.Side
	found, err := f.e.detect(ctx, img, []ROI{near, far})
	if err != nil {
		return sight{}, false, err
	}
	best, least := ROI{}, jump*f.roi.Side
	for _, g := range found {
		r := g.roi()
		if d := math.Hypot(r.X-f.roi.X, r.Y-f.roi.Y); d < least && r.Side < swell*f.roi.Side && r.Side > f.roi.Side/swell {
			best, least = r, d
		}
	}
	if best.Side == 0 {
		return sight{}, false, nil
	}
	s, err := f.e.see(ctx, img, best, false)
	if err != nil || !f.same(&s) {
		return s, false, err
	}
	return s, true, nil
}

package pose

import (
	"context"
	"fmt"
	"math"

	"gocv.io/x/gocv"
)

const (
	// jump is the farthest, over the square's side, that the middle of the hips may
	// lie from where it was seen last, however long ago that was.
	jump = 0.25
	// twitch and hurry bound how far it may go in the time passed: twitch, over the
	// side, for the network's own error, and hurry sides a second. The side is some
	// 1.3 body heights, 2.2 m for an adult; hips of a hitter reach 1.5 m/s (.7 sides
	// a second), and as much again is left for the camera in somebody's hands. A body
	// that crosses in front takes the marks along faster than that.
	twitch, hurry = 0.03, 2.0
	// swell bounds the growth of the square from one picture to the next.
	swell = 1.5
)

// Follower keeps one person in its square from picture to picture.
type Follower struct {
	e    *Estimator
	roi  ROI
	ms   float64 // capture time of the picture the person was last seen in
	lost bool    // not seen in the last picture
}

// Follow starts to follow a person seen in one picture. Next may be called on
// that picture again, and then forward or backward in time from it.
func (e *Estimator) Follow(p Person) *Follower { return &Follower{e: e, roi: p.ROI, ms: math.Inf(-1)} }

// Next finds the person in the next picture, taken at ms: one run of the landmark network
// when all goes well. When the network no longer sees a person in the square,
// or sees one that cannot be the same, the detector looks around the last
// place; a person still not found gives a Look with Found false, and the search
// goes on with the next picture.
func (f *Follower) Next(ctx context.Context, img gocv.Mat, ms float64) (Look, error) {
	reach := min(twitch+hurry*math.Abs(ms-f.ms)/1000, jump)
	if !f.lost {
		s, err := f.e.see(ctx, img, f.roi, true)
		if err != nil {
			return Look{}, fmt.Errorf("following the hitter: %w", err)
		}
		if f.same(&s, reach) {
			f.roi, f.ms = s.next(), ms
			return s.look(), nil
		}
	}
	s, ok, err := f.search(ctx, img, reach)
	if err != nil {
		return Look{}, fmt.Errorf("looking for the hitter again: %w", err)
	}
	if !ok {
		f.lost = true
		return Look{}, nil
	}
	f.lost, f.roi, f.ms = false, s.next(), ms
	return s.look(), nil
}

// same reports whether a sight is of the person followed, whose hips may have gone
// reach of the side.
func (f *Follower) same(s *sight, reach float64) bool {
	if s.presence < present {
		return false
	}
	to := s.next()
	ratio := to.Side / f.roi.Side
	return math.Abs(to.Turn) < uprightRad && ratio < swell && ratio > 1/swell &&
		math.Hypot(to.X-f.roi.X, to.Y-f.roi.Y) < reach*f.roi.Side
}

// search runs the detector around the last square and tries its findings, the
// nearest first, as far as reach of the side.
func (f *Follower) search(ctx context.Context, img gocv.Mat, reach float64) (sight, bool, error) {
	near, far := f.roi, f.roi
	near.Turn, far.Turn = 0, 0
	near.Side, far.Side = 1.4*f.roi.Side, 2.2*f.roi.Side
	found, err := f.e.detect(ctx, img, []ROI{near, far})
	if err != nil {
		return sight{}, false, err
	}
	best, least := ROI{}, reach*f.roi.Side
	for _, g := range found {
		r := g.roi()
		if d := math.Hypot(r.X-f.roi.X, r.Y-f.roi.Y); d < least && r.Side < swell*f.roi.Side && r.Side > f.roi.Side/swell {
			best, least = r, d
		}
	}
	if best.Side == 0 {
		return sight{}, false, nil
	}
	s, err := f.e.see(ctx, img, best, true)
	if err != nil || !f.same(&s, reach) {
		return s, false, err
	}
	return s, true, nil
}

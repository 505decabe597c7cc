package pose

import (
	"context"
	"errors"
	"fmt"

	"gocv.io/x/gocv"

	"nightcage/models"
	"nightcage/vision"
)

// Estimator holds the networks and the images they are fed from. It is for
// one goroutine at a time. The pictures given to its methods are upright 8-bit
// BGR and stay the caller's.
type Estimator struct {
	detector, landmarks, depth *models.Session
	detectCrop, lookCrop       *cropper
}

// New opens the networks. The caller closes the Estimator. Errors are those of
// models.Open.
func New(ctx context.Context) (*Estimator, error) {
	detector, err := models.Open(ctx, models.PoseDetection)
	if err != nil {
		return nil, fmt.Errorf("preparing to find people: %w", err)
	}
	landmarks, err := models.Open(ctx, models.PoseFull)
	if err != nil {
		return nil, fmt.Errorf("preparing to find body landmarks: %w", errors.Join(err, detector.Close()))
	}
	depth, err := models.Open(ctx, models.BodyDepth)
	if err != nil {
		return nil, fmt.Errorf("preparing to see depth: %w", errors.Join(err, landmarks.Close(), detector.Close()))
	}
	return &Estimator{
		detector: detector, landmarks: landmarks, depth: depth,
		detectCrop: newCropper(detectSize, 2.0/255, -1),
		lookCrop:   newCropper(lookSize, 1.0/255, 0),
	}, nil
}

// Close frees networks and images.
func (e *Estimator) Close() error {
	e.detectCrop.close()
	e.lookCrop.close()
	return errors.Join(e.detector.Close(), e.landmarks.Close(), e.depth.Close())
}

// Person is somebody seen in one picture.
type Person struct {
	Box   vision.Box // about the landmarks, px
	ROI   ROI        // the square to look in
	Score float64    // the landmark network's certainty that a person is there, 0..1
	Look  Look       // without Relief: the depth network is for whom a Follower follows
}

const (
	// present is the least certainty of the landmark network that its square
	// holds a person.
	present = 0.5
	// settle is how often the landmark network is run on a new person, each
	// time in the square that the last run points to.
	settle = 2
)

// People finds everybody in a picture, surest first. It runs the detector some
// seven times and the landmark network twice a person: use it on few frames.
// Where nobody is found it searches for small people too: some twenty runs of the
// detector more, in squares half as wide as the picture's shorter side. Of people a
// ninth as tall as that side these show nine in ten, of people a tenth every second.
func (e *Estimator) People(ctx context.Context, img gocv.Mat) ([]Person, error) {
	for _, in := range [...][]ROI{squares(img.Cols(), img.Rows()), tiles(img.Cols(), img.Rows())} {
		people, err := e.peopleIn(ctx, img, in, nil)
		if err != nil {
			return nil, fmt.Errorf("finding people: %w", err)
		}
		if len(people) > 0 {
			return people, nil
		}
	}
	return nil, nil
}

// peopleIn adds to the people known in a picture those found in the squares.
func (e *Estimator) peopleIn(ctx context.Context, img gocv.Mat, in []ROI, known []Person) ([]Person, error) {
	found, err := e.detect(ctx, img, in)
	if err != nil {
		return nil, err
	}
	for _, f := range found {
		if seenBefore(known, Person{ROI: f.roi()}) {
			continue
		}
		p, ok, err := e.settle(ctx, img, f.roi())
		if err != nil {
			return nil, err
		}
		if ok && !seenBefore(known, p) {
			known = append(known, p)
		}
	}
	return known, nil
}

func (e *Estimator) settle(ctx context.Context, img gocv.Mat, r ROI) (p Person, ok bool, err error) {
	var s sight
	for range settle {
		if s, err = e.see(ctx, img, r, false); err != nil || s.presence < present {
			return p, false, err
		}
		r = s.next()
	}
	return s.person(), true, nil
}

// person is somebody as a sight shows them.
func (s *sight) person() Person {
	look := s.look()
	return Person{Box: bounds(look.Body), ROI: s.next(), Score: s.presence, Look: look}
}

// seenBefore reports whether two squares settled on the same body.
func seenBefore(people []Person, p Person) bool {
	for _, q := range people {
		dx, dy := p.ROI.X-q.ROI.X, p.ROI.Y-q.ROI.Y
		near := 0.1 * min(p.ROI.Side, q.ROI.Side)
		if dx*dx+dy*dy < near*near {
			return true
		}
	}
	return false
}

func bounds(marks []vision.Mark) vision.Box {
	b := vision.Box{X0: marks[0].X, Y0: marks[0].Y, X1: marks[0].X, Y1: marks[0].Y}
	for _, m := range marks {
		b.X0, b.Y0 = min(b.X0, m.X), min(b.Y0, m.Y)
		b.X1, b.Y1 = max(b.X1, m.X), max(b.Y1, m.Y)
	}
	return b
}

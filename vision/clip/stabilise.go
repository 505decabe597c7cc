package clip

import (
	"fmt"
	"image"
	"math"

	"gocv.io/x/gocv"

	"nightcage/vision"
)

// How the still background is followed.
const (
	workWidth   = 640 // px the picture is shrunk to, about
	maxPoints   = 120
	minPoints   = 10
	perCell     = 6    // points kept in each cell of an 8 x 6 grid, so that one busy corner does not rule
	renewBelow  = 0.5  // share of points still followed below which new ones are chosen
	flowInitial = 4    // cv::OPTFLOW_USE_INITIAL_FLOW
	lostSigmaPx = 30.0 // stated error when the camera could not be followed: more than a hand-held camera moves
	// floorPx is the least standard error stated. Compression moves a still
	// background by whole steps, alike for all points, which their spread does
	// not show: 0.06 to 0.18 px median, 0.5 px at worst, on rendered hand-held
	// clips; a hand-held camera that also changes place adds parallax.
	floorPx = 0.15
)

// Shift is how the camera's picture moved.
type Shift struct {
	vision.Affine        // takes px of this picture to px of the first; the identity when Reason is set
	Points        int    // still points it rests on
	Reason        string // why the camera could not be followed, else empty; then SigmaPx is lostSigmaPx
}

// Stabiliser follows the still background from picture to picture. Give it
// every picture of the stretch, in order. Close it.
type Stabiliser struct {
	hitter    vision.Box
	width     int // of full pictures
	height    int
	shrink    float64
	reference gocv.Mat // small picture the points were chosen in
	small     gocv.Mat
	points    [][2]float64 // px of the small reference
	toFirst   warp         // full reference px to full first px
	baseSigma float64      // what toFirst adds to the error
	last      warp         // full reference px to full px of the last picture
	stop      gocv.TermCriteria
}

// NewStabiliser makes a Stabiliser that chooses its points outside hitter (px
// of the first picture; the zero Box leaves nothing out) and states errors for
// the middle of it.
func NewStabiliser(hitter vision.Box) *Stabiliser {
	return &Stabiliser{hitter: hitter, reference: gocv.NewMat(), small: gocv.NewMat(),
		toFirst: identity, last: identity,
		stop: gocv.NewTermCriteria(gocv.Count+gocv.EPS, 20, 0.01)}
}

// Close frees the native memory.
func (s *Stabiliser) Close() error {
	err := s.reference.Close()
	if e := s.small.Close(); err == nil {
		err = e
	}
	return err
}

// Next takes the next picture, gray, 8 bits. The first gives the identity. It
// fails only on a picture of the wrong type or size.
func (s *Stabiliser) Next(gray gocv.Mat) (Shift, error) {
	if gray.Type() != gocv.MatTypeCV8UC1 || gray.Empty() {
		return Shift{}, fmt.Errorf("follow the camera: picture of type %v, want 8-bit gray", gray.Type())
	}
	first := s.reference.Empty()
	if first {
		s.width, s.height = gray.Cols(), gray.Rows()
		s.shrink = max(1, math.Round(float64(s.width)/workWidth))
	} else if gray.Cols() != s.width || gray.Rows() != s.height {
		return Shift{}, fmt.Errorf("follow the camera: picture of %dx%d after %dx%d", gray.Cols(), gray.Rows(), s.width, s.height)
	}
	size := image.Pt(int(float64(s.width)/s.shrink), int(float64(s.height)/s.shrink))
	gocv.Resize(gray, &s.small, size, 0, 0, gocv.InterpolationArea)
	if first {
		s.choose(identity, 0)
		return Shift{Affine: identity.affineAt(s.middle(), floorPx), Points: len(s.points)}, nil
	}
	lost := func(points int, reason string) (Shift, error) {
		return Shift{Affine: identity.affineAt(s.middle(), lostSigmaPx), Points: points, Reason: reason}, nil
	}
	if len(s.points) < minPoints {
		return lost(len(s.points), "too little detail outside the hitter to follow the camera by")
	}
	pairs := s.track()
	here := s.last.apply(s.toFirst.inverse().apply(s.middle()))
	now, sigma, n, ok := fit(pairs, minPoints, here, float64(s.width)/2)
	if !ok {
		return lost(n, "the background does not move as one")
	}
	toFirst := s.toFirst.after(now)
	s.last = now.inverse()
	sigma = math.Hypot(sigma, s.baseSigma)
	if float64(n) < renewBelow*float64(len(s.points)) {
		s.choose(toFirst, sigma)
	}
	return Shift{Affine: toFirst.affineAt(here, math.Hypot(sigma, floorPx)), Points: n}, nil
}

// middle is the place errors are stated for.
func (s *Stabiliser) middle() [2]float64 {
	if s.hitter == (vision.Box{}) {
		return [2]float64{float64(s.width) / 2, float64(s.height) / 2}
	}
	return [2]float64{(s.hitter.X0 + s.hitter.X1) / 2, (s.hitter.Y0 + s.hitter.Y1) / 2}
}

// full takes px of the small picture to px of the full one: a small pixel's
// centre is the centre of the block it averages.
func (s *Stabiliser) full(p [2]float64) [2]float64 {
	return [2]float64{s.shrink*p[0] + (s.shrink-1)/2, s.shrink*p[1] + (s.shrink-1)/2}
}

func (s *Stabiliser) shrunk(p [2]float64) [2]float64 {
	return [2]float64{(p[0] - (s.shrink-1)/2) / s.shrink, (p[1] - (s.shrink-1)/2) / s.shrink}
}

// choose makes the current small picture the reference and picks its points.
func (s *Stabiliser) choose(toFirst warp, sigma float64) {
	s.small.CopyTo(&s.reference)
	s.toFirst, s.baseSigma, s.last = toFirst, sigma, identity
	corners := gocv.NewMat()
	defer corners.Close()
	gocv.GoodFeaturesToTrack(s.reference, &corners, 5*maxPoints, 0.005, 6)
	s.points = s.points[:0]
	var cells [6][8]int
	w, h := float64(s.reference.Cols()), float64(s.reference.Rows())
	for i := range corners.Rows() {
		v := corners.GetVecfAt(i, 0)
		p := [2]float64{float64(v[0]), float64(v[1])}
		at := toFirst.apply(s.full(p))
		if b := s.hitter; at[0] >= b.X0 && at[0] <= b.X1 && at[1] >= b.Y0 && at[1] <= b.Y1 {
			continue
		}
		cell := &cells[min(int(6*p[1]/h), 5)][min(int(8*p[0]/w), 7)]
		if *cell++; *cell <= perCell && len(s.points) < maxPoints {
			s.points = append(s.points, p)
		}
	}
}

// track finds the reference's points in the current small picture, starting
// from where the last picture had them, and returns those found, in full px.
func (s *Stabiliser) track() []pair {
	from := gocv.NewMatWithSize(len(s.points), 1, gocv.MatTypeCV32FC2)
	to := gocv.NewMatWithSize(len(s.points), 1, gocv.MatTypeCV32FC2)
	status, residual := gocv.NewMat(), gocv.NewMat()
	defer func() {
		for _, m := range []gocv.Mat{from, to, status, residual} {
			m.Close()
		}
	}()
	for i, p := range s.points {
		guess := s.shrunk(s.last.apply(s.full(p)))
		for k := range 2 {
			from.SetFloatAt(i, k, float32(p[k]))
			to.SetFloatAt(i, k, float32(guess[k]))
		}
	}
	gocv.CalcOpticalFlowPyrLKWithParams(s.reference, s.small, from, to, &status, &residual,
		image.Pt(15, 15), 2, s.stop, flowInitial, 1e-3)
	var out []pair
	for i, p := range s.points {
		if status.GetUCharAt(i, 0) == 0 {
			continue
		}
		v := to.GetVecfAt(i, 0)
		out = append(out, pair{now: s.full([2]float64{float64(v[0]), float64(v[1])}), then: s.full(p)})
	}
	return out
}

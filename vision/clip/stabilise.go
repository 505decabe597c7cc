package clip

import (
	"errors"
	"fmt"
	"image"
	"math"

	"gocv.io/x/gocv"

	"nightcage/vision"
)

// How the still background is followed.
const (
	workWidth  = 640 // px the picture is shrunk to, about
	maxPoints  = 120
	minPoints  = 10
	perCell    = 6   // points kept in each cell of an 8 x 6 grid, so that one busy corner does not rule
	renewBelow = 0.5 // share of points still followed below which new ones are chosen
	// spareBelow is the same of the newest reference while the first still serves:
	// it must be there at once when the first no longer does.
	spareBelow  = 0.75
	flowInitial = 4    // cv::OPTFLOW_USE_INITIAL_FLOW
	patience    = 8    // pictures, lost in a row, after which new points are chosen
	edgePx      = 4    // small px from the picture's edge within which a point is only half seen
	lostSigmaPx = 30.0 // stated error when the camera could not be followed: more than a hand-held camera moves
	// floorPx is the least standard error stated. Compression moves a still
	// background by whole steps, alike for all points, which their spread does
	// not show: 0.06 to 0.18 px median, 0.5 px at worst, on rendered hand-held
	// clips; a hand-held camera that also changes place adds parallax.
	floorPx = 0.15
)

// Shift is how the camera's picture moved.
type Shift struct {
	vision.Affine        // takes px of this picture to px of the first; the last picture's when Reason is set
	Points        int    // still points it rests on
	Reason        string // why the camera could not be followed, else empty; then SigmaPx is lostSigmaPx
}

// Stabiliser follows the still background from picture to picture. Give it
// every picture of the stretch, in order. Close it.
type Stabiliser struct {
	hitter   vision.Box
	width    int // of full pictures
	height   int
	shrink   float64
	small    gocv.Mat
	before   gocv.Mat  // the small picture before
	first    reference // the first picture: what is seen against it does not drift
	newest   reference // the latest chosen; nothing in it while the first does
	toFirst  warp      // last followed picture's full px to full px of the first
	lost     int       // pictures in a row that could not be followed
	leanSum  float64   // of the squares of lean, px
	pictures int       // that were followed
	stop     gocv.TermCriteria
}

// reference is a picture that later ones are held against.
type reference struct {
	small   gocv.Mat
	points  [][2]float64 // px of small
	toFirst warp         // full px to full px of the first
	sigma   float64      // what toFirst adds to the error
}

// NewStabiliser makes a Stabiliser that chooses its points outside hitter (px
// of the first picture; the zero Box leaves nothing out) and states errors for
// the middle of it.
func NewStabiliser(hitter vision.Box) *Stabiliser {
	return &Stabiliser{hitter: hitter, small: gocv.NewMat(), before: gocv.NewMat(), toFirst: identity,
		first: reference{small: gocv.NewMat(), toFirst: identity}, newest: reference{small: gocv.NewMat()},
		stop: gocv.NewTermCriteria(gocv.Count+gocv.EPS, 20, 0.01)}
}

// Close frees the native memory.
func (s *Stabiliser) Close() error {
	return errors.Join(s.small.Close(), s.before.Close(), s.first.small.Close(), s.newest.small.Close())
}

// Next takes the next picture, gray, 8 bits. The first gives the identity. It
// fails only on a picture of the wrong type or size.
func (s *Stabiliser) Next(gray gocv.Mat) (Shift, error) {
	if gray.Type() != gocv.MatTypeCV8UC1 || gray.Empty() {
		return Shift{}, fmt.Errorf("follow the camera: picture of type %v, want 8-bit gray", gray.Type())
	}
	first := s.first.small.Empty()
	if first {
		s.width, s.height = gray.Cols(), gray.Rows()
		s.shrink = max(1, math.Round(float64(s.width)/workWidth))
	} else if gray.Cols() != s.width || gray.Rows() != s.height {
		return Shift{}, fmt.Errorf("follow the camera: picture of %dx%d after %dx%d", gray.Cols(), gray.Rows(), s.width, s.height)
	}
	size := image.Pt(int(float64(s.width)/s.shrink), int(float64(s.height)/s.shrink))
	gocv.Resize(gray, &s.small, size, 0, 0, gocv.InterpolationArea)
	if first {
		s.choose(&s.first, identity, 0)
		s.small.CopyTo(&s.before)
		return Shift{Affine: identity.affineAt(s.middle(), floorPx), Points: len(s.first.points)}, nil
	}
	shift := s.register(s.toFirst)
	if shift.Reason != "" {
		// Flow reaches some 30 small px; a jerk between two pictures goes further.
		if g := s.register(s.toFirst.after(s.jump())); g.Reason == "" {
			shift = g
		} else {
			s.lose()
		}
	}
	s.small.CopyTo(&s.before)
	return shift, nil
}

// jump takes full px of the small picture to full px of the one before it, when
// most of it moved as one and sideways.
func (s *Stabiliser) jump() warp {
	now, before, whole := gocv.NewMat(), gocv.NewMat(), gocv.NewMat()
	defer now.Close()
	defer before.Close()
	defer whole.Close()
	s.small.ConvertTo(&now, gocv.MatTypeCV32F)
	s.before.ConvertTo(&before, gocv.MatTypeCV32F)
	d, _ := gocv.PhaseCorrelate(before, now, whole)
	return warp{1, 0, -s.shrink * float64(d.X), 0, 1, -s.shrink * float64(d.Y), 0, 0, 1}
}

// register finds how the small picture lies to the first: by the first itself
// as long as that shows enough of the same, else by the newest reference. guess
// is about how it lies.
func (s *Stabiliser) register(guess warp) Shift {
	here := guess.inverse().apply(s.middle())
	seen, agree := 0, 0
	for _, r := range []*reference{&s.first, &s.newest} {
		pairs := s.track(r, guess)
		now, sigma, n, ok := fit(pairs, minPoints, here, float64(s.width)/2)
		seen, agree = max(seen, len(r.points)), max(agree, n)
		if !ok {
			continue
		}
		s.lost, s.toFirst = 0, r.toFirst.after(now)
		sigma = math.Hypot(math.Hypot(sigma, r.sigma), s.rowSigma(now))
		if float64(n) < renewBelow*float64(len(r.points)) && (r == &s.newest || float64(len(s.track(&s.newest, s.toFirst))) < spareBelow*float64(len(s.newest.points))+minPoints) {
			// Each reference has its own compression error.
			s.choose(&s.newest, s.toFirst, math.Hypot(sigma, floorPx))
		}
		return Shift{Affine: s.toFirst.affineAt(here, math.Hypot(sigma, floorPx)), Points: n}
	}
	reason := "the background does not move as one"
	if seen < minPoints {
		agree, reason = seen, "too little detail outside the hitter to follow the camera by"
	}
	at := s.toFirst.inverse().apply(s.middle())
	return Shift{Affine: s.toFirst.affineAt(at, lostSigmaPx), Points: agree, Reason: reason}
}

// lose counts a picture that could not be followed. A blur passes in a few
// pictures and a reference is found again; beyond patience the camera has gone
// elsewhere, and what it now sees is followed from there, its place as unsure as
// when lost.
func (s *Stabiliser) lose() {
	if s.lost++; s.lost%patience == 0 {
		s.choose(&s.newest, s.toFirst, lostSigmaPx)
	}
}

// rowSigma is the error left by rows taken one after another, px. The fit holds
// that a picture leans evenly, as under a steady speed; a shake changes its
// speed while the rows are read. At 5 Hz and 25 ms that bends the rows by 5 * 2
// pi * 0.025 / 4 = a fifth of what the lean moves the outer ones, a quarter turn
// out of step with it: the lean is taken as its root mean square so far.
func (s *Stabiliser) rowSigma(now warp) float64 {
	half := float64(s.height) / 2
	lean := math.Hypot(now[1]+now[3], now[4]-now[0]) * half
	s.leanSum += lean * lean
	s.pictures++
	return 0.2 * math.Sqrt(s.leanSum/float64(s.pictures))
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

// choose makes the current small picture a reference and picks its points.
func (s *Stabiliser) choose(r *reference, toFirst warp, sigma float64) {
	s.small.CopyTo(&r.small)
	r.toFirst, r.sigma = toFirst, sigma
	corners := gocv.NewMat()
	defer corners.Close()
	gocv.GoodFeaturesToTrack(r.small, &corners, 5*maxPoints, 0.005, 6)
	r.points = r.points[:0]
	var cells [6][8]int
	w, h := float64(r.small.Cols()), float64(r.small.Rows())
	for i := range corners.Rows() {
		v := corners.GetVecfAt(i, 0)
		p := [2]float64{float64(v[0]), float64(v[1])}
		at := toFirst.apply(s.full(p))
		if b := s.hitter; at[0] >= b.X0 && at[0] <= b.X1 && at[1] >= b.Y0 && at[1] <= b.Y1 {
			continue
		}
		cell := &cells[min(int(6*p[1]/h), 5)][min(int(8*p[0]/w), 7)]
		if *cell++; *cell <= perCell && len(r.points) < maxPoints {
			r.points = append(r.points, p)
		}
	}
}

// track finds a reference's points in the current small picture, starting from
// where guess has them, and returns those found, in full px.
func (s *Stabiliser) track(r *reference, guess warp) []pair {
	var points, guesses [][2]float64
	back := guess.inverse().after(r.toFirst)
	for _, p := range r.points {
		if q := s.shrunk(back.apply(s.full(p))); s.inside(q) {
			points, guesses = append(points, p), append(guesses, q)
		}
	}
	if len(points) < minPoints {
		return nil
	}
	from := gocv.NewMatWithSize(len(points), 1, gocv.MatTypeCV32FC2)
	to := gocv.NewMatWithSize(len(points), 1, gocv.MatTypeCV32FC2)
	status, residual := gocv.NewMat(), gocv.NewMat()
	defer func() {
		for _, m := range []gocv.Mat{from, to, status, residual} {
			m.Close()
		}
	}()
	for i, p := range points {
		for k := range 2 {
			from.SetFloatAt(i, k, float32(p[k]))
			to.SetFloatAt(i, k, float32(guesses[i][k]))
		}
	}
	gocv.CalcOpticalFlowPyrLKWithParams(r.small, s.small, from, to, &status, &residual,
		image.Pt(15, 15), 2, s.stop, flowInitial, 1e-3)
	var out []pair
	for i, p := range points {
		if status.GetUCharAt(i, 0) == 0 {
			continue
		}
		v := to.GetVecfAt(i, 0)
		q := [2]float64{float64(v[0]), float64(v[1])}
		if !s.inside(q) {
			continue
		}
		out = append(out, pair{now: s.full(q), then: s.full(p)})
	}
	return out
}

// inside is whether a point of the small picture is wholly seen: points leaving
// the picture pile up at its edge, and agree there.
func (s *Stabiliser) inside(p [2]float64) bool {
	return p[0] >= edgePx && p[1] >= edgePx && p[0] <= float64(s.small.Cols()-1-edgePx) && p[1] <= float64(s.small.Rows()-1-edgePx)
}

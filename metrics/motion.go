package metrics

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"nightcage/vision"
)

// point is something followed through the swing: a body landmark, or one of
// those below.
type point int

const (
	pointHead point = point(vision.NumLandmarks) + iota
	pointKnob
	pointTip
	// The solver's own velocities of knob and tip, inches per second. Their
	// errors are one smooth path's: the same throughout a draw, not scattered
	// from frame to frame.
	pointKnobV
	pointTipV
	numPoints int = iota + vision.NumLandmarks
)

func (p point) velocity() bool { return p == pointKnobV || p == pointTipV }

func (p point) bat() bool { return p >= pointKnob }

func (p point) String() string {
	switch p {
	case pointHead:
		return "head"
	case pointKnob:
		return "knob"
	case pointTip:
		return "tip"
	case pointKnobV:
		return "knob velocity"
	case pointTipV:
		return "tip velocity"
	}
	return vision.Landmark(p).String()
}

// sample is a point in one frame: swing frame, inches, with standard errors
// along the axes.
type sample struct {
	at, sigma r3.Vec
	seen      bool // in this frame's picture, not filled in from others
	ok        bool
}

// otherReading is what a bent arm's other reading moves a point by in one frame,
// inches, and the chance that it is the true one.
type otherReading struct {
	by     r3.Vec
	chance float64
}

// motion is a Track as the formulas read it: points in inches over time.
type motion struct {
	times  []float64 // ms, ascending; frames that hold new information only
	index  []int     // their indices into Clip.Times
	points [numPoints][]sample
	others [numPoints][]otherReading // nil for points that can be read in one way only
	lines  [numLines][]lineSample    // nil where the ends' errors are their own
	batIn  float64                   // length of the bat, inches; 0 unknown

	solved   bool
	lasting  float64 // share of a point's variance that keeps over lastingMs and does not average out
	toCamera r3.Vec  // horizontal unit vector from the hitter to the camera
	camera   r3.Vec  // its place when solved
	flat     planar  // when not solved
}

// sigmaFloorIn keeps a claim of perfect knowledge from becoming an infinite
// weight.
const sigmaFloorIn = 0.001

func fromVision(v vision.Vec3) r3.Vec { return r3.Vec{X: v.X, Y: v.Y, Z: v.Z} }

// newMotion prepares a track. It returns nil and the reason when the track has
// neither a solution nor a side view with a scale.
func newMotion(t *vision.Track) (*motion, *missing) {
	m := &motion{}
	var use []int // positions in t.Frames
	for i, f := range t.Frames {
		if f.Index >= 0 && f.Index < len(t.Clip.Times) && (t.Clip.Times[f.Index].Lost || t.Clip.Times[f.Index].Repeat) {
			continue
		}
		if n := len(m.times); n > 0 && !(f.Ms > m.times[n-1]) {
			continue
		}
		use = append(use, i)
		m.times = append(m.times, f.Ms)
		m.index = append(m.index, f.Index)
	}
	if len(use) < 2 {
		return nil, &missing{ReasonLandmark, "fewer than two usable frames"}
	}
	for p := range m.points {
		m.points[p] = make([]sample, len(use))
	}
	yaw := t.Sighting.YawDeg * math.Pi / 180
	m.toCamera = r3.Vec{X: math.Sin(yaw), Z: math.Cos(yaw)}
	m.batIn = t.Subject.BatIn
	if t.Solution != nil && len(t.Solution.Frames) == len(t.Frames) {
		m.solved = true
		m.fillSolved(t, use)
		return m, nil
	}
	if why := planarLimit(t); why != nil {
		return nil, why
	}
	m.flat.yaw, m.flat.yawSigma = yaw, t.Sighting.SigmaDeg*math.Pi/180
	m.fillPlanar(t, use)
	return m, nil
}

func (m *motion) fillSolved(t *vision.Track, use []int) {
	m.camera = fromVision(t.Solution.Camera.Centre)
	if c := m.camera; math.Hypot(c.X, c.Z) > 1 {
		m.toCamera = r3.Unit(r3.Vec{X: c.X, Z: c.Z})
	}
	put := func(p point, i int, q vision.Point3, mark vision.Mark) {
		m.points[p][i] = sample{ok: q.Valid && finite(q.X, q.Y, q.Z, q.SX, q.SY, q.SZ), at: fromVision(q.Vec3),
			sigma: r3.Vec{X: max(q.SX, sigmaFloorIn), Y: max(q.SY, sigmaFloorIn), Z: max(q.SZ, sigmaFloorIn)},
			seen:  inPicture(mark)}
	}
	var lengths []float64
	m.putLines(t, use)
	for i, j := range use {
		f, q := &t.Frames[j], &t.Solution.Frames[j]
		for l, b := range q.Body {
			if l < vision.NumLandmarks {
				put(point(l), i, b, bodyMark(f, l))
			}
		}
		m.putOthers(i, len(use), q.Other)
		put(pointHead, i, q.Head, f.Head)
		put(pointKnob, i, q.Knob, f.Knob)
		put(pointTip, i, q.Tip, f.Tip)
		put(pointKnobV, i, q.KnobVelocity, f.Knob)
		put(pointTipV, i, q.TipVelocity, f.Tip)
		if m.points[pointKnob][i].ok && m.points[pointTip][i].ok {
			lengths = append(lengths, r3.Norm(r3.Sub(m.points[pointTip][i].at, m.points[pointKnob][i].at)))
		}
	}
	if slices.ContainsFunc(m.points[pointTipV], func(s sample) bool { return s.ok }) {
		m.lasting = 1 // places on a fitted path
	}
	m.headFromFace()
	if m.batIn == 0 && len(lengths) > 0 {
		slices.Sort(lengths)
		m.batIn = lengths[len(lengths)/2]
	}
}

// spacing is how far apart frames are about an instant: the median of the five gaps
// nearest to it, since not every picture far from the swing need have been looked at.
// 0 with fewer than two frames.
func spacing(times []float64, at float64) float64 {
	i, _ := slices.BinarySearch(times, at)
	from := max(0, min(i-3, len(times)-6))
	var gaps []float64
	for j := from + 1; j < len(times) && j <= from+5; j++ {
		gaps = append(gaps, times[j]-times[j-1])
	}
	if len(gaps) == 0 {
		return 0
	}
	slices.Sort(gaps)
	return gaps[len(gaps)/2]
}

// putOthers keeps the other readings of the i-th of n frames. Their standard
// errors are taken to be those of the reading that was chosen.
func (m *motion) putOthers(i, n int, others []vision.OtherPlace) {
	for _, o := range others {
		p := point(o.Landmark)
		if int(p) >= vision.NumLandmarks || !m.points[p][i].ok || !o.Place.Valid || !finite(o.Place.X, o.Place.Y, o.Place.Z, o.Weight) {
			continue
		}
		if m.others[p] == nil {
			m.others[p] = make([]otherReading, n)
		}
		m.others[p][i] = otherReading{r3.Sub(fromVision(o.Place.Vec3), m.points[p][i].at), o.Weight}
	}
}

// headFromFace stands the middle of the ears, else of the eyes, else the nose,
// in for a head centre that no frame has.
func (m *motion) headFromFace() {
	if slices.ContainsFunc(m.points[pointHead], func(s sample) bool { return s.ok }) {
		return
	}
	for i := range m.times {
		for _, pair := range [][2]vision.Landmark{{vision.LeftEar, vision.RightEar}, {vision.LeftEye, vision.RightEye}, {vision.Nose, vision.Nose}} {
			a, b := m.points[pair[0]][i], m.points[pair[1]][i]
			if a.ok && b.ok {
				m.points[pointHead][i] = sample{ok: true, seen: a.seen || b.seen,
					at: r3.Scale(.5, r3.Add(a.at, b.at)), sigma: r3.Scale(.5, r3.Add(a.sigma, b.sigma))}
				break
			}
		}
	}
}

func bodyMark(f *vision.Frame, l int) vision.Mark {
	if l >= len(f.Body) {
		return vision.Mark{}
	}
	return f.Body[l]
}

// inPicture reports whether a mark rests on its own frame's picture.
func inPicture(m vision.Mark) bool {
	return m.How == vision.HowNetwork || m.How == vision.HowEdges || m.How == vision.HowHand || m.How == vision.HowFlow
}

func finite(xs ...float64) bool {
	for _, x := range xs {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return false
		}
	}
	return true
}

package phases

import (
	"errors"
	"fmt"
	"math"
	"sort"

	"nightcage/vision"
)

// ErrTrack is wrapped by Find when a Track contradicts itself.
var ErrTrack = errors.New("track is not consistent")

// reading is a Track made ready for timing: frames that carry news, on one
// time axis, with image points led back to the first frame's pixels.
type reading struct {
	track    *vision.Track
	at       []int     // positions in track.Frames of frames that decoded and are no repeats
	t        []float64 // ms; when !timed a stretched frame count, see pace
	pictures []float64 // of the clip with news, up to each frame
	gaps     []float64 // local spacing of t, see gap
	unit     float64   // px per inch at the body; see unitPx
	timed    bool      // the capture clock is known
	// steadied: the camera's motion was measured in at least one frame.
	steadied bool
	// pitcher is +1 when the pitcher is to the right in the picture, -1 to the
	// left, 0 when the hitter's stride points mainly along the line of sight.
	pitcher float64
}

// statureIn is the standing height, inches, assumed for thresholds when
// neither scale nor height is known: half way between a twelve-year-old and a
// grown man. No result is reported in inches, so it moves only thresholds.
const statureIn = 66

// legShare is hip joint to ankle joint as a share of standing height: thigh
// .245 and shank .246 (Drillis and Contini 1966, as printed in Winter,
// Biomechanics and Motor Control of Human Movement; from memory).
const legShare = 0.491

func newReading(track *vision.Track) (*reading, error) {
	r := &reading{track: track, timed: track.Clip.Clock.Known}
	if len(track.Frames) == 0 {
		return nil, fmt.Errorf("%w: no frames", ErrTrack)
	}
	if s := track.Solution; s != nil && len(s.Frames) != len(track.Frames) {
		return nil, fmt.Errorf("%w: %d solved frames for %d tracked", ErrTrack, len(s.Frames), len(track.Frames))
	}
	last, pictures, next := math.Inf(-1), -1.0, track.Frames[0].Index
	for i := range track.Frames {
		f := &track.Frames[i]
		if n := len(f.Body); n != 0 && n != vision.NumLandmarks {
			return nil, fmt.Errorf("%w: frame %d has %d landmarks, want %d or none", ErrTrack, f.Index, n, vision.NumLandmarks)
		}
		if i > 0 && f.Index <= track.Frames[i-1].Index {
			return nil, fmt.Errorf("%w: frame %d follows frame %d", ErrTrack, f.Index, track.Frames[i-1].Index)
		}
		if math.IsNaN(f.Ms) || math.IsInf(f.Ms, 0) {
			return nil, fmt.Errorf("%w: frame %d has time %v", ErrTrack, f.Index, f.Ms)
		}
		for ; next <= f.Index; next++ {
			if news(track.Clip, next) {
				pictures++
			}
		}
		if !news(track.Clip, f.Index) {
			continue
		}
		if r.timed && f.Ms <= last {
			return nil, fmt.Errorf("%w: frame %d at %g ms does not follow %g ms", ErrTrack, f.Index, f.Ms, last)
		}
		last = f.Ms
		r.steadied = r.steadied || f.Shift != vision.Affine{}
		r.at = append(r.at, i)
		r.t, r.pictures = append(r.t, f.Ms), append(r.pictures, pictures)
	}
	if len(r.at) < minFrames {
		return r, nil
	}
	if !r.timed {
		// Repeats are gone, so the clip's pictures that are left are taken as evenly
		// spaced, unless the clip was put at a pace of its own; pace stretches them
		// later.
		if !paced(track.Clip) {
			copy(r.t, r.pictures)
		}
	}
	r.measureSpacing()
	r.unit = r.unitPx()
	r.pitcher = r.pitcherSide()
	return r, nil
}

// paced reports whether a clip without a clock has guesses at capture times by
// which some of its frames go at another pace than others.
func paced(c vision.Clip) bool {
	if len(c.Times) == 0 {
		return false
	}
	last := c.Times[len(c.Times)-1]
	for _, t := range c.Times {
		// Off a common rate by a hundredth of the whole.
		if math.Abs(t.Ms*last.PTSMs-t.PTSMs*last.Ms) > 0.01*last.Ms*last.PTSMs {
			return true
		}
	}
	return false
}

// minFrames is the fewest frames with news in which anything is looked for: a
// swing from launch to contact is 9 frames long at 60 frames per second.
const minFrames = 12

// news reports whether the picture of an index decoded and is no repeat.
func news(c vision.Clip, index int) bool {
	return index < 0 || index >= len(c.Times) || !c.Times[index].Lost && !c.Times[index].Repeat
}

// measureSpacing finds the spacing of frames about each of them: the median of
// the five gaps nearest to it. Far from the swing not every picture need have been
// looked at.
func (r *reading) measureSpacing() {
	d := make([]float64, len(r.t)-1)
	for i := range d {
		d[i] = r.t[i+1] - r.t[i]
	}
	r.gaps = make([]float64, len(r.t))
	for i := range r.gaps {
		from := max(0, min(i-2, len(d)-5))
		r.gaps[i] = median(d[from:min(from+5, len(d))])
	}
}

// gap is the spacing of frames about an instant.
func (r *reading) gap(t float64) float64 {
	return r.gaps[min(sort.SearchFloat64s(r.t, t), len(r.gaps)-1)]
}

// window is the half width of a window about an instant.
type window func(t float64) float64

// wide is ms or, where frames are far apart, as much as holds five of them.
func (r *reading) wide(ms float64) window {
	return func(t float64) float64 { return math.Max(ms, 2.5*r.gap(t)) }
}

// unitPx is the scale at the body, else the scale that makes the legs those of
// a hitter of the told height, else of statureIn; 0 when no leg was seen.
func (r *reading) unitPx() float64 {
	if s := r.track.Scale.PxPerIn; s > 0 {
		return s
	}
	var legs []float64
	for _, side := range []vision.Landmark{0, 1} {
		for _, i := range r.at {
			b := r.track.Frames[i].Body
			if len(b) == 0 {
				continue
			}
			h, k, a := b[vision.LeftHip+side], b[vision.LeftKnee+side], b[vision.LeftAnkle+side]
			if h.Found() && k.Found() && a.Found() {
				legs = append(legs, math.Hypot(h.X-k.X, h.Y-k.Y)+math.Hypot(k.X-a.X, k.Y-a.Y))
			}
		}
	}
	if len(legs) == 0 {
		return 0
	}
	height := r.track.Subject.HeightIn
	if height <= 0 {
		height = statureIn
	}
	// A leg never looks longer than it is; the upper decile is it at full length.
	return quantile(legs, 0.9) / (legShare * height)
}

// pitcherSide tells from where the lead ankle lies of the rear one.
func (r *reading) pitcherSide() float64 {
	var dx []float64
	h := r.track.Hand
	if h.Bats != vision.SideLeft && h.Bats != vision.SideRight {
		return 0
	}
	for _, i := range r.at {
		b := r.track.Frames[i].Body
		if len(b) == 0 {
			continue
		}
		l, e := b[h.Lead(vision.LeftAnkle)], b[h.Rear(vision.LeftAnkle)]
		if l.Found() && e.Found() {
			dx = append(dx, l.X-e.X)
		}
	}
	m := median(dx)
	// Ankles stand some 20-40 in apart: under 8 in seen, the stance points
	// more than about 70 degrees out of the picture.
	if !(math.Abs(m) > 8*r.unit) {
		return 0
	}
	return math.Copysign(1, m)
}

// steady takes a mark to the first frame's pixels.
func steady(f *vision.Frame, m vision.Mark) (x, y float64) {
	return f.Shift.Apply(m.X, m.Y)
}

// trace is a point of the picture over time, inches at the body, steadied;
// x grows to the right, y grows UP.
type trace struct{ x, y series }

// trace collects a mark from every frame that shows it, outliers out and
// standard errors scaled to the scatter seen.
func (r *reading) trace(pick func(*vision.Frame) vision.Mark) trace {
	p := r.marks(pick)
	return trace{p.x.calibrate(r.pixelFloor()), p.y.calibrate(r.pixelFloor())}
}

// marks collects a mark from every frame that shows it, as stated.
func (r *reading) marks(pick func(*vision.Frame) vision.Mark) trace {
	var p trace
	for k, i := range r.at {
		f := &r.track.Frames[i]
		m := pick(f)
		if !m.Found() || !(m.SigmaPx > 0) || !finite(m.X+m.Y+m.SigmaPx) {
			continue
		}
		x, y := steady(f, m)
		sd := m.SigmaPx / r.unit
		p.x.t, p.x.x, p.x.sd = append(p.x.t, r.t[k]), append(p.x.x, x/r.unit), append(p.x.sd, sd)
		p.y.t, p.y.x, p.y.sd = append(p.y.t, r.t[k]), append(p.y.x, -y/r.unit), append(p.y.sd, sd)
	}
	return p
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

// pixelFloor is 0.05 px in inches: no tracker places a person's joint better.
func (r *reading) pixelFloor() float64 { return 0.05 / r.unit }

func (r *reading) body(l vision.Landmark) trace {
	return r.trace(func(f *vision.Frame) vision.Mark {
		if len(f.Body) == 0 {
			return vision.Mark{}
		}
		return f.Body[l]
	})
}

// between returns the point a share of the way from p to q, where both are seen.
func between(p, q trace, share float64) trace {
	return trace{p.x.scaled(1-share).plus(q.x, share), p.y.scaled(1-share).plus(q.y, share)}
}

func (p trace) minus(q trace) trace { return trace{p.x.minus(q.x), p.y.minus(q.y)} }

// space is a point in three dimensions over time, swing frame, inches.
type space struct{ x, y, z series }

func (r *reading) space(pick func(*vision.Pose3) vision.Point3) space {
	var p space
	s := r.track.Solution
	if s == nil {
		return p
	}
	put := func(to *series, t, x, sd float64) {
		to.t, to.x, to.sd = append(to.t, t), append(to.x, x), append(to.sd, sd)
	}
	const floorIn = 0.01 // below any joint that was measured from a picture
	for k, i := range r.at {
		q := pick(&s.Frames[i])
		if !q.Valid || !finite(q.X+q.Y+q.Z) {
			continue
		}
		put(&p.x, r.t[k], q.X, max(q.SX, floorIn))
		put(&p.y, r.t[k], q.Y, max(q.SY, floorIn))
		put(&p.z, r.t[k], q.Z, max(q.SZ, floorIn))
	}
	return space{p.x.calibrate(floorIn), p.y.calibrate(floorIn), p.z.calibrate(floorIn)}
}

func (r *reading) body3(l vision.Landmark) space {
	return r.space(func(p *vision.Pose3) vision.Point3 {
		if len(p.Body) == 0 {
			return vision.Point3{}
		}
		return p.Body[l]
	})
}

func (p space) minus(q space) space { return space{p.x.minus(q.x), p.y.minus(q.y), p.z.minus(q.z)} }

// frameAt is the fractional index into Clip.Times at time t of r's axis, and
// the length of one frame there, ms.
func (r *reading) frameAt(t float64) (index, spacing float64) {
	n := len(r.t)
	i := 1
	for i < n-1 && r.t[i] < t {
		i++
	}
	spacing = r.t[i] - r.t[i-1]
	a, b := float64(r.track.Frames[r.at[i-1]].Index), float64(r.track.Frames[r.at[i]].Index)
	return a + (b-a)*(t-r.t[i-1])/spacing, spacing / (b - a)
}

// msAt is Frame.Ms interpolated at time t of r's axis.
func (r *reading) msAt(t float64) float64 {
	if r.timed {
		return t
	}
	n := len(r.t)
	i := 1
	for i < n-1 && r.t[i] < t {
		i++
	}
	a, b := r.track.Frames[r.at[i-1]].Ms, r.track.Frames[r.at[i]].Ms
	return a + (b-a)*(t-r.t[i-1])/(r.t[i]-r.t[i-1])
}

// timeAt is the time on r's axis of a capture time, and how much of the axis
// one ms takes there; the first and last frames' pace holds outside.
func (r *reading) timeAt(ms float64) (t, perMs float64) {
	if r.timed {
		return ms, 1
	}
	n := len(r.t)
	i := 1
	for i < n-1 && r.track.Frames[r.at[i]].Ms < ms {
		i++
	}
	a, b := r.track.Frames[r.at[i-1]].Ms, r.track.Frames[r.at[i]].Ms
	if !(b > a) {
		return r.t[i], 0
	}
	perMs = (r.t[i] - r.t[i-1]) / (b - a)
	return r.t[i-1] + perMs*(ms-a), perMs
}

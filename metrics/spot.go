package metrics

import (
	"math"
	"slices"
	"sync"

	"gonum.org/v1/gonum/spatial/r3"

	"nightcage/vision"
)

// spotKey names one fitted line: the k-th knot from an anchor event.
type spotKey struct {
	knot   int32
	point  int8
	anchor int8
	order  int8 // derivative that the window was chosen for
	before bool
}

// spot is a point's three coordinates around an instant.
type spot struct {
	axis        [3]line
	even        bool // the axes share their weights
	seen        int  // frames of the window in which the point itself was seen
	first, last int  // frames of the window
	why         *missing
}

// heldSpot is a spot with its latest reading: many measures read the same point at
// the same instant of a draw.
type heldSpot struct {
	*spot
	last recall
}

type recall struct {
	draw     uint64 // 0: none
	ms       float64
	pos, vel r3.Vec
	other    bool // an arm was read the other way
}

// batSpot is the direction of the bat around an instant, as two coordinates in
// the plane touching the unit sphere at u0 (the logarithm map: great circles
// through u0 become straight lines, so a steady turn is a straight line in
// time).
type batSpot struct {
	u0, e1, e2  r3.Vec
	line        [2]line
	arm         [2][]r3.Vec // per frame of the window: what a shift of the tip against the knob adds
	seen        int
	first, last int
	why         *missing
}

// heldBat is a batSpot with its latest reading.
type heldBat struct {
	*batSpot
	draw uint64 // 0: none
	ms   float64
	pose batPose
}

// fits are the lines fitted so far, for all goroutines that draw.
type fits struct {
	mu    sync.Mutex
	spots map[spotKey]*spot
	bats  map[spotKey]*batSpot
}

func newFits() *fits {
	return &fits{spots: map[spotKey]*spot{}, bats: map[spotKey]*batSpot{}}
}

// fitted is what is kept under a key, or what fit makes. Two that ask at once fit
// the same twice.
func fitted[T any](mu *sync.Mutex, kept map[spotKey]*T, key spotKey, fit func() *T) *T {
	mu.Lock()
	v, ok := kept[key]
	mu.Unlock()
	if ok {
		return v
	}
	v = fit()
	mu.Lock()
	kept[key] = v
	mu.Unlock()
	return v
}

// jolted reports whether the ball's blow reaches a point within a frame: its
// path has a corner at contact.
func jolted(p point) bool {
	switch leftOf(p) {
	case vision.LeftWrist, vision.LeftHand:
		return true
	}
	return p.bat()
}

// knotMs is the spacing of fitted lines: a reading moves at most 2 ms from where
// its window was chosen, less than a tenth of keepMs.
const knotMs = 4

func (r *reading) key(p point, at moment, order int) (spotKey, float64) {
	anchor := r.events[at.anchor].Ms
	k := int(math.Round((at.ms - anchor) / knotMs))
	return spotKey{int32(k), int8(p), int8(at.anchor), int8(order), at.before}, anchor + float64(k)*knotMs
}

func (r *reading) spot(p point, at moment, order int) *heldSpot {
	key, t0 := r.key(p, at, order)
	if sp, ok := r.spots[key]; ok {
		return sp
	}
	sp := &heldSpot{spot: fitted(&r.fits.mu, r.fits.spots, key, func() *spot { return r.fitSpot(p, t0, order, at.before) })}
	r.spots[key] = sp
	return sp
}

// near lists the frames around t0 for which ok holds, nearest first, within
// windowMs (further only to make up three), on one side of the corner for jolted
// points.
func (r *reading) near(t0 float64, jolted, before bool, ok func(i int) bool) []int {
	times := r.m.times
	hi, _ := slices.BinarySearch(times, t0)
	lo := hi - 1
	out := make([]int, 0, maxPoints)
	for (lo >= 0 || hi < len(times)) && len(out) < maxPoints {
		i := hi
		if hi >= len(times) || lo >= 0 && t0-times[lo] <= times[hi]-t0 {
			i = lo
			lo--
		} else {
			hi++
		}
		if gap := math.Abs(times[i] - t0); gap > windowMs && len(out) >= 3 || gap > 2*windowMs {
			break
		}
		if jolted && (before && times[i] > r.corner || !before && times[i] < r.corner) {
			continue
		}
		if ok(i) {
			out = append(out, i)
		}
	}
	return out
}

// reachMs is how far the nearest frame with the point may be from the instant:
// a frame and a half, or 20 ms where slow cameras are not the cause.
func (r *reading) reachMs(t0 float64) float64 { return max(1.5*spacing(r.m.times, t0), 20) }

func (r *reading) fitSpot(p point, t0 float64, order int, before bool) *spot {
	samples := r.m.points[p]
	frames := r.near(t0, jolted(p), before, func(i int) bool { return samples[i].ok })
	if len(frames) < order+2 || math.Abs(r.m.times[frames[0]]-t0) > r.reachMs(t0) {
		reason := ReasonLandmark
		if p.bat() {
			reason = ReasonBat
		}
		return &spot{why: &missing{reason, p.String()}}
	}
	lo, hi := samples[frames[0]].at, samples[frames[0]].at
	for _, i := range frames {
		v := samples[i].at
		lo = r3.Vec{X: min(lo.X, v.X), Y: min(lo.Y, v.Y), Z: min(lo.Z, v.Z)}
		hi = r3.Vec{X: max(hi.X, v.X), Y: max(hi.Y, v.Y), Z: max(hi.Z, v.Z)}
	}
	var taus, sigmas [maxPoints]float64
	tau, sigma := taus[:len(frames)], sigmas[:len(frames)]
	for j, i := range frames {
		tau[j] = (r.m.times[i] - t0) / unitMs
		sigma[j] = r.m.jitterSigma(p, r3.Norm(samples[i].sigma)/math.Sqrt(3))
	}
	span := r.spanMs(frames)
	n, degree := window(tau, sigma, order, pace{r3.Norm(r3.Sub(hi, lo)) / span / math.Sqrt(3), keepMs})
	sp := &spot{}
	var y [maxPoints]float64
	tau, sigma = tau[:n], sigma[:n]
	var same *weights
	sp.even = true
	for a := range sp.axis {
		if a > 0 {
			same = sp.axis[a-1].weights
		}
		for j, i := range frames[:n] {
			y[j] = axisOf(samples[i].at, a)
			if s := r.m.jitterSigma(p, axisOf(samples[i].sigma, a)); s != sigma[j] || a == 0 {
				sigma[j], same = s, nil
			}
		}
		if same == nil {
			same = weigh(degree, tau, sigma)
			sp.even = a == 0
		}
		sp.axis[a] = same.line(t0, tau, y[:n], sigma, pace{axisOf(r3.Sub(hi, lo), a) / span, keepMs})
		sp.axis[a].frames = frames[:n]
	}
	sp.first, sp.last = slices.Min(frames[:n]), slices.Max(frames[:n])
	for _, i := range frames[:n] {
		if samples[i].seen {
			sp.seen++
		}
	}
	return sp
}

// keepMs is how long a motion keeps its speed. In published swings the hips'
// speed rises for about 100 ms, from foot down to a peak 75 ms before contact,
// the shoulders' peaks 10 ms later and the bat's 15 ms before contact (Welch et
// al. 1995, J Orthop Sports Phys Ther 22(5):193-201, times from memory). A sine
// that rises for 100 ms changes by its own size in 64 ms; half of that stands
// for the sharper peaks, landing feet and whipping wrists of single swings.
const keepMs = 30.0

// Windows weigh curvature against what jitters: what lasts does not average out
// over them. On a path, where nothing jitters, these stand in, so that windows
// stay narrow: a tenth of an inch, and for velocities 1 in/s, a thousandth of a
// bat's speed.
const (
	pathSigmaIn    = .1
	pathSigmaInPer = 1
)

// jitterSigma is the part of a point's standard error along an axis that
// jitters from frame to frame.
func (m *motion) jitterSigma(p point, sigma float64) float64 {
	floor := sigmaFloorIn
	if m.lasting > 0 {
		floor = pathSigmaIn
	}
	if p.velocity() {
		return pathSigmaInPer
	}
	return max(sigma*math.Sqrt(1-m.lasting), floor)
}

func (r *reading) spanMs(frames []int) float64 {
	first, last := slices.Min(frames), slices.Max(frames)
	return r.m.times[last] - r.m.times[first]
}

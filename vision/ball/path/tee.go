package path

import (
	"math"

	"nightcage/vision"
)

const (
	stillLeft = 0.35 // of Spot.Left: below, the ball is there
	goneLeft  = 0.65 // above, it is gone

	// A ball on a tee lies still for so long at least before it is hit, and
	// stays away for so long.
	stillMs, awayMs = 150.0, 60.0
	// The bat hides the ball for a while before or after it is hit.
	hideMs = 60.0

	// of the time
	thereShare, clearShare = 0.9, 0.8

	teeLog = 8 // log odds of a spot that goes for good just when the bat comes by
)

// rest is a spot that left when the bat came.
type rest struct {
	Spot
	last  int     // last frame in which it was there
	ms    float64 // when it left
	sigma float64
	score float64
}

// rests returns the spots that were there until the bat came and never again.
func (f *field) rests(seen Seen) []*rest {
	var out []*rest
	for _, s := range seen.Spots {
		if r, ok := f.rest(seen, s); ok {
			out = append(out, r)
		}
	}
	return out
}

func (f *field) rest(seen Seen, s Spot) (*rest, bool) {
	if f.badSize(s.RadiusPx) {
		return nil, false
	}
	last, gone := -1, -1
	for k, v := range s.Left {
		switch {
		case math.IsNaN(v):
		case v < stillLeft:
			last, gone = k, -1
		case v > goneLeft && gone < 0:
			gone = k
		}
	}
	if last < 0 || gone < 0 || f.frames[last].Ms-f.frames[0].Ms < stillMs || f.frames[len(f.frames)-1].Ms-f.frames[gone].Ms < awayMs {
		return nil, false
	}
	// Until it went it was there nearly all the time: a hand or a shoe rests
	// too, but comes and goes.
	looked := f.share(0, last+1, func(k int) bool { return !math.IsNaN(s.Left[k]) })
	if f.share(0, last+1, func(k int) bool { return s.Left[k] < stillLeft }) < thereShare*looked {
		return nil, false
	}
	// It lies clear of hitter and bat, before and after: what leaves with a body
	// or is covered by one is no ball.
	p := point{s.X, s.Y}
	b := Blob{X: s.X, Y: s.Y}
	for _, span := range [][2]int{{0, last}, {gone, len(f.frames)}} {
		if f.share(span[0], span[1], func(k int) bool { return f.worth(k, &b) == 0 }) < clearShare {
			return nil, false
		}
	}
	// The bat comes within touch of it around then; that moment is when it left.
	from, to := f.frames[last].Ms-hideMs, f.frames[gone].Ms+hideMs
	best, at := math.Inf(1), 0.0
	for ms := from; ms <= to; ms++ {
		if d, ok := f.toBarrel(p, ms); ok && d < best {
			best, at = d, ms
		}
	}
	if best > touchIn+touchSigmaIn {
		return nil, false
	}
	r := &rest{Spot: s, last: last, score: teeLog}
	// It left between the two frames, give or take what the bat hid.
	lo, hi := f.frames[last].Ms, f.frames[gone].Ms
	r.ms = math.Min(math.Max(at, lo), hi)
	r.sigma = (hi - lo) / math.Sqrt(12)
	return r, true
}

// struck: a ball that rested is hit and leaves as b.
func (f *field) struck(r *rest, b *way) (*story, bool) {
	// When is the way out nearest the spot?
	var m meeting
	for range 2 {
		best := math.Inf(1)
		for k := range 401 {
			ms := r.ms - hideMs + 2*hideMs*float64(k)/400
			q, _, _, ok := b.head.at(ms)
			if !ok {
				continue
			}
			if d := q.minus(point{r.X, r.Y}).length(); d < best {
				best = d
				xx, xy, yy := b.head.spread(ms)
				shape := sq(r.SigmaPx) + sq(middleShare*r.RadiusPx)
				v := b.head.velocity(ms)
				u := point{v.x / v.length(), v.y / v.length()}
				along := u.x*u.x*xx + 2*u.x*u.y*xy + u.y*u.y*yy + shape
				across := u.y*u.y*xx - 2*u.x*u.y*xy + u.x*u.x*yy + shape
				m = meeting{ms: ms, sigmaMs: 1000 * math.Sqrt(along) / v.length(), at: point{r.X, r.Y}, chi2: d * d / across, missPx: math.Sqrt(across)}
			}
		}
		if b = f.cut(b, m.ms, math.Inf(1)); b == nil {
			return nil, false
		}
	}
	if m.chi2 > crossChi2 || m.ms < f.frames[0].Ms || math.Abs(m.ms-r.ms) > hideMs+4*r.sigma {
		return nil, false
	}
	odds := math.Log(f.o.Width/2/(m.missPx*math.Sqrt(2*math.Pi))) - m.chi2/2 + f.sizeLog(b.endRadius(true)) + f.swingLog(m.ms)
	return &story{tee: r, out: b, end: vision.BallMet, meeting: m, score: r.score + b.score + odds}, true
}

// gone: a ball that rested is hit and not seen again.
func (f *field) gone(r *rest) *story {
	return &story{tee: r, end: vision.BallMet, score: r.score,
		meeting: meeting{ms: r.ms, sigmaMs: math.Hypot(r.sigma, goneSigmaMs), at: point{r.X, r.Y}}}
}

// goneSigmaMs is how far the time at which a spot is seen to be gone may be off
// because the bat hid it.
const goneSigmaMs = 5.0

// markTee places a resting ball in the frames before it left.
func (f *field) markTee(r *rest, until float64, marks []vision.Mark) {
	for k := range f.frames {
		left := r.Left[k]
		if f.frames[k].Ms > until {
			return
		}
		p := unsteady(f.frames[k].Shift, point{r.X, r.Y})
		m := vision.Mark{X: p.x, Y: p.y, SigmaPx: math.Hypot(r.SigmaPx, f.frames[k].Shift.SigmaPx), Seen: 1, How: vision.HowEdges}
		if !(left < stillLeft) {
			m.Seen, m.How = hidden, vision.HowModel
		}
		marks[k] = m
	}
}

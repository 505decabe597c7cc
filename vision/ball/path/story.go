package path

import (
	"math"

	"nightcage/vision"
)

// toBarrel is the distance from a place to the outer half of the bat, inches.
func (f *field) toBarrel(p point, ms float64) (in float64, ok bool) {
	knob, tip, ok := f.batAt(ms)
	if !ok {
		return 0, false
	}
	return p.toSegment(knob.along(tip.minus(knob), 0.5), tip) / f.o.PxPerIn, true
}

// badSize reports whether a radius is no ball's near the hitter: from a baseball
// of which the shaded half cannot be seen to a softball half as near again to
// the camera.
func (f *field) badSize(px float64) bool {
	across := 2 * px / f.o.PxPerIn
	return across < minBallIn/2 || across > maxBallIn*1.5
}

// sizeLog is the log odds that a radius near the hitter is a ball's
// rather than that of a ball anywhere.
func (f *field) sizeLog(px float64) float64 {
	const sd = 0.3 // of the logarithm: baseball or softball, nearer or farther, partly in shade
	mid := (minBallIn + maxBallIn) / 4 * f.o.PxPerIn
	return math.Max(-3, math.Log(math.Log(mostLookIn/leastLookIn)/(sd*math.Sqrt(2*math.Pi)))-sq(math.Log(px/mid)/sd)/2)
}

// touch is the log odds that a ball at p met the barrel; ok is false when it
// cannot have. Without a bat it says nothing.
func (f *field) touch(p point, ms float64) (odds float64, ok bool) {
	d, known := f.toBarrel(p, ms)
	if !known {
		return 0, true
	}
	if d > farthestIn {
		return 0, false
	}
	over := math.Max(0, d-touchIn) / touchSigmaIn
	// Anywhere within two feet or so of the barrel was as likely before.
	return math.Log(sq(24/(touchIn+touchSigmaIn))) - over*over/2 + f.swingLog(ms), true
}

// turns: a comes in, meets the bat, and leaves as b. Either may have been
// followed a little too far, onto the bat; what lies beyond the meeting is cut
// off and the meeting sought anew.
func (f *field) turns(a, b *way) (*story, bool) {
	var m meeting
	for range 2 {
		from, to := math.Min(a.last, b.first)-reachMs/4, math.Max(a.last, b.first)+reachMs/4
		var ok bool
		m, ok = meet(a.tail, b.head, from, to, middleShare*a.of[len(a.of)-1].RadiusPx)
		if !ok || m.chi2 > crossChi2 {
			return nil, false
		}
		a, b = f.cut(a, math.Inf(-1), m.ms), f.cut(b, m.ms, math.Inf(1))
		if a == nil || b == nil {
			return nil, false
		}
	}
	vi, vo := a.tail.velocity(m.ms), b.head.velocity(m.ms)
	if a.longIn+b.longIn < bothWaysIn || f.slow(vi) || f.slow(vo) || f.badSize(a.endRadius(false)) || f.badSize(b.endRadius(true)) {
		return nil, false
	}
	if math.Min(a.score, b.score) < eachLog {
		return nil, false
	}
	if vo.minus(vi).length() < turnShare*math.Max(vi.length(), vo.length()) {
		return nil, false
	}
	odds, ok := f.touch(m.at, m.ms)
	odds += math.Log(f.o.Width/2/(m.missPx*math.Sqrt(2*math.Pi))) - m.chi2/2 + sameExposure(f.exposure(a), f.exposure(b)) +
		f.sizeLog(a.endRadius(false)) + f.sizeLog(b.endRadius(true))
	return &story{in: a, out: b, end: vision.BallMet, meeting: m, score: a.score + b.score + odds}, ok
}

// slow reports whether an apparent velocity is too little for a ball at the bat.
func (f *field) slow(v point) bool { return v.length() < leastBatInS*f.o.PxPerIn }

// endRadius is the median radius of the first or the last sights of a way, px.
func (w *way) endRadius(first bool) float64 {
	of := w.of
	if n := len(of); n > endSights && first {
		of = of[:endSights]
	} else if n > endSights {
		of = of[n-endSights:]
	}
	px, _ := radius(of)
	return px
}

const endSights = 5

// exposure is how long the frames of a way were exposed, by the length of its
// streaks, ms; 0 where they are too short to say.
func (f *field) exposure(w *way) float64 {
	var ms []float64
	for i, s := range w.of {
		if s.StreakPx < streakRadii*s.RadiusPx {
			continue
		}
		a, b := w.of[max(i-1, 0)], w.of[min(i+1, len(w.of)-1)]
		ms = append(ms, s.StreakPx/b.at().minus(a.at()).length()*f.seconds(a.frame, b.frame)*1000)
	}
	return median(ms)
}

// streakRadii is how long a streak must be to say anything, in radii.
const streakRadii = 1.5

// sameExposure is the log odds that two ways' exposures say they are one ball's:
// a camera keeps its shutter for the few frames around contact.
func sameExposure(a, b float64) float64 {
	if a == 0 || b == 0 {
		return 0
	}
	const sd, over = 0.25, 3.0 // of the logarithm: how well it is read, and chance's range
	return math.Log(over/(sd*math.Sqrt(2*math.Pi))) - sq(math.Log(a/b)/sd)/2
}

// cut is the way without the sights before from and after to; nil when too
// little is left.
func (f *field) cut(w *way, from, to float64) *way {
	if w.first >= from && w.last <= to {
		return w
	}
	var of []*sighting
	for _, s := range w.of {
		if ms := f.frames[s.frame].Ms; ms >= from && ms <= to {
			of = append(of, s)
		}
	}
	if len(of) < 2 {
		return nil
	}
	short, ok := f.way(chain{of: of, score: f.score(of, w.gap), gap: w.gap})
	if !ok {
		return nil
	}
	return short
}

// goesOn: a and b are one flight past the hitter, seen before and after.
func (f *field) goesOn(a, b *way) (*story, bool) {
	vi, vo := a.tail.velocity(a.last), b.head.velocity(b.first)
	if vo.minus(vi).length() > turnShare*math.Max(vi.length(), vo.length()) || !f.past(a.of[0], b.of[len(b.of)-1], vo) {
		return nil, false
	}
	m, ok := meet(a.tail, b.head, a.last, b.first, middleShare*a.of[len(a.of)-1].RadiusPx)
	if !ok || m.chi2 > crossChi2 {
		return nil, false
	}
	return &story{in: a, out: b, end: vision.BallPassed, score: a.score + b.score - m.chi2/2}, true
}

// past reports whether a ball got from one side of the hitter to the other.
func (f *field) past(first, last *sighting, v point) bool {
	h0, ok0 := f.hips(first.frame)
	h1, ok1 := f.hips(last.frame)
	if !ok0 || !ok1 {
		return false
	}
	u := point{v.x / v.length(), v.y / v.length()}
	in := f.o.PxPerIn
	return first.at().minus(h0).dot(u) < -beyondIn*in && last.at().minus(h1).dot(u) > beyondIn*in
}

// comes: a alone, on its way to the hitter.
func (f *field) comes(a *way) (*story, bool) {
	if a.longIn < loneWayIn || f.badSize(a.endRadius(false)) || f.slow(a.tail.velocity(a.last)) {
		return nil, false
	}
	s := &story{in: a, score: a.score - betweenLog}
	if f.past(a.of[0], a.of[len(a.of)-1], a.tail.velocity(a.last)) {
		s.end = vision.BallPassed
		return s, true
	}
	odds, ok := f.nears(a.tail, a.last, a.last+reachMs)
	odds += f.sizeLog(a.endRadius(false))
	s.end, s.score = vision.BallLost, s.score+odds
	return s, ok && f.approaches(a)
}

// leaves: a alone, on its way off the bat.
func (f *field) leaves(a *way) (*story, bool) {
	if a.longIn < loneWayIn || f.badSize(a.endRadius(true)) || f.slow(a.head.velocity(a.first)) {
		return nil, false
	}
	odds, ok := f.nears(a.head, a.first-reachMs, a.first)
	odds += f.sizeLog(a.endRadius(true))
	s := &story{out: a, end: vision.BallMet, score: a.score - betweenLog + odds}
	return s, ok && !f.approaches(a)
}

// nears is the best touch of a flight with the barrel between two times; ok is
// false without a bat.
func (f *field) nears(fl *flight, from, to float64) (odds float64, ok bool) {
	odds = math.Inf(-1)
	for t := from; t <= to; t++ {
		if _, _, known := f.batAt(t); !known {
			continue
		}
		if p, _, _, seen := fl.at(t); seen {
			if o, touches := f.touch(p, t); touches && o > odds {
				odds, ok = o, true
			}
		}
	}
	return odds, ok
}

// approaches reports whether a way ends nearer the hitter's hips than it began.
func (f *field) approaches(w *way) bool {
	a, b := w.of[0], w.of[len(w.of)-1]
	h0, ok0 := f.hips(a.frame)
	h1, ok1 := f.hips(b.frame)
	return ok0 && ok1 && b.at().minus(h1).length() < a.at().minus(h0).length()
}

package path

import (
	"math"

	"nightcage/vision"
)

const (
	mostChains = 16

	// The ball's odds against chance, as logarithms, that make it a ball: chance
	// is at its worst where something the odds know nothing of moves smoothly.
	enoughLog = 18

	fitMs   = 150.0 // a way is read over so long next to the bat
	reachMs = 60.0  // and followed so far beyond its last sight

	// A pitch or a hit ball goes at least so far and so fast in the picture,
	// the first when the other is seen too, farther when not.
	leastWayIn, loneWayIn, leastInS = 6, 15, 60
	// Sights clear of bat and body, both ways together or the only one.
	leastOpen = 4

	// Ball and barrel touch when their middles are both radii apart (1.45 and
	// 1.3 in); the barrel's place in the picture is known to a few inches.
	touchIn, touchSigmaIn, farthestIn = 2.75, 2.5, 9.0

	crossChi2  = 12   // of one degree of freedom
	turnShare  = 0.25 // change of velocity, as a share, that the bat must have made
	beyondIn   = 10   // past the hips: the ball has passed the hitter
	betweenLog = 2    // what a pitch is worth without its way out, less
)

// Result is the ball over the clip.
type Result struct {
	Marks  []vision.Mark // one per frame, px of that frame
	Flight vision.BallFlight
}

// way is a chain with its fits at either end.
type way struct {
	chain
	first, last float64 // ms
	head, tail  *flight // fits told from first and from last
	open        int     // sights clear of bat and body
	longIn      float64 // from first to last, inches
}

// Follow finds the one ball of the swing. frames are the track's, with the
// body and the bat where they were found, one for each sight. A clip without a
// ball is no error: Result.Flight says so and no mark is found.
//
// Errors: ErrNoScale, ErrFrames.
func Follow(seen Seen, frames []vision.Frame, o Options) (Result, error) {
	if err := check(seen, frames, o); err != nil {
		return Result{}, err
	}
	r := Result{Marks: make([]vision.Mark, len(frames)), Flight: vision.BallFlight{Kind: vision.BallNone, Why: "nothing in the picture flew to the hitter or off the bat"}}
	if len(frames) < 3 {
		r.Flight.Why = "the clip is too short"
		return r, nil
	}
	f := newField(seen, frames, o)
	if f.looked == 0 {
		return r, nil
	}
	var ways []*way
	by, gap := f.sightings(seen)
	for _, c := range f.chains(by, gap, mostChains) {
		for _, part := range f.split(c) {
			if _, ok := f.way(part); !ok {
				continue
			}
			if w, ok := f.way(f.regrow(part, by, gap)); ok {
				ways = append(ways, w)
			}
		}
	}
	best := f.choose(ways)
	if best == nil {
		return r, nil
	}
	f.tell(best, &r)
	return r, nil
}

// way fits a chain at both ends; ok is false when it is no ball's way.
func (f *field) way(c chain) (*way, bool) {
	w := &way{chain: c, first: f.frames[c.of[0].frame].Ms, last: f.frames[c.of[len(c.of)-1].frame].Ms}
	for _, s := range c.of {
		if s.worth == 0 {
			w.open++
		}
	}
	w.longIn = c.of[len(c.of)-1].at().minus(c.of[0].at()).length() / f.o.PxPerIn
	if w.longIn < leastWayIn || w.longIn/(w.last-w.first)*1000 < leastInS || w.open == 0 {
		return nil, false
	}
	var ok1, ok2 bool
	w.head, ok1 = f.fit(f.within(c.of, w.first, fitMs), w.first)
	w.tail, ok2 = f.fit(f.within(c.of, w.last, fitMs), w.last)
	return w, ok1 && ok2
}

// within are the sightings no farther than so long from a time.
func (f *field) within(of []*sighting, ms, most float64) []*sighting {
	var out []*sighting
	for _, s := range of {
		if math.Abs(f.frames[s.frame].Ms-ms) <= most {
			out = append(out, s)
		}
	}
	return out
}

// story is one reading of what the ball did.
type story struct {
	in, out *way
	end     vision.BallEnd
	meeting meeting // when end is BallMet and both ways were seen
	score   float64
}

// open is how many sights of the story are clear of bat and body.
func (s *story) open() int {
	n := 0
	for _, w := range []*way{s.in, s.out} {
		if w != nil {
			n += w.open
		}
	}
	return n
}

// choose returns the likeliest story that is likely enough, or nil.
func (f *field) choose(ways []*way) *story {
	var best *story
	try := func(s *story, ok bool) {
		if ok && s.score > enoughLog && s.open() >= leastOpen && (best == nil || s.score > best.score) {
			best = s
		}
	}
	for _, a := range ways {
		try(f.comes(a))
		try(f.leaves(a))
		for _, b := range ways {
			if a == b || b.first < a.first || b.last < a.last || math.Abs(b.first-a.last) > 2*reachMs {
				continue
			}
			try(f.turns(a, b))
			if b.first > a.last {
				try(f.goesOn(a, b))
			}
		}
	}
	return best
}

// toBarrel is the distance from a place to the outer half of the bat, inches.
func (f *field) toBarrel(p point, ms float64) (in float64, ok bool) {
	knob, tip, ok := f.batAt(ms)
	if !ok {
		return 0, false
	}
	return p.toSegment(knob.along(tip.minus(knob), 0.5), tip) / f.o.PxPerIn, true
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
	return math.Log(sq(24/(touchIn+touchSigmaIn))) - over*over/2, true
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
	if vo.minus(vi).length() < turnShare*math.Max(vi.length(), vo.length()) {
		return nil, false
	}
	odds, ok := f.touch(m.at, m.ms)
	return &story{in: a, out: b, end: vision.BallMet, meeting: m, score: a.score + b.score + odds - m.chi2/2}, ok
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
	if a.longIn < loneWayIn {
		return nil, false
	}
	s := &story{in: a, score: a.score - betweenLog}
	if f.past(a.of[0], a.of[len(a.of)-1], a.tail.velocity(a.last)) {
		s.end = vision.BallPassed
		return s, true
	}
	odds, ok := f.nears(a.tail, a.last, a.last+reachMs)
	s.end, s.score = vision.BallLost, s.score+odds
	return s, ok && f.approaches(a)
}

// leaves: a alone, on its way off the bat.
func (f *field) leaves(a *way) (*story, bool) {
	if a.longIn < loneWayIn {
		return nil, false
	}
	odds, ok := f.nears(a.head, a.first-reachMs, a.first)
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

// tell fills the result from a story.
func (f *field) tell(s *story, r *Result) {
	fl := vision.BallFlight{Kind: vision.BallPitched, End: s.end}
	met := s.in != nil && s.out != nil && s.end == vision.BallMet
	if met {
		fl.MeetMs, fl.MeetSigmaMs, fl.MeetX, fl.MeetY = s.meeting.ms, s.meeting.sigmaMs, s.meeting.at.x, s.meeting.at.y
	}
	switch {
	case s.in == nil:
		fl.Kind, fl.Why = vision.BallBatted, "the ball was seen only on its way off the bat"
	case s.end == vision.BallLost:
		fl.Why = "the ball was last seen on its way to the hitter"
	}
	if s.in != nil {
		at := s.in.last
		if met {
			at = fl.MeetMs
		}
		fl.In = f.line(s.in, at, s.in.last)
		until := s.in.last
		if met {
			until = fl.MeetMs
		} else if s.out != nil {
			until = s.out.first
		}
		f.mark(s.in, s.in.first, until, r.Marks)
	}
	if s.out != nil {
		from := s.out.first
		if met {
			from = fl.MeetMs
		}
		fl.Out = f.line(s.out, from, s.out.first)
		f.mark(s.out, from, s.out.last, r.Marks)
	}
	r.Flight = fl
}

// line reads a way at a time near one of its ends.
func (f *field) line(w *way, ms, end float64) *vision.BallLine {
	of := f.within(w.of, end, fitMs)
	fl, ok := f.fit(of, ms)
	if !ok {
		return nil
	}
	p, _, _, _ := fl.at(ms)
	v := fl.velocity(ms)
	radius, spread := radius(of)
	xx, _, yy := fl.spread(ms)
	l := &vision.BallLine{First: f.frames[w.of[0].frame].Index, Last: f.frames[w.of[len(w.of)-1].frame].Index, Seen: len(w.of),
		Ms: ms, X: p.x, Y: p.y, SigmaPx: math.Hypot(math.Sqrt((xx+yy)/2), middleShare*radius),
		AngleDeg: math.Atan2(-v.y, math.Abs(v.x)) * 180 / math.Pi, Right: v.x > 0, SpeedPxS: v.length(),
		NearingPerS: -fl.p[pw], NearingSigmaPerS: math.Sqrt(fl.cov.At(pw, pw)), RadiusPx: radius, RadiusSigmaPx: spread}
	vxx, vxy, vyy := fl.velocitySpread()
	u := point{v.x / v.length(), v.y / v.length()}
	misfit := math.Max(1, fl.chi2)
	l.SpeedSigmaPxS = math.Sqrt(misfit * (u.x*u.x*vxx + 2*u.x*u.y*vxy + u.y*u.y*vyy))
	l.AngleSigmaDeg = math.Sqrt(misfit*(u.y*u.y*vxx-2*u.x*u.y*vxy+u.x*u.x*vyy)) / v.length() * 180 / math.Pi
	return l
}

const (
	smoothMs  = 40.0 // a place is smoothed over so long either way
	hiddenMs  = 45.0 // a ball hidden for longer is not placed
	hidden    = 0.2  // Mark.Seen of a place without a sight
	wildSigma = 4.0  // a sight farther from the smoothed way is no sight of the ball
)

// mark places the ball in the frames from one time to another.
func (f *field) mark(w *way, from, to float64, marks []vision.Mark) {
	seen := map[int]*sighting{}
	for _, s := range w.of {
		seen[s.frame] = s
	}
	for k := range f.frames {
		ms := f.frames[k].Ms
		if ms < from || ms > to {
			continue
		}
		near := f.within(w.of, ms, smoothMs)
		if len(near) < 4 {
			near = f.within(w.of, ms, 2*smoothMs)
		}
		fl, ok := f.fit(near, ms)
		if !ok {
			continue
		}
		at, _, _, _ := fl.at(ms)
		xx, _, yy := fl.spread(ms)
		r, _ := radius(near)
		sigma := math.Hypot(math.Sqrt((xx+yy)/2*math.Max(1, fl.chi2)), middleShare*r)
		m := vision.Mark{SigmaPx: sigma, Seen: hidden, How: vision.HowModel}
		if s := seen[k]; s != nil && s.at().minus(at).length() < wildSigma*math.Hypot(s.sigma(), sigma) {
			m.Seen, m.How = 1, vision.HowEdges
		} else if ms-f.before(w.of, ms) > hiddenMs && f.after(w.of, ms)-ms > hiddenMs {
			continue
		}
		p := unsteady(f.frames[k].Shift, at)
		if p.x < -0.5 || p.y < -0.5 || p.x >= f.o.Width-0.5 || p.y >= f.o.Height-0.5 {
			continue
		}
		m.X, m.Y = p.x, p.y
		marks[k] = m
	}
}

// before and after are the times of the sights next to ms, infinitely far
// without one.
func (f *field) before(of []*sighting, ms float64) float64 {
	at := math.Inf(-1)
	for _, s := range of {
		if t := f.frames[s.frame].Ms; t <= ms {
			at = t
		}
	}
	return at
}

func (f *field) after(of []*sighting, ms float64) float64 {
	for _, s := range of {
		if t := f.frames[s.frame].Ms; t >= ms {
			return t
		}
	}
	return math.Inf(1)
}

// radius is the median radius of sightings and a standard error that holds
// their scatter and what light from one side hides.
func radius(of []*sighting) (px, sigma float64) {
	r := make([]float64, len(of))
	for i, s := range of {
		r[i] = s.RadiusPx
	}
	px = median(r)
	for i := range r {
		r[i] = math.Abs(r[i] - px)
	}
	return px, math.Hypot(1.48*median(r)/math.Sqrt(float64(len(r))), shadeShare*px)
}

// shadeShare of a ball's radius may be lost in shade.
const shadeShare = 0.2

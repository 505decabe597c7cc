package path

import (
	"math"

	"nightcage/vision"
)

const (
	mostChains = 16

	// The ball's odds against chance, as logarithms, that make it a ball: chance
	// is at its worst where something the odds know nothing of moves smoothly.
	// That is less of a danger where a turn at the bat is seen.
	enoughLog, enoughTurnLog = 18, 7
	eachLog                  = -9 // of either way there

	fitMs   = 150.0 // a way is read over so long next to the bat
	reachMs = 60.0  // and followed so far beyond its last sight

	// How far a pitch or a hit ball goes at least in the picture, inches: each
	// when both are seen, both together, and one alone. How fast, inches per
	// second: at its faster end, and at the bat.
	leastWayIn, bothWaysIn, loneWayIn = 6, 20, 24
	leastInS, leastBatInS             = 60, 100
	// A ball seen twice only, in frames no closer than this, may still count.
	sparseMs = 8
	nearIn   = 12
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
	if s := f.read(seen); s != nil {
		f.tell(s, &r)
	}
	return r, nil
}

// read returns what the ball did, nil without a ball.
func (f *field) read(seen Seen) *story {
	if f.looked == 0 {
		return nil
	}
	by, gap := f.sightings(seen)
	var ways []*way
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
	return f.choose(ways, f.rests(seen), by, gap)
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
	if w.longIn < leastWayIn || w.open == 0 {
		return nil, false
	}
	var ok1, ok2 bool
	w.head, ok1 = f.fit(f.within(c.of, w.first, fitMs), w.first)
	w.tail, ok2 = f.fit(f.within(c.of, w.last, fitMs), w.last)
	if !ok1 || !ok2 {
		return nil, false
	}
	// Seen from behind, a pitch far off hardly moves; near the bat it must.
	fastest := math.Max(w.head.velocity(w.first).length(), w.tail.velocity(w.last).length())
	return w, fastest > leastInS*f.o.PxPerIn
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
	tee     *rest // where it rested, instead of in
	in, out *way
	end     vision.BallEnd
	meeting meeting // when end is BallMet and in (or tee) and out were seen
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

// enough reports whether a story is likely enough.
func (s *story) enough() bool {
	if s.tee != nil {
		return s.score > enoughTurnLog
	}
	if s.in != nil && s.out != nil && s.end == vision.BallMet {
		return s.score > enoughTurnLog && s.open() >= leastOpen
	}
	return s.score > enoughLog && s.open() >= leastOpen
}

// choose returns the likeliest story that is likely enough, or nil.
func (f *field) choose(ways []*way, rests []*rest, by [][]*sighting, gap []int) *story {
	var best *story
	try := func(s *story, ok bool) {
		if ok && s.enough() && (best == nil || s.score > best.score) {
			best = s
		}
	}
	for _, r := range rests {
		try(f.gone(r), true)
		for _, b := range ways {
			try(f.struck(r, b))
		}
	}
	for _, a := range ways {
		try(f.comes(a))
		try(f.leaves(a))
		for _, b := range ways {
			f.pair(a, b, try)
		}
	}
	if best != nil && (best.in != nil || best.tee != nil) && best.out != nil {
		return best
	}
	// At 60 frames a second a ball may be seen twice only on either side.
	for _, r := range rests {
		there := func(float64) (point, bool) { return point{r.X, r.Y}, true }
		for _, b := range f.pairs(by, gap, r.ms-hideMs/4, r.ms+reachMs, there) {
			try(f.struck(r, b))
		}
	}
	for _, w := range ways {
		if _, ok := f.nears(w.head, w.first-reachMs, w.first); ok {
			for _, a := range f.pairs(by, gap, w.first-reachMs, w.first, w.head.place) {
				f.pair(a, w, try)
			}
		}
		if _, ok := f.nears(w.tail, w.last, w.last+reachMs); ok {
			for _, b := range f.pairs(by, gap, w.last, w.last+reachMs, w.tail.place) {
				f.pair(w, b, try)
			}
		}
	}
	return best
}

// pair tries two ways as one ball's way in and out.
func (f *field) pair(a, b *way, try func(*story, bool)) {
	if a == b || b.first < a.first || b.last < a.last || math.Abs(b.first-a.last) > 2*reachMs {
		return
	}
	try(f.turns(a, b))
	if b.first > a.last {
		try(f.goesOn(a, b))
	}
}

// pairs are the ways of two sights or a few more, in frames that follow each
// other between two times, that may meet something else that flies or rests.
func (f *field) pairs(by [][]*sighting, gap []int, from, to float64, with func(ms float64) (point, bool)) []*way {
	var out []*way
	for k := 1; k < len(by); k++ {
		if f.seconds(k-1, k) < sparseMs/1000.0 || f.frames[k-1].Ms < from || f.frames[k].Ms > to {
			continue
		}
		for _, b := range by[k] {
			for _, a := range by[k-1] {
				if a.worth < 0 || b.worth < 0 || !f.mayFollow(a, b) || !f.comesNear(a, b, with) {
					continue
				}
				of := []*sighting{a, b}
				if w, ok := f.way(f.regrow(chain{of: of, score: f.score(of, gap), gap: gap}, by, gap)); ok {
					out = append(out, w)
				}
			}
		}
	}
	return out
}

// comesNear reports whether the line through two sights comes within a foot of
// something else at any time within reach.
func (f *field) comesNear(a, b *sighting, with func(ms float64) (point, bool)) bool {
	t0, t1 := f.frames[a.frame].Ms, f.frames[b.frame].Ms
	for t := t0 - reachMs; t < t1+reachMs; t += reachMs / 12 {
		p, ok := with(t)
		if ok && p.minus(a.at().along(b.at().minus(a.at()), (t-t0)/(t1-t0))).length() < nearIn*f.o.PxPerIn {
			return true
		}
	}
	return false
}

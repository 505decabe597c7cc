package phases

import (
	"fmt"
	"math"

	"nightcage/vision"
)

// Bars between the kinds. A waggle in the stance turns the bat at some
// 300 deg/s; swings of children reach 1200, of adults 1600 to 2500 (Welch et
// al. 1995: 1588 on average). A full swing takes the bat through 200 degrees
// and more, a check stops it short of the front of the plate.
const (
	swingRateDeg  = 600 // deg/s: slower than this nobody swings
	swungDeg      = 150 // swept by a swing, at least
	roundDeg      = 260 // a bat swept so far has passed square, whatever its heading says: it starts some 200 degrees before
	pastSquareDeg = 20  // a swing carries the bat this far beyond square
	stillTurning  = 1.0 / 3
	acrossMs      = 150 // seen along the pitch line: time on the plate's side, two thirds of a half turn
	buntRateDeg   = 200 // a bunted bat is held
	buntMs        = 250
	handRate      = 120. // in/s: hands alone, no bat; a swing's reach 180 to 300
)

// verdict is the kind of swing with its reason, and an anchor: the time up to
// which the events of preparation are looked for.
type verdict struct {
	kind   Kind
	why    string
	anchor float64
}

// kind tells a swing from a take, a check, a bunt and a clip without any of
// them, by how far and how fast the bat turns and where it stops.
func (r *reading) kind(b batPath, a arc) verdict {
	end := r.t[len(r.t)-1]
	if b.axis.x.len() < minFrames {
		return r.kindByHands(b)
	}
	top, at := 0.0, 0.0
	for i, v := range b.turn.x {
		if v > 4*b.turn.sd[i] && v > top {
			top, at = v, b.turn.t[i]
		}
	}
	topDeg := top * 180 / math.Pi
	if why, ok := r.bunting(b); ok && topDeg < 2*swingRateDeg {
		return verdict{KindBunt, why, end}
	}
	if r.timed && topDeg < swingRateDeg {
		if why, ok := r.prepared(); ok {
			return verdict{KindTake, fmt.Sprintf("%s, but the bat never turns faster than %.0f deg/s", why, topDeg), end}
		}
		return verdict{KindNone, fmt.Sprintf("the bat never turns faster than %.0f deg/s and the lead foot does not step", topDeg), end}
	}
	swept := sweptDeg(b.turn, at, top/5)
	past, seen := math.Inf(-1), false
	for i, h := range a.heading.x {
		rate := b.turn.at(a.heading.t[i])
		// A heading that is not known to pastSquareDeg tells nothing.
		if rate > stillTurning*top && a.headingS < pastSquareDeg {
			past, seen = math.Max(past, h), true
		}
	}
	rate := fmt.Sprintf("the bat turns at up to %.0f deg/s through %.0f degrees", topDeg, swept)
	if !r.timed {
		rate = fmt.Sprintf("the bat turns through %.0f degrees", swept)
	}
	switch {
	case r.sweepsAcross(b):
		return verdict{KindSwing, rate + " and passes the plate's side", at}
	case seen && past > pastSquareDeg && swept > swungDeg/2:
		return verdict{KindSwing, rate + " and passes square", at}
	case !seen && swept > swungDeg, swept > roundDeg:
		return verdict{KindSwing, rate, at}
	case swept < swungDeg/4:
		return verdict{KindNone, rate + ": too short to be a swing", end}
	case seen && past <= pastSquareDeg:
		return verdict{KindCheck, fmt.Sprintf("%s but stops %.0f degrees from square", rate, -past), at}
	}
	return verdict{KindCheck, rate + ", less than a swing does", at}
}

// sweepsAcross reports whether, in a picture along the pitch line, the bat goes
// out to the plate's side and back again within the time of a swing. Waggles
// do not reach there, and a check does not go on round.
func (r *reading) sweepsAcross(b batPath) bool {
	w, ok := r.plateSide(b)
	if !ok {
		return false
	}
	a := farthest(w, b.length)
	return a.peakS > 0 && 6*a.peakS < acrossMs
}

// sweptDeg adds up the turn about the time at, out to where it falls under
// level for good, degrees.
func sweptDeg(turn series, at, level float64) float64 {
	sum := 0.0
	add := func(i, j int) bool {
		if turn.x[i] < level || turn.t[j]-turn.t[i] > 40 { // a hole this long hides what the bat did
			return false
		}
		sum += (turn.x[i] + turn.x[j]) / 2 * (turn.t[j] - turn.t[i]) / 1000 * 180 / math.Pi
		return true
	}
	mid := 0
	for mid < turn.len()-1 && turn.t[mid] < at {
		mid++
	}
	for i := mid; i > 0 && add(i-1, i); i-- {
	}
	for i := mid; i+1 < turn.len() && add(i, i+1); i++ {
	}
	return sum
}

// kindByHands decides where the bat was hardly seen at all.
func (r *reading) kindByHands(b batPath) verdict {
	end := r.t[len(r.t)-1]
	h, _ := r.hands(b)
	v := speed(r.wide(25), h.x, h.y)
	top, at := 0.0, end
	for i, x := range v.x {
		if x > 4*v.sd[i] && x > top {
			top, at = x, v.t[i]
		}
	}
	if v.len() < minFrames {
		return verdict{KindNone, fmt.Sprintf("the bat was seen in only %d frames and the hands in too few", b.axis.x.len()), end}
	}
	if top < handRate || !r.timed {
		return verdict{KindNone, fmt.Sprintf("the bat was seen in only %d frames and the hands never move faster than %.0f in/s", b.axis.x.len(), top), end}
	}
	return verdict{KindSwing, fmt.Sprintf("the bat was not followed; the hands move at up to %.0f in/s", top), at}
}

// prepared reports whether the lead foot steps.
func (r *reading) prepared() (string, bool) {
	if h := r.track.Hand.Bats; h != vision.SideLeft && h != vision.SideRight {
		return "", false
	}
	end := r.t[len(r.t)-1]
	f, why := r.leadFoot(end)
	if why != "" {
		return "", false
	}
	_, _, ok := r.flight(f, end+200)
	return "the lead foot steps", ok
}

// bunting reports whether the bat is held out toward the plate, level and
// hardly turning, for buntMs: within 30 degrees of square where the bat was
// solved, else so short and level in a picture from the side that it points along
// the line of sight (a bat laid back over the shoulder is short too, but
// rises), else across the plate in one along the pitch line.
func (r *reading) bunting(b batPath) (string, bool) {
	if !(b.length > 0) {
		return "", false
	}
	w, along := r.plateSide(b)
	out := func(t float64) bool {
		switch {
		case b.dir.x.len() >= minFrames:
			return b.dir.z.at(t) > math.Cos(30*math.Pi/180)
		case along:
			return w.at(t) > 0.8*b.length
		case r.pitcher != 0:
			y := b.axis.y.at(t)
			return math.Hypot(b.axis.x.at(t), y) < 0.55*b.length && y < 0.3*b.length
		}
		return false
	}
	held, start := 0.0, math.NaN()
	for i, t := range b.turn.t {
		if out(t) && (b.turn.x[i]*180/math.Pi < buntRateDeg || !r.timed) {
			if math.IsNaN(start) {
				start = t
			}
			held = math.Max(held, t-start)
		} else {
			start = math.NaN()
		}
	}
	return fmt.Sprintf("the bat is held out over the plate for %.0f ms", held), held >= buntMs
}

// withoutSwing reports, for a check, the events that lead up to it; other
// kinds have no events.
func (r *reading) withoutSwing(v verdict, b batPath) Timeline {
	found := map[EventID]finding{}
	for _, id := range Events() {
		found[id] = missing("%s: %s", v.kind, v.why)
	}
	if v.kind == KindCheck {
		stop := finding{t: v.anchor + 50, sd: r.gap(v.anchor)}
		r.prepare(found, b, stop)
		keepOrder(found)
	}
	return r.timeline(v.kind, v.why, found)
}

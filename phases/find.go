package phases

import (
	"fmt"
	"math"
	"slices"

	"nightcage/vision"
)

// Find places the events of the swing in track and the phases between them.
//
// Times come from marks of single frames, never from a frame number alone;
// each carries a standard error that bounds what frame spacing and noise
// allow. An event that could not be placed has Found false and a Reason. What
// the track does not hold (three dimensions, the ball, the bat in some
// frames, the clock) is made up for where another sign exists, and Evidence
// says which one was used.
//
// The error is not nil, and wraps ErrTrack, only for a track that contradicts
// itself; a track that shows no swing is a Timeline of KindNone.
func Find(track vision.Track) (Timeline, error) {
	r, err := newReading(&track)
	if err != nil {
		return Timeline{}, fmt.Errorf("time the swing of %s: %w", track.Clip.Name, err)
	}
	if len(r.at) < minFrames {
		return r.empty(fmt.Sprintf("only %d frames of the clip carry a picture of their own, %d are needed", len(r.at), minFrames)), nil
	}
	if !(r.unit > 0) {
		return r.empty("no body and no scale were found"), nil
	}
	b := r.readBat()
	if !r.timed {
		r.pace(&b, func(b *batPath) series { return b.turn })
	}
	a := r.readArc(b)
	v := r.kind(b, a)
	if v.kind != KindSwing {
		return r.withoutSwing(v, b), nil
	}
	found := map[EventID]finding{}
	c, o := r.contactTime(b, a)
	found[Contact] = c
	if !c.ok() {
		for _, id := range Events() {
			found[id] = missing("contact was not found: %s", c.reason)
		}
		return r.swing(v, o, found), nil
	}
	found[BatParallel] = r.parallel(b, a, c)
	r.prepare(found, b, c)
	found[FullExtension] = r.extension(c)
	hands, _ := r.hands(b)
	found[Finish] = r.finishTime(b, speed(r.wide(25), hands.x, hands.y), c)
	keepOrder(found)
	return r.swing(v, o, found), nil
}

// swing is the timeline of a full swing.
func (r *reading) swing(v verdict, o outcome, found map[EventID]finding) Timeline {
	t := r.timeline(v.kind, v.why, found)
	t.Result, t.ResultWhy = o.result, o.why
	return t
}

// prepare places the events that lead up to contact: feet, load and the
// hands' start.
func (r *reading) prepare(found map[EventID]finding, b batPath, contact finding) {
	ft := r.findFeet(contact.t)
	found[StrideStart], found[ToeTouch], found[HeelPlant] = ft.stride, ft.touch, ft.plant
	found[ForwardMove] = r.forwardMove(b, contact)
	before := contact.t - 200
	if ft.stride.ok() {
		before = ft.stride.t
	} else if ft.touch.ok() {
		before = ft.touch.t
	}
	found[LoadStart] = r.loadStart(b, before)
}

// halfTurnMs is how long the bat turns faster than half its peak rate in a
// usual swing: 240 degrees at a peak of 1588 deg/s (Welch et al. 1995), the rate
// rising and falling like a bell.
const halfTurnMs = 110

// pace gives an unclocked reading a time axis on which windows of
// milliseconds make sense: the time about the peak for which the bat turns
// faster than half its peak rate is set to halfTurnMs. Nothing measured on that
// axis is reported. It returns the ms given to a frame, 0 when the bat does not
// turn. turn says by which reading of its rate.
func (r *reading) pace(b *batPath, turn func(*batPath) series) float64 {
	k := 1.0
	// Rates read over windows that are too long look slow, which leaves the next
	// round's windows too long by less.
	for range 4 {
		width := halfTurn(turn(b))
		if width == 0 {
			return 0
		}
		for i := range r.t {
			r.t[i] *= halfTurnMs / width
		}
		k *= halfTurnMs / width
		r.measureSpacing()
		*b = r.readBat()
	}
	return k
}

// halfTurn is the time about its peak for which the bat turns faster than half
// of it, on the rate's axis.
func halfTurn(turn series) float64 {
	at, top := 0, 0.0
	for i, v := range turn.x {
		if v > top && v > 4*turn.sd[i] {
			at, top = i, v
		}
	}
	if top == 0 {
		return 0
	}
	cross := func(i, j int) float64 { // between i, above half, and j, below
		u := (turn.x[i] - top/2) / (turn.x[i] - turn.x[j])
		return turn.t[i] + u*(turn.t[j]-turn.t[i])
	}
	from, to := turn.t[0], turn.t[turn.len()-1]
	for i := at; i > 0; i-- {
		if turn.x[i-1] <= top/2 {
			from = cross(i, i-1)
			break
		}
	}
	for i := at; i+1 < turn.len(); i++ {
		if turn.x[i+1] <= top/2 {
			to = cross(i, i+1)
			break
		}
	}
	return to - from
}

// burst is the bat's turn with short bursts cut off, where the swing lasts many
// frames: a bat lost for a frame or two seems to turn faster than any other.
func (b *batPath) burst() series {
	const reach, broad = 2, 12 // frames
	cut := series{b.turn.t, make([]float64, b.turn.len()), b.turn.sd}
	top := 0.0
	for i := range cut.x {
		cut.x[i] = median(slices.Clone(b.turn.x[max(i-reach, 0):min(i+reach+1, b.turn.len())]))
		if cut.x[i] > 4*cut.sd[i] {
			top = math.Max(top, cut.x[i])
		}
	}
	n := 0
	for _, v := range cut.x {
		if v > top/2 {
			n++
		}
	}
	if n < broad {
		return b.turn
	}
	return cut
}

// empty is the timeline of a track that shows nothing.
func (r *reading) empty(why string) Timeline {
	found := map[EventID]finding{}
	for _, id := range Events() {
		found[id] = missing("%s", why)
	}
	return r.timeline(KindNone, why, found)
}

// timeline writes the findings out.
func (r *reading) timeline(kind Kind, why string, found map[EventID]finding) Timeline {
	out := Timeline{Kind: kind, Why: why, Timed: r.timed}
	at := map[EventID]Event{}
	for _, id := range Events() {
		f, ok := found[id]
		if !ok {
			f = missing("not looked for in a clip of kind %q", kind)
		}
		e := Event{ID: id, Evidence: f.evidence}
		if f.ok() {
			frame, spacing := r.frameAt(f.t)
			e.Found, e.Ms, e.Frame = true, r.msAt(f.t), frame
			e.SigmaFrames = f.sd / spacing
			e.Confidence = f.confidence
			if r.timed {
				e.SigmaMs = f.sd
			} else {
				e.Evidence = append(e.Evidence, "capture clock unknown: a place among the frames, not a time")
			}
		} else {
			e.Reason = f.reason
		}
		if e.Evidence == nil {
			e.Evidence = []string{}
		}
		out.Events = append(out.Events, e)
		at[id] = e
	}
	out.Phases = phasesBetween(at, r.timed)
	return out
}

// phasesBetween lists the phases whose two ends were found and in order.
func phasesBetween(at map[EventID]Event, timed bool) []Phase {
	ends := []struct {
		id       PhaseID
		from, to EventID
	}{
		{PhaseLoad, LoadStart, StrideStart},
		{PhaseStride, StrideStart, ToeTouch},
		{PhasePlant, ToeTouch, HeelPlant},
		{PhaseTurn, HeelPlant, Contact},
		{PhaseContact, Contact, FullExtension},
		{PhaseFinish, FullExtension, Finish},
	}
	out := []Phase{}
	for _, e := range ends {
		a, b := at[e.from], at[e.to]
		if !a.Found || !b.Found || b.Frame < a.Frame {
			continue
		}
		p := Phase{ID: e.id, From: e.from, To: e.to, FromMs: a.Ms, ToMs: b.Ms}
		if timed {
			p.SigmaMs = math.Hypot(a.SigmaMs, b.SigmaMs)
		}
		out = append(out, p)
	}
	return out
}

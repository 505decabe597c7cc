package phases

import (
	"fmt"
	"math"
	"slices"

	"nightcage/vision"
)

// What a person's swing cannot go beyond. Peak rates of the bat: 1588 deg/s on
// average in skilled adults (Welch et al. 1995), 2400 in the fastest; twice the
// fastest leaves room for what noise adds to a peak. Slower than swingRateDeg
// nobody swings at a ball. Where rate and duration agree that it goes at less
// than half the usual pace nobody does either: a bat of 25 in swung by a child
// of eight at 30 mph (common practice, no source) turns at some 840 deg/s, 1.9
// times slower.
const (
	usualDeg       = 1588
	fastestDeg     = 4800
	shortestHalfMs = 35
	slowest        = 2.0
)

// carriedIn is how far a swing carries the hands along the line of the pitch, at
// least:
// from beside the rear shoulder to the front of the body is more than the
// breadth of the shoulders, 16 in and upward (biacromial breadth of
// twelve-year-olds is some 13 in, from memory; common practice, no source, for
// the rest). A bat let down after a pitch that was taken turns as far as a
// swing does, but the hands stay at the body.
const carriedIn = 13

// Pace is whether a person can swing as fast as a clip's clock says.
type Pace string

// Paces.
const (
	Human   Pace = "human"
	TooSlow Pace = "too_slow" // for a swing at a ball
	TooFast Pace = "too_fast" // for anyone
)

// Tempo is how fast a swing goes by the clip's own clock.
type Tempo struct {
	HalfTurnMs float64 // time for which the bat turns faster than half its peak rate
	TopDegS    float64 // that peak rate
	Slower     float64 // how many times slower that is than usual: near 1 by a true clock
	Pace       Pace
	Doubt      string // what shows that Pace is not Human, in words
	Frames     [2]int // the frames [first, end) of Clip.Times that go at this tempo
}

// SwingTempo reads the tempo of the full swing in track without trusting the
// clip's clock for anything else. ok is false when the clock is not known anyway
// or when no full swing shows whatever the pace.
//
// A clip may play at two paces, the swing in slow motion and what is around it
// not. Then Frames is only a part of the clip.
//
// The error wraps ErrTrack for a track that contradicts itself.
func SwingTempo(track vision.Track) (tempo Tempo, ok bool, err error) {
	if !track.Clip.Clock.Known {
		return Tempo{}, false, nil
	}
	own, err := newReading(&track)
	if err != nil {
		return Tempo{}, false, fmt.Errorf("read the tempo of %s: %w", track.Clip.Name, err)
	}
	if len(own.at) < minFrames || !(own.unit > 0) {
		return Tempo{}, false, nil
	}
	whole := [2]int{0, len(track.Clip.Times)}
	tempo, ok, err = evenTempo(track, own.perPicture(), whole)
	if err != nil || ok {
		return tempo, ok, err
	}
	if part, ok := own.slowPart(); ok {
		tempo, ok, err = evenTempo(trimmed(track, part), own.perPicture(), part)
		return tempo, ok && tempo.Pace == TooSlow, err
	}
	return Tempo{}, false, nil
}

// perPicture is the median time of one of the clip's pictures with news.
func (r *reading) perPicture() float64 {
	d := make([]float64, len(r.t)-1)
	for i := range d {
		d[i] = (r.t[i+1] - r.t[i]) / (r.pictures[i+1] - r.pictures[i])
	}
	return median(d)
}

// evenTempo is the tempo of a track of a clip whose pictures, dt ms apart by its
// clock, are evenly spaced in truth.
func evenTempo(track vision.Track, dt float64, frames [2]int) (Tempo, bool, error) {
	track.Clip.Clock.Known = false
	track.Clip.Times = slices.Clone(track.Clip.Times)
	for i := range track.Clip.Times {
		track.Clip.Times[i].Ms = track.Clip.Times[i].PTSMs
	}
	r, err := newReading(&track)
	if err != nil || len(r.at) < minFrames || !(r.unit > 0) {
		return Tempo{}, false, err
	}
	b := r.readBat()
	perFrame := r.pace(&b, (*batPath).burst)
	if perFrame == 0 || !r.carried(b) {
		return Tempo{}, false, nil
	}
	t := tempoOf(b, dt/perFrame)
	t.Frames = frames
	switch r.kind(b, r.readArc(b)).kind {
	case KindSwing:
		return t, true, nil
	case KindCheck:
		// A window of milliseconds cuts a swing in slow motion short.
		return t, t.Pace == TooSlow, nil
	}
	return Tempo{}, false, nil
}

// slowPart is the stretch of frames through which the bat turns farthest
// without ever turning as fast as in a swing, if that is as far as a swing takes
// it and it does turn so fast elsewhere.
func (r *reading) slowPart() (frames [2]int, ok bool) {
	b := r.readBat()
	turn := b.burst()
	rate := func(i int) float64 { return turn.x[i] * 180 / math.Pi }
	far, from, to, fast := 0.0, 0, 0, false
	for i := 0; i < turn.len(); i++ {
		start, sum := i, 0.0
		for ; i < turn.len() && rate(i) < swingRateDeg; i++ {
			if i > start {
				sum += (rate(i-1) + rate(i)) / 2 * (turn.t[i] - turn.t[i-1]) / 1000
			}
		}
		if sum > far {
			far, from, to = sum, start, i-1
		}
		fast = fast || i < turn.len()
	}
	if !fast || far < swungDeg {
		return frames, false
	}
	first, _ := r.frameAt(turn.t[from])
	last, _ := r.frameAt(turn.t[to])
	return [2]int{int(math.Ceil(first)), int(last) + 1}, true
}

// trimmed is the track's frames with indices in part.
func trimmed(track vision.Track, part [2]int) vision.Track {
	from, to := 0, len(track.Frames)
	for from < to && track.Frames[from].Index < part[0] {
		from++
	}
	for to > from && track.Frames[to-1].Index >= part[1] {
		to--
	}
	track.Frames = track.Frames[from:to]
	if track.Solution != nil {
		s := *track.Solution
		s.Frames = s.Frames[from:to]
		track.Solution = &s
	}
	return track
}

// tempoOf is the tempo of a bat that was put on its usual pace, if the clip
// stretches that pace by slower.
func tempoOf(b batPath, slower float64) Tempo {
	t := Tempo{HalfTurnMs: halfTurnMs * slower, Pace: Human}
	at := 0.0
	turn := b.burst()
	for i, v := range turn.x {
		if deg := v * 180 / math.Pi / slower; v > 4*turn.sd[i] && deg > t.TopDegS {
			t.TopDegS, at = deg, turn.t[i]
		}
	}
	t.Slower = math.Sqrt(slower * usualDeg / t.TopDegS)
	switch {
	case t.TopDegS > fastestDeg || t.HalfTurnMs < shortestHalfMs:
		t.Pace = TooFast
		t.Doubt = fmt.Sprintf("by it the bat turns at %.0f degrees a second, faster than anyone swings", t.TopDegS)
	case sweptDeg(turn, at, t.TopDegS*slower*math.Pi/180/5) < swungDeg:
		// A bat squared to bunt, or let down, goes slowly, but not on round.
	case t.TopDegS < swingRateDeg || t.Slower > slowest:
		t.Pace = TooSlow
		t.Doubt = fmt.Sprintf("by its own times the bat turns at no more than %.0f degrees a second, slower than anyone swings at a ball", t.TopDegS)
	}
	return t
}

// carried reports whether the hands go as far along the line of the pitch as in a
// swing while the bat turns fastest. Which way is not asked: at a wrong pace
// hitters are taken for left-handed who are not. In a picture along the pitch
// line it does not show, and the bat's turn has to speak for itself.
func (r *reading) carried(b batPath) bool {
	if r.pitcher == 0 {
		return true
	}
	h, _ := r.hands(b)
	x := h.x.between(b.peak-2*halfTurnMs, b.peak+2*halfTurnMs)
	return x.len() > 0 && slices.Max(x.x)-slices.Min(x.x) > carriedIn
}

package phases

import (
	"fmt"
	"math"

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

// carriedIn is how far a swing carries the hands toward the pitcher, at least:
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
}

// SwingTempo reads the tempo of the full swing in track without trusting the
// clip's clock for anything else. ok is false when the clock is not known anyway
// or when no full swing shows whatever the pace.
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
	untimed := track
	untimed.Clip.Clock.Known = false
	r, err := newReading(&untimed)
	if err != nil || len(r.at) < minFrames || !(r.unit > 0) {
		return Tempo{}, false, err
	}
	b := r.readBat()
	perFrame := r.pace(&b)
	if perFrame == 0 || r.kind(b, r.readArc(b)).kind != KindSwing || !r.carried(b) {
		return Tempo{}, false, nil
	}
	return tempoOf(b, own.dt/perFrame), true, nil
}

// tempoOf is the tempo of a bat that was put on its usual pace, if the clip
// stretches that pace by slower.
func tempoOf(b batPath, slower float64) Tempo {
	t := Tempo{HalfTurnMs: halfTurnMs * slower, Pace: Human}
	at := 0.0
	for i, v := range b.turn.x {
		if deg := v * 180 / math.Pi / slower; v > 4*b.turn.sd[i] && deg > t.TopDegS {
			t.TopDegS, at = deg, b.turn.t[i]
		}
	}
	t.Slower = math.Sqrt(slower * usualDeg / t.TopDegS)
	switch {
	case t.TopDegS > fastestDeg || t.HalfTurnMs < shortestHalfMs:
		t.Pace = TooFast
		t.Doubt = fmt.Sprintf("by it the bat turns at %.0f degrees a second, faster than anyone swings", t.TopDegS)
	case sweptDeg(b.turn, at, t.TopDegS*slower*math.Pi/180/5) < swungDeg:
		// A bat squared to bunt, or let down, goes slowly, but not on round.
	case t.TopDegS < swingRateDeg || t.Slower > slowest:
		t.Pace = TooSlow
		t.Doubt = fmt.Sprintf("by its own times the bat turns at no more than %.0f degrees a second, slower than anyone swings at a ball", t.TopDegS)
	}
	return t
}

// carried reports whether the hands go toward the pitcher as in a swing while
// the bat turns fastest. In a picture along the pitch line that does not show,
// and the bat's turn has to speak for itself.
func (r *reading) carried(b batPath) bool {
	if r.pitcher == 0 {
		return true
	}
	at := b.peak
	h, _ := r.hands(b)
	x := h.x.between(at-2*halfTurnMs, at+2*halfTurnMs)
	rear, most := math.Inf(1), 0.0
	for _, v := range x.x {
		rear = math.Min(rear, r.pitcher*v)
		most = math.Max(most, r.pitcher*v-rear)
	}
	return most > carriedIn
}

// Package correct holds what people set right in what was measured: where a point
// is in a frame, at which frame an event is. What follows is measured anew from it;
// the machine's own version stays, and every correction says who made it and when.
package correct

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"nightcage/metrics"
	"nightcage/phases"
	"nightcage/vision"
	"nightcage/vision/solve"
	"nightcage/worker/analysis"
)

// ErrBad: a correction that cannot be made; the text says why.
var ErrBad = errors.New("this cannot be corrected so")

// Place is where a point is in one frame, as a person put it.
type Place struct {
	Frame int     `json:"frame"` // index into Clip.Times
	Point Point   `json:"point"`
	X     float64 `json:"x"` // px of the upright clip
	Y     float64 `json:"y"`
	None  bool    `json:"none,omitempty"` // it is not in this frame's picture; X and Y mean nothing
}

// Instant is at which frame an event is, as a person put it.
type Instant struct {
	Event phases.EventID `json:"event"`
	Frame float64        `json:"frame"`          // place among the frames; meaningless when None
	None  bool           `json:"none,omitempty"` // the swing has no such event
}

// Correction is one person's, on top of an earlier one or of none.
type Correction struct {
	By       string    `json:"by"`
	At       time.Time `json:"at"`
	Note     string    `json:"note,omitempty"`
	Upon     int       `json:"upon"`     // number of the correction that it started from, 0 for the machine's version
	Places   []Place   `json:"places"`   // all that hold now, those of earlier corrections included
	Instants []Instant `json:"instants"` //
}

// Point names what a person can move: a vision.Landmark by its name, or one of
// those below.
type Point string

// Points beside the landmarks.
const (
	Head Point = "head"
	Knob Point = "knob"
	Tip  Point = "tip"
	Ball Point = "ball"
)

// Points lists every point, bat and ball first.
func Points() []Point {
	out := []Point{Knob, Tip, Ball, Head}
	for l := range vision.NumLandmarks {
		out = append(out, Point(vision.Landmark(l).String()))
	}
	return out
}

const (
	// pointSigma is the standard error of a point that a person put on a picture
	// 720 px high, px; in proportion at other heights. Judgement, no source: about
	// half of the width of a bat's handle.
	pointSigma = 1.5
	// instantSigma is that of an event put on a frame, in frames: within the frame
	// and its neighbours. Judgement, no source.
	instantSigma = 0.5
	// MaxChanges is the most places and instants of one correction: every point of
	// a few hundred frames.
	MaxChanges = 10000
)

// Merge adds changes to those of an earlier correction; of two for the same point
// and frame, or the same event, the new one holds.
func Merge(places, more []Place, instants, others []Instant) ([]Place, []Instant) {
	places, instants = slices.Clone(places), slices.Clone(instants)
	for _, p := range more {
		places = slices.DeleteFunc(places, func(q Place) bool { return q.Frame == p.Frame && q.Point == p.Point })
		places = append(places, p)
	}
	for _, n := range others {
		instants = slices.DeleteFunc(instants, func(q Instant) bool { return q.Event == n.Event })
		instants = append(instants, n)
	}
	return places, instants
}

// Measure makes the record of a corrected swing from the machine's track and
// timeline, which it leaves as they are. Where places changed, the swing is solved
// and timed anew; instants are put on that. It takes some seconds.
//
// The error is ErrBad, that of a stage, or ctx's.
func Measure(ctx context.Context, track vision.Track, tl phases.Timeline, c Correction, o metrics.Options) (vision.Track, phases.Timeline, metrics.Swing, error) {
	fail := func(err error) (vision.Track, phases.Timeline, metrics.Swing, error) {
		return track, tl, metrics.Swing{}, fmt.Errorf("correct clip %s: %w", track.Clip.Name, err)
	}
	if err := c.check(); err != nil {
		return fail(err)
	}
	if len(c.Places) > 0 {
		moved, err := Move(track, c.Places)
		if err == nil && slices.ContainsFunc(c.Places, func(p Place) bool { return p.Point == Ball }) {
			err = follow(&moved)
		}
		if err == nil {
			track, err = solve.Run(ctx, moved)
		}
		if err == nil {
			track.Notes = unique(track.Notes)
			tl, err = phases.Find(track)
		}
		if err != nil {
			return fail(err)
		}
	}
	events, err := place(track, tl, c.Instants)
	if err == nil {
		tl, err = phases.ByHand(tl, events)
	}
	if err != nil {
		return fail(fmt.Errorf("%w: %w", ErrBad, err))
	}
	seen := track
	_, s, err := analysis.Measure(ctx, track, tl, o)
	if err != nil {
		return fail(err)
	}
	s.Notes = append(s.Notes, fmt.Sprintf("corrected by hand: %d points, %d events", len(c.Places), len(c.Instants)))
	return seen, tl, s, nil
}

// unique drops repeats: a stage that is run again notes the same again.
func unique(notes []string) (out []string) {
	for _, n := range notes {
		if !slices.Contains(out, n) {
			out = append(out, n)
		}
	}
	return out
}

// betweenMs is how far apart two corrections of one point may lie for the frames
// between them to follow. Judgement, no source: a limb that is mistaken for another
// is so for a tenth of a second, and a coach puts its first and its last frame right.
const betweenMs = 150

// Move returns a copy of the track with marks where a person put them. In the frames
// between two places of one point it moves by what the two moved, in proportion. A
// picture that nobody had looked at gets a frame (vision.Track.With), since a person did
// now. Nothing is solved anew. The error is ErrBad.
func Move(track vision.Track, places []Place) (vision.Track, error) {
	for _, p := range places {
		with, ok := track.With(p.Frame)
		if !ok {
			return track, fmt.Errorf("%w: frame %d was not looked at, nor were those beside it; the nearest that was is %d", ErrBad, p.Frame, nearest(track, p.Frame))
		}
		track = with
	}
	out := track
	out.Frames = slices.Clone(track.Frames)
	at := map[int]int{}
	for i, f := range out.Frames {
		at[f.Index] = i
	}
	sigma := pointSigma * float64(track.Clip.Height) / 720
	of := map[Point][]Place{}
	for _, p := range places {
		i, ok := at[p.Frame]
		inside := p.X >= 0 && p.Y >= 0 && p.X <= float64(track.Clip.Width) && p.Y <= float64(track.Clip.Height) // false for NaN
		if !ok || !(inside || p.None) || mark(&out.Frames[i], p.Point) == nil {
			return out, fmt.Errorf("%w: %s at %g, %g in frame %d", ErrBad, p.Point, p.X, p.Y, p.Frame)
		}
		of[p.Point] = append(of[p.Point], p)
	}
	for point, ps := range of {
		slices.SortFunc(ps, func(a, b Place) int { return a.Frame - b.Frame })
		for k, p := range ps {
			i := at[p.Frame]
			if k > 0 && !p.None && !ps[k-1].None && track.Frames[i].Ms-track.Frames[at[ps[k-1].Frame]].Ms <= betweenMs {
				carry(&out, track, point, at[ps[k-1].Frame], i, ps[k-1], p)
			}
			own(&out.Frames[i])
			if p.None {
				*mark(&out.Frames[i], point) = vision.Mark{}
				continue
			}
			*mark(&out.Frames[i], point) = vision.Mark{X: p.X, Y: p.Y, SigmaPx: sigma, Seen: 1, How: vision.HowHand}
		}
	}
	return out, nil
}

// nearest is the frame looked at that is nearest to a picture.
func nearest(track vision.Track, index int) int {
	return slices.MinFunc(track.Frames, func(a, b vision.Frame) int {
		return cmp.Compare(max(a.Index-index, index-a.Index), max(b.Index-index, index-b.Index))
	}).Index
}

// carry moves a point in the frames between two that a person put right.
func carry(out *vision.Track, track vision.Track, point Point, from, to int, a, b Place) {
	first, last := mark(&track.Frames[from], point), mark(&track.Frames[to], point)
	if !first.Found() || !last.Found() {
		return
	}
	for i := from + 1; i < to; i++ {
		m := mark(&out.Frames[i], point)
		if m == nil || !m.Found() {
			continue
		}
		own(&out.Frames[i])
		m = mark(&out.Frames[i], point)
		t := (track.Frames[i].Ms - track.Frames[from].Ms) / (track.Frames[to].Ms - track.Frames[from].Ms)
		m.X += (1-t)*(a.X-first.X) + t*(b.X-last.X)
		m.Y += (1-t)*(a.Y-first.Y) + t*(b.Y-last.Y)
	}
}

// own gives a frame a slice of marks that is not shared with another track's.
func own(f *vision.Frame) { f.Body = slices.Clone(f.Body) }

// mark is a frame's mark of a point, nil when the frame cannot have it.
func mark(f *vision.Frame, p Point) *vision.Mark {
	switch p {
	case Head:
		return &f.Head
	case Knob:
		return &f.Knob
	case Tip:
		return &f.Tip
	case Ball:
		return &f.Ball
	}
	for l := range f.Body {
		if vision.Landmark(l).String() == string(p) {
			return &f.Body[l]
		}
	}
	return nil
}

// place makes events of instants, each among the pictures of the clip, looked at or not.
func place(track vision.Track, tl phases.Timeline, instants []Instant) ([]phases.Event, error) {
	var out []phases.Event
	first, end := track.Frames[0].Index, track.Frames[len(track.Frames)-1].Index+1
	times := track.Clip.Times
	for _, n := range instants {
		e := phases.Event{ID: n.Event, Confidence: 1, Evidence: []string{"set by hand"}}
		if n.None {
			e.Reason = "set by hand: there is none"
			out = append(out, e)
			continue
		}
		if !(n.Frame >= float64(first) && n.Frame < float64(end)) { // or NaN
			return nil, fmt.Errorf("frame %g is not one of the swing's", n.Frame)
		}
		i := int(n.Frame)
		before := min(i, len(times)-2) // the clip's last picture has the gap before it
		gap := times[before+1].Ms - times[before].Ms
		e.Found, e.Frame, e.SigmaFrames, e.Ms = true, n.Frame, instantSigma, times[i].Ms+(n.Frame-float64(i))*gap
		if tl.Timed {
			e.SigmaMs = instantSigma * gap
		}
		out = append(out, e)
	}
	return out, nil
}

// Check refuses what no page of ours sends.
func (c Correction) Check() error {
	if strings.TrimSpace(c.By) == "" || len(c.By) > 80 || len(c.Note) > 1000 {
		return fmt.Errorf("%w: name of %d and note of %d bytes", ErrBad, len(c.By), len(c.Note))
	}
	return c.check()
}

// check is about the changes alone.
func (c Correction) check() error {
	if n := len(c.Places) + len(c.Instants); n == 0 || n > MaxChanges {
		return fmt.Errorf("%w: %d changes", ErrBad, n)
	}
	for _, p := range c.Places {
		if !slices.Contains(Points(), p.Point) {
			return fmt.Errorf("%w: point %q", ErrBad, p.Point)
		}
	}
	for _, n := range c.Instants {
		if !slices.Contains(phases.Events(), n.Event) {
			return fmt.Errorf("%w: event %q", ErrBad, n.Event)
		}
	}
	return nil
}

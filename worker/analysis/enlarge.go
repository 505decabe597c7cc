package analysis

import (
	"slices"

	"nightcage/vision"
	"nightcage/vision/pose"
)

// Pictures may be looked at k times smaller, each px the mean of k x k: px x of such
// a picture is k*x + (k-1)/2 of the clip's.

// shrinkFor is the factor by which pictures are made smaller in which the hitter is
// heightPx tall.
func shrinkFor(heightPx float64) int { return max(1, int(heightPx/leastHitterPx)) }

// shrunk is the clip whose pictures are those of c made k times smaller.
func shrunk(c vision.Clip, k int) vision.Clip {
	c.Width, c.Height, c.FocalPx = c.Width/k, c.Height/k, c.FocalPx/float64(k)
	return c
}

// between takes a place in pictures made from times smaller to those made to times
// smaller.
func between(from, to int, x float64) float64 {
	f, t := float64(from), float64(to)
	return (f*x + (f-1)/2 - (t-1)/2) / t
}

// resized is where a person seen in pictures made from times smaller is in those made
// to times smaller. Its Look stays as it was.
func resized(p pose.Person, from, to int) pose.Person {
	at := func(x *float64) { *x = between(from, to, *x) }
	for _, x := range []*float64{&p.ROI.X, &p.ROI.Y, &p.Box.X0, &p.Box.Y0, &p.Box.X1, &p.Box.Y1} {
		at(x)
	}
	p.ROI.Side *= float64(from) / float64(to)
	return p
}

// enlarge takes all that a track has in px from pictures made k times smaller to
// those of the clip, which is then the track's.
func enlarge(t *vision.Track, k int, c vision.Clip) {
	c.Times = t.Clip.Times
	t.Clip = c
	if k == 1 {
		return
	}
	e := enlarger{float64(k)}
	for i := range t.Frames {
		e.frame(&t.Frames[i])
	}
	e.lengths(&t.Scale.PxPerIn)
	for i := range t.Scale.Sources {
		e.lengths(&t.Scale.Sources[i].PxPerIn)
	}
	if b := t.Ball; b != nil {
		if b.MeetSigmaMs > 0 {
			e.places(&b.MeetX, &b.MeetY)
		}
		for _, l := range []*vision.BallLine{b.In, b.Out} {
			if l != nil {
				e.places(&l.X, &l.Y)
				e.lengths(&l.SigmaPx, &l.SpeedPxS, &l.SpeedSigmaPxS, &l.RadiusPx, &l.RadiusSigmaPx)
			}
		}
	}
	if g := t.Ground; g != nil {
		for i := range g.Plate {
			e.mark(&g.Plate[i])
		}
		for i := range g.Lines {
			e.segment(&g.Lines[i].Segment)
		}
		for i := range g.Uprights {
			e.segment(&g.Uprights[i])
		}
	}
}

// smaller is a track as in pictures made k times smaller: its frames, for drawing.
func smaller(t vision.Track, k int) vision.Track {
	if k == 1 {
		return t
	}
	t.Clip, t.Frames = shrunk(t.Clip, k), slices.Clone(t.Frames)
	for i := range t.Frames {
		f := &t.Frames[i]
		f.Body = slices.Clone(f.Body)
		enlarger{1 / float64(k)}.frame(f)
	}
	return t
}

// enlarger takes px of pictures k times smaller to full ones; k below 1 the other way.
type enlarger struct{ k float64 }

func (e enlarger) places(xs ...*float64) {
	for _, x := range xs {
		*x = e.k**x + (e.k-1)/2
	}
}

func (e enlarger) lengths(xs ...*float64) {
	for _, x := range xs {
		*x *= e.k
	}
}

func (e enlarger) mark(m *vision.Mark) {
	if m.Found() {
		e.places(&m.X, &m.Y)
		e.lengths(&m.SigmaPx)
	}
}

func (e enlarger) segment(s *vision.Segment) {
	e.places(&s.X0, &s.Y0, &s.X1, &s.Y1)
	e.lengths(&s.SigmaPx)
}

func (e enlarger) frame(f *vision.Frame) {
	for i := range f.Body {
		e.mark(&f.Body[i])
	}
	for _, m := range []*vision.Mark{&f.Head, &f.Knob, &f.Tip, &f.Ball} {
		e.mark(m)
	}
	e.lengths(&f.HeadRadiusPx)
	if s := &f.Shift; !s.Unmeasured() {
		// x' = A x + B y + TX holds of the small px; of the full ones X = k x + h
		// that is X' = A X + B Y + k TX + h (1 - A - B).
		h := (e.k - 1) / 2
		s.TX = e.k*s.TX + h*(1-s.A-s.B)
		s.TY = e.k*s.TY + h*(1-s.C-s.D)
		e.lengths(&s.SigmaPx)
	}
}

package path

import (
	"math"
	"slices"

	"nightcage/vision"
)

// tell fills the result from a story.
func (f *field) tell(s *story, r *Result) {
	fl := vision.BallFlight{Kind: vision.BallPitched, End: s.end}
	met := (s.tee != nil || s.in != nil && s.out != nil) && s.end == vision.BallMet
	if met {
		fl.MeetMs, fl.MeetSigmaMs, fl.MeetX, fl.MeetY = s.meeting.ms, s.meeting.sigmaMs, s.meeting.at.x, s.meeting.at.y
	}
	switch {
	case s.tee != nil:
		fl.Kind = vision.BallTee
		f.markTee(s.tee, s.meeting.ms, r.Marks)
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
	smoothMs   = 40.0 // a place is smoothed over so long either way
	hiddenMs   = 45.0 // a ball hidden for longer is not placed
	hidden     = 0.2  // Mark.Seen of a place without a sight
	vagueRadii = 1.0  // a place known no better than this, in radii, is not given
	wildSigma  = 4.0  // a sight farther from the smoothed way is no sight of the ball
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
		if sigma > vagueRadii*r {
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

// median of x, which it sorts; 0 without any.
func median(x []float64) float64 {
	if len(x) == 0 {
		return 0
	}
	slices.Sort(x)
	return x[len(x)/2]
}

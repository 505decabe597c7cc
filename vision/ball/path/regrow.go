package path

import (
	"math"
)

// split cuts a chain where two flights fit it far better than one: a ball seen
// from behind the plate turns so slowly in the picture that the search goes
// around the corner with it.
func (f *field) split(c chain) []chain {
	n := len(c.of)
	cost := func(of []*sighting) float64 {
		fl, ok := f.fit(of, f.frames[of[0].frame].Ms)
		if !ok {
			return math.Inf(1)
		}
		return fl.chi2 * float64(2*len(of))
	}
	at, most := 0, cornerChi2
	for k := 3; k <= n-3; k++ {
		ms := f.frames[c.of[k].frame].Ms
		before, after := f.within(c.of[:k], ms, cornerMs), f.within(c.of[k:], ms, cornerMs)
		if len(before) < 3 || len(after) < 3 {
			continue
		}
		one := cost(append(append([]*sighting{}, before...), after...))
		if gain := one - cost(before) - cost(after); gain > most {
			at, most = k, gain
		}
	}
	if at == 0 {
		return []chain{c}
	}
	share := float64(at) / float64(n)
	return append(f.split(chain{of: c.of[:at], score: share * c.score, gap: c.gap}), f.split(chain{of: c.of[at:], score: (1 - share) * c.score, gap: c.gap})...)
}

const (
	cornerMs   = 60.0 // a corner is looked for over so long either way
	cornerChi2 = 40.0 // the gain of seven more parameters by chance is 7 ± 4
)

const (
	growMs    = 60.0 // the flight is read over so long either way
	growRound = 2
	growSkip  = 8 // frames without a sight at most
	growSigma = 3.5
)

// regrow takes the sights of a chain anew, each by the flight that the others
// around it make, and goes on beyond its ends while sights are found. Near the
// bat the search may have preferred something that hangs on to the bat.
func (f *field) regrow(c chain, by [][]*sighting, gap []int) chain {
	of := c.of
	for range growRound {
		var next []*sighting
		for k := of[0].frame; k <= of[len(of)-1].frame; k++ {
			if s := f.nearest(of, by[k], k); s != nil {
				next = append(next, s)
			}
		}
		if len(next) < 3 {
			return c
		}
		of = f.beyond(next, by, gap, -1)
		of = f.beyond(of, by, gap, +1)
	}
	was := f.score(c.of, gap)
	f.shorten(of)
	if now := f.score(of, gap); now > was {
		return chain{of: of, score: now, gap: gap}
	}
	f.shorten(c.of)
	return chain{of: c.of, score: was, gap: gap}
}

// beyond adds sights before the first (dir -1) or after the last (dir +1).
func (f *field) beyond(of []*sighting, by [][]*sighting, gap []int, dir int) []*sighting {
	end := of[0]
	if dir > 0 {
		end = of[len(of)-1]
	}
	for k := end.frame + dir; k >= 0 && k < len(by); k += dir {
		if d := gap[k] - gap[end.frame]; d*dir > growSkip || math.Abs(f.seconds(end.frame, k)) > maxSkipMs/1000 {
			break
		}
		s := f.nearest(of, by[k], k)
		if s == nil {
			continue
		}
		end = s
		if dir > 0 {
			of = append(of, s)
		} else {
			of = append([]*sighting{s}, of...)
		}
	}
	return of
}

// nearest is the sighting of frame k that best continues the flight of the
// sightings around it, nil when none is likelier than chance.
func (f *field) nearest(of []*sighting, in []*sighting, k int) *sighting {
	if len(in) == 0 {
		return nil
	}
	ms := f.frames[k].Ms
	around := f.within(of, ms, growMs)
	if len(around) < 3 {
		around = f.within(of, ms, 2*growMs)
	}
	fl, ok := f.fit(around, ms)
	if !ok {
		return nil
	}
	at, _, _, _ := fl.at(ms)
	xx, _, yy := fl.spread(ms)
	rad, _ := radius(around)
	var best *sighting
	most := 0.0
	for _, s := range in {
		d := s.at().minus(at)
		v := sq(s.sigma()) + (xx+yy)/2*math.Max(1, fl.chi2)
		if d2 := d.dot(d); d2 < sq(growSigma)*v && math.Abs(math.Log(s.RadiusPx/rad)) < 4*radiusLog {
			if odds := -math.Log(2*math.Pi*v*s.crowd) - d2/(2*v) + s.worth; odds > most {
				best, most = s, odds
			}
		}
	}
	return best
}

// score is the log odds of a chain against chance.
func (f *field) score(of []*sighting, gap []int) float64 {
	s := f.start(of[0], of[1]) + f.alike(of[0], of[1], gap)
	for i := 2; i < len(of); i++ {
		bend, ok := f.straight(of[i-2], of[i-1], of[i])
		if !ok {
			bend = -farSigma * farSigma / 2
		}
		s += bend + of[i].worth + f.alike(of[i-1], of[i], gap)
	}
	return s
}

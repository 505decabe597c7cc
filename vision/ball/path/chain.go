package path

import (
	"math"
	"slices"
)

const (
	// A ball is seen in this share of the frames in which it flies in the open.
	seenShare = 0.85
	// A chain may miss a ball for so many frames, but no longer than so long.
	maxSkip, maxSkipMs = 3, 60.0

	// Apparent speeds, inches at the hitter's scale per second. The fastest
	// ball: 120 mph, half as near again to the camera. The slowest a ball may
	// look, coming straight at a camera behind the catcher.
	fastestInS = 2112 * 1.5
	slowestInS = 15

	// Apparent acceleration, standard deviation: gravity (386 in/s²), drag of
	// about as much, and perspective 2*v*w with v up to 700 in/s across and
	// w = 1/s nearing.
	bendInS2 = 1000

	// The outline of one ball differs from frame to frame: its radius by this
	// share (log), its middle by this share of its radius.
	radiusLog   = 0.25
	middleShare = 0.09
	streakDeg   = 10 // direction of a streak

	// A chain of three at 60 frames a second may be no likelier than chance by
	// itself.
	leastChainLog = -4.0

	farSigma = 5 // no ball is farther from where it is expected

	wholeMs = 80.0 // the ball's size changes little within

	lightShare = 0.85 // of balls, lighter than what is behind them
	turnsLight = 0.08 // the same ball light here, dark there
)

// sighting is one blob with its frame.
type sighting struct {
	frame int
	*Blob
	worth, crowd float64
	used         bool
	short        float64 // px that its middle may be off because it shows not just the whole ball
}

func (s *sighting) at() point { return point{s.X, s.Y} }
func (s *sighting) sigma() float64 {
	return math.Hypot(math.Hypot(s.SigmaPx, s.short), middleShare*s.RadiusPx)
}

// chain is a run of sightings that may be one ball, in time order.
type chain struct {
	of    []*sighting
	score float64 // log odds against chance
	gap   []int   // see field.sightings
}

// link is a pair of sightings that follow each other in a chain.
type link struct {
	a, b  *sighting
	alone float64 // log odds of the two alone
	prev  []step  // links that may come before
	best  float64 // log odds of the best chain that ends with it
	from  *link
}

// step is the gain of going on from a link.
type step struct {
	from *link
	gain float64
}

// sightings lists the blobs of each frame, and how many frames before each were
// looked at.
func (f *field) sightings(seen Seen) (by [][]*sighting, gap []int) {
	by = make([][]*sighting, len(seen.Sights))
	gap = make([]int, len(seen.Sights))
	for k, s := range seen.Sights {
		if k > 0 {
			gap[k] = gap[k-1]
			if !seen.Sights[k-1].Repeat {
				gap[k]++
			}
		}
		for i := range s.Blobs {
			b := &seen.Sights[k].Blobs[i]
			by[k] = append(by[k], &sighting{frame: k, Blob: b, worth: f.worth(k, b), crowd: f.crowd(b.X, b.Y)})
		}
	}
	return by, gap
}

// chains returns the likeliest chains, best first, no two sharing a sighting.
func (f *field) chains(by [][]*sighting, gap []int, most int) []chain {
	links := f.links(by, gap)
	var out []chain
	for len(out) < most {
		var top *link
		for _, l := range links {
			if l.a.used || l.b.used {
				continue
			}
			l.best, l.from = l.alone, nil
			for _, p := range l.prev {
				if s := p.from.best + p.gain; s > l.best && !p.from.a.used {
					l.best, l.from = s, p.from
				}
			}
			if top == nil || l.best > top.best {
				top = l
			}
		}
		if top == nil || top.best < leastChainLog {
			break
		}
		c := chain{score: top.best, gap: gap, of: []*sighting{top.b}}
		for l := top; l != nil; l = l.from {
			c.of = append(c.of, l.a)
		}
		slices.Reverse(c.of)
		for _, s := range c.of {
			s.used = true
		}
		f.shorten(c.of)
		out = append(out, c)
	}
	return out
}

// shorten notes which sightings show only part of the ball or more than it: a
// lit edge before a wall as gray as the shaded side, a streak that runs into
// the bat. Their middles are off by up to half of what they lack or have too
// much.
func (f *field) shorten(of []*sighting) {
	for _, s := range of {
		var r, l []float64
		for _, o := range of {
			if math.Abs(f.frames[o.frame].Ms-f.frames[s.frame].Ms) < wholeMs {
				r, l = append(r, o.RadiusPx), append(l, o.StreakPx)
			}
		}
		slices.Sort(r)
		whole := r[len(r)*3/4]
		across := math.Max(0, whole*(1-middleShare)-s.RadiusPx)
		along := math.Max(0, math.Abs(median(l)-s.StreakPx)/2-whole/2)
		s.short = math.Hypot(across, along)
	}
}

// links are all pairs of sightings that may be neighbours in a chain, by the
// frame of the second, so that what may come before a link stands before it.
func (f *field) links(by [][]*sighting, gap []int) []*link {
	ends := map[*sighting][]*link{}
	var out []*link
	for k := range by {
		for j := k - 1; j >= 0 && gap[k]-gap[j] <= maxSkip && f.seconds(j, k) <= maxSkipMs/1000; j-- {
			for _, b := range by[k] {
				for _, a := range by[j] {
					if !f.mayFollow(a, b) {
						continue
					}
					l := &link{a: a, b: b}
					alike := f.alike(a, b, gap)
					l.alone = f.start(a, b) + alike
					for _, p := range ends[a] {
						if bend, ok := f.straight(p.a, a, b); ok {
							l.prev = append(l.prev, step{p, bend + b.worth + alike})
						}
					}
					ends[b] = append(ends[b], l)
					out = append(out, l)
				}
			}
		}
	}
	return out
}

func (f *field) seconds(j, k int) float64 { return (f.frames[k].Ms - f.frames[j].Ms) / 1000 }

// mayFollow reports whether a ball may get from a to b.
func (f *field) mayFollow(a, b *sighting) bool {
	d := b.at().minus(a.at()).length() / f.o.PxPerIn / f.seconds(a.frame, b.frame)
	return d < fastestInS && d > slowestInS && math.Abs(math.Log(a.RadiusPx/b.RadiusPx)) < 4*radiusLog
}

// start is the log odds that one ball came up at a, of all places and times,
// and moved to b.
func (f *field) start(a, b *sighting) float64 {
	reach := fastestInS * f.o.PxPerIn * f.seconds(a.frame, b.frame)
	area := math.Min(math.Pi*reach*reach, f.o.Width*f.o.Height)
	// A ball may come up at any size, mostly light.
	light := 1 - lightShare
	if a.Light {
		light = lightShare
	}
	size := math.Log(light/math.Log(mostLookIn/leastLookIn)) - math.Log(f.looks[f.look(a.Blob)])
	first := -math.Log(float64(f.looked)*f.o.Width*f.o.Height*a.crowd) + a.worth + size
	return first - math.Log(area*b.crowd) + b.worth
}

// straight is the log odds of c's place after a and b; ok is false where it is
// out of the question.
func (f *field) straight(a, b, c *sighting) (odds float64, ok bool) {
	t1, t2 := f.seconds(a.frame, b.frame), f.seconds(b.frame, c.frame)
	r := t2 / t1
	d := c.at().minus(b.at().along(b.at().minus(a.at()), r))
	bend := bendInS2 * f.o.PxPerIn * t2 * (t1 + t2) / 2
	v := sq(c.sigma()) + sq((1+r)*b.sigma()) + sq(r*a.sigma()) + sq(bend)
	d2 := d.dot(d)
	if d2 > sq(farSigma)*v {
		return 0, false
	}
	return -math.Log(2*math.Pi*v*c.crowd) - d2/(2*v), true
}

// alike is the log odds of how b follows a: frames without a sight between
// them, their sizes, their lightness, the direction of a streak.
func (f *field) alike(a, b *sighting, gap []int) float64 {
	s := math.Log(seenShare) + float64(gap[b.frame]-gap[a.frame]-1)*math.Log(1-seenShare)
	v := 2 * radiusLog * radiusLog
	s += -math.Log(2*math.Pi*v)/2 - sq(math.Log(a.RadiusPx/b.RadiusPx))/(2*v) - math.Log(f.looks[f.look(b.Blob)])
	if a.Light != b.Light {
		s += math.Log(turnsLight)
	}
	way := b.at().minus(a.at())
	t := f.seconds(a.frame, b.frame)
	// No exposure is longer than a frame; the nearest neighbour in time bounds it.
	most := way.length() * f.frameS(b.frame) / t
	if over := b.StreakPx - most - b.RadiusPx; over > 0 {
		s -= sq(over) / (2 * sq(b.RadiusPx))
	}
	if b.StreakPx > 2*b.RadiusPx {
		c := math.Abs(way.dot(point{b.DX, b.DY})) / way.length()
		off := math.Acos(math.Min(1, c)) * 180 / math.Pi
		s += math.Max(-6, math.Log(90/(streakDeg*math.Sqrt(math.Pi/2)))-sq(off/streakDeg)/2)
	}
	return s
}

// frameS is the time between a frame and the one before, seconds.
func (f *field) frameS(k int) float64 {
	if k == 0 {
		return f.seconds(0, 1)
	}
	return f.seconds(k-1, k)
}

func sq(x float64) float64 { return x * x }

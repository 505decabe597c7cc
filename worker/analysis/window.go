package analysis

import (
	"context"
	"errors"
	"io"
	"math"
	"slices"

	"nightcage/vision"
	"nightcage/vision/clip"
	"nightcage/vision/pose"
)

// maxSwings is how many swings of one clip are measured: a bucket of balls.
const maxSwings = 60

// paces are how many times slower than it says a clip may be that says nothing of
// slow motion: by its own times a swing in it is no burst.
func paces(c vision.Clip) []float64 {
	if c.Clock.Source == vision.ClockTimestamps {
		return []float64{1, 2, 4, 8}
	}
	return []float64{1}
}

// plan is what of a clip is to be looked at in full.
type plan struct {
	windows  []window // one for each swing that there may be, in order of time
	refused  int      // other bursts of motion, at which nobody carries a bat
	unlooked int      // bursts that were one too many to look at
}

// window is a stretch of the clip that is looked at in full.
type window struct {
	frames [2]int          // [first, end)
	look   []int           // those of them looked at, ascending
	people []int           // those in which the hitter is looked for, the first of the window first
	seen   []pose.Sighting // who was seen about its burst; empty where nobody was looked for
}

// windows finds what to look at in full. c is the clip by the clock to use. A
// short clip, or each scene of it, is looked at whole unless it shows two swings.
func (a *Analyser) windows(ctx context.Context, g *gallery, c vision.Clip, s *survey) (p plan, err error) {
	whole := clip.Whole(c)
	var strongest, swings []clip.Burst
	var looked sightingsAt
	var ms []float64
	for _, slower := range paces(c) {
		ms = s.times(c, slower)
		bursts := clip.Bursts(s.energy, ms, s.cuts)
		if slower == 1 {
			if strongest = bursts[:min(len(bursts), 1)]; whole && !s.several(bursts) {
				p.windows = s.scenes(bursts, nil, ms)
				return p, nil
			}
		}
		if swings, looked, p.refused, p.unlooked, err = a.confirm(ctx, g, s, ms, bursts); err != nil {
			return p, err
		}
		if len(swings) > 0 {
			break
		}
	}
	if len(swings) == 0 && len(strongest) == 0 {
		return p, &Error{Kind: NoSwing, Clip: c.Name, Reason: "Nothing in the clip moves as fast and briefly as a swing."}
	}
	if len(swings) == 0 {
		swings, p.refused, ms = strongest, 0, s.times(c, 1) // looked at in full, it says what is missing
	}
	if whole && !s.several(swings) {
		p.windows = s.scenes(swings, looked, ms)
		return p, nil
	}
	for _, w := range clip.Windows(swings, ms, s.cuts) {
		p.windows = append(p.windows, s.window(w, swings, looked, ms))
	}
	return p, nil
}

// sightingsAt is who was seen about a burst, by its At.
type sightingsAt map[int][]pose.Sighting

// alsoBurst is the share of the strongest burst's strength from which on another in
// the same window is looked at as closely: the weaker of two may be the swing.
const alsoBurst = 0.3

// window is the stretch [first, end) of the pictures read, looked at closely about
// the bursts in it; looked is who was seen at them, where people were looked for.
func (s *survey) window(stretch [2]int, bursts []clip.Burst, looked sightingsAt, ms []float64) window {
	within := func(b clip.Burst) bool { return b.At >= stretch[0] && b.At < stretch[1] }
	first := slices.IndexFunc(bursts, within) // the strongest
	if first >= 0 {
		stretch = s.onePace(stretch, bursts[first].At)
	}
	w := window{frames: [2]int{s.at[stretch[0]], s.at[stretch[1]-1] + 1}}
	var close []float64
	if first >= 0 {
		strongest := bursts[first]
		w.seen, w.people = looked[strongest.At], s.about(strongest, stretch, ms)
		for _, b := range bursts[first:] {
			if within(b) && b.Strength >= alsoBurst*strongest.Strength {
				close = append(close, b.Ms)
			}
		}
	} else { // nothing stands out: spread evenly
		for k := range looks {
			w.people = append(w.people, s.at[stretch[0]+k*(stretch[1]-stretch[0]-1)/(looks-1)])
		}
	}
	for _, i := range clip.Pace(ms[stretch[0]:stretch[1]], close) {
		w.look = append(w.look, s.at[stretch[0]+i])
	}
	return w
}

// onePace is the part about the picture at of a stretch in which the clip plays at
// one pace, where no clock was had because it plays at two.
func (s *survey) onePace(stretch [2]int, at int) [2]int {
	first, end := clip.OnePace(s.clip, s.at[at])
	from, _ := slices.BinarySearch(s.at, first)
	to, _ := slices.BinarySearch(s.at, end)
	return [2]int{max(stretch[0], from), min(stretch[1], to)}
}

// looks is how many pictures are searched for people where no burst says which: a
// hitter hidden in one is seen in others.
const looks = 6

// about are the first picture of a stretch and those around a burst in it.
func (s *survey) about(b clip.Burst, stretch [2]int, ms []float64) []int {
	out := []int{s.at[stretch[0]]}
	for _, off := range around {
		out = append(out, s.takenAt(b.Ms+off, stretch, ms))
	}
	return out
}

// takenAt is the first picture of a stretch taken at an instant or after it, else its
// last.
func (s *survey) takenAt(at float64, stretch [2]int, ms []float64) int {
	i, _ := slices.BinarySearch(ms, at)
	return s.at[min(max(i, stretch[0]), stretch[1]-1)]
}

// several reports whether two of the bursts may be two swings of one scene.
func (s *survey) several(bursts []clip.Burst) bool {
	for i, b := range bursts {
		for _, o := range bursts[:i] {
			if math.Abs(b.Ms-o.Ms) >= clip.ApartMs && clip.Scene(b.At, len(s.at), s.cuts) == clip.Scene(o.At, len(s.at), s.cuts) {
				return true
			}
		}
	}
	return false
}

// scenes are the whole scenes that hold bursts; without any, the longest.
func (s *survey) scenes(bursts []clip.Burst, looked sightingsAt, ms []float64) (out []window) {
	var longest [2]int
	for first := 0; first < len(s.at); {
		scene := clip.Scene(first, len(s.at), s.cuts)
		for _, b := range bursts {
			if b.At >= scene[0] && b.At < scene[1] {
				out = append(out, s.window(scene, bursts, looked, ms))
				break
			}
		}
		if scene[1]-scene[0] > longest[1]-longest[0] {
			longest = scene
		}
		first = scene[1]
	}
	if len(out) == 0 {
		out = append(out, s.window(longest, bursts, looked, ms))
	}
	return out
}

const (
	// faintest is the share of the weakest swing's burst that another swing's
	// has at least: one hitter before one camera, a check or a bunt included.
	faintest = 0.1
	// tried is how many bursts are looked at, at least, and how many more for
	// each minute of film: pitches come 4 a minute in a game and 10 in practice
	// (common practice, no source).
	tried, triedPerMinute = 10, 12
	// carriedTorsos tells a swing from a waggle; see pose.Swinging.
	carriedTorsos = 0.6
	// stillTorsos is the most that hands seem carried by that are not: what two looks
	// at one stance differ by.
	stillTorsos = 0.2
)

// around is when a burst is looked at, ms from its middle: first at the middle of
// the swing and before it, which tells a swing from a stance, then from the load to
// well past contact.
var around = []float64{-250, 0, 250, 100, -100, -450}

// confirm looks at a few pictures about each burst and keeps those at which
// somebody carries both hands round as with a bat; of those nearer than two
// swings can be, the strongest. refused is how many others there were, unlooked how
// many were one too many to look at.
func (a *Analyser) confirm(ctx context.Context, g *gallery, s *survey, ms []float64, bursts []clip.Burst) (swings []clip.Burst, looked sightingsAt, refused, unlooked int, err error) {
	looked = sightingsAt{}
	limit := tried + int(triedPerMinute*s.clip.DurationMs/60e3)
	for _, b := range bursts {
		if len(swings) > 0 && b.Strength < faintest*swings[len(swings)-1].Strength {
			break
		}
		if nearAny(swings, b) {
			continue
		}
		if len(swings) == maxSwings || len(swings)+refused == limit {
			unlooked++
			continue
		}
		yes, seen, err := a.swinging(ctx, g, s, ms, b)
		if err != nil {
			return nil, nil, 0, 0, err
		}
		if yes {
			swings, looked[b.At] = append(swings, b), seen
		} else {
			refused++
		}
	}
	return swings, looked, refused, unlooked, nil
}

func nearAny(bs []clip.Burst, b clip.Burst) bool {
	for _, o := range bs {
		if math.Abs(o.Ms-b.Ms) < clip.ApartMs {
			return true
		}
	}
	return false
}

func (a *Analyser) swinging(ctx context.Context, g *gallery, s *survey, ms []float64, b clip.Burst) (yes bool, seen []pose.Sighting, err error) {
	scene := clip.Scene(b.At, len(ms), s.cuts)
	search := a.pose.Search()
	looked := map[int]bool{}
	for k, off := range around {
		img, at, err := g.picture(ctx, s.takenAt(b.Ms+off, scene, ms))
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return false, nil, err
		}
		if looked[at] {
			continue
		}
		looked[at] = true
		if err := search.Look(ctx, img, g.clip.Times[at].Ms); err != nil {
			return false, nil, wrap(g.clip, "look for people", err)
		}
		switch carried := pose.Swinging(search.Seen()); {
		case carried >= carriedTorsos:
			return true, search.Seen(), nil
		case k == 1 && carried < stillTorsos:
			return false, nil, nil
		}
	}
	return false, nil, nil
}

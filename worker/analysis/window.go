package analysis

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"

	"nightcage/vision"
	"nightcage/vision/clip"
	"nightcage/vision/pose"
)

// maxSwings is how many swings of one clip are measured: a bucket of balls.
const maxSwings = 60

// survey is what one reading of the clip on thumbnails showed.
type survey struct {
	clip   vision.Clip // with lost and repeated pictures marked
	at     []int       // pictures read, indices into clip.Times
	energy []float64   // how much moved up to each
	cuts   []int       // into at: where another scene begins
}

func surveyClip(ctx context.Context, path string, c vision.Clip, steps *steps) (*survey, error) {
	r, err := clip.Open(ctx, c, path)
	if err != nil {
		return nil, err
	}
	defer r.Close()
	scan := clip.NewScan(vision.Box{})
	defer scan.Close()
	for {
		p, err := r.Next(ctx)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, err
		}
		if err := scan.Add(p.Index, r.Gray()); err != nil {
			return nil, wrap(c, "look for swings", err)
		}
		steps.surveyed()
	}
	s := &survey{clip: scan.Apply(r.Clip()), at: scan.Indices(), energy: scan.Energy(), cuts: scan.Cuts()}
	if n := len(s.cuts); n > 0 {
		s.clip.Notes = append(s.clip.Notes, fmt.Sprintf("the clip is cut in %d %s, first at %.1f s; no swing is followed across a cut",
			n, plural(n, "place", "places"), s.clip.Times[s.at[s.cuts[0]]].Ms/1000))
	}
	return s, nil
}

func plural(n int, one, more string) string {
	if n == 1 {
		return one
	}
	return more
}

// paces are how many times slower than it says a clip may be that says nothing of
// slow motion: by its own times a swing in it is no burst.
func paces(c vision.Clip) []float64 {
	if c.Clock.Source == vision.ClockTimestamps {
		return []float64{1, 2, 4, 8}
	}
	return []float64{1}
}

// times are the capture times of the pictures read, by the clock of c, made
// so many times shorter.
func (s *survey) times(c vision.Clip, slower float64) []float64 {
	ms := make([]float64, len(s.at))
	for i, k := range s.at {
		ms[i] = c.Times[k].Ms / slower
	}
	return ms
}

// plan is what of a clip is to be looked at in full.
type plan struct {
	windows  [][2]int // frames [first, end), one for each swing that there may be, in order of time
	refused  int      // other bursts of motion, at which nobody carries a bat
	unlooked int      // bursts that were one too many to look at
}

// windows finds what to look at in full. c is the clip by the clock to use. A
// short clip, or each scene of it, is looked at whole unless it shows two swings.
func (a *Analyser) windows(ctx context.Context, path string, c vision.Clip, s *survey) (p plan, err error) {
	whole := clip.Whole(c)
	var strongest, swings []clip.Burst
	var ms []float64
	for _, slower := range paces(c) {
		ms = s.times(c, slower)
		bursts := clip.Bursts(s.energy, ms, s.cuts)
		if slower == 1 {
			if strongest = bursts[:min(len(bursts), 1)]; whole && !s.several(bursts) {
				p.windows = s.scenes(bursts)
				return p, nil
			}
		}
		if swings, p.refused, p.unlooked, err = a.confirm(ctx, path, c, s, ms, bursts); err != nil {
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
		p.windows = s.scenes(swings)
		return p, nil
	}
	for _, w := range clip.Windows(swings, ms, s.cuts) {
		p.windows = append(p.windows, s.frames(w))
	}
	return p, nil
}

// frames takes a stretch of the pictures read to one of the clip's frames.
func (s *survey) frames(w [2]int) [2]int { return [2]int{s.at[w[0]], s.at[w[1]-1] + 1} }

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
func (s *survey) scenes(bursts []clip.Burst) (out [][2]int) {
	var longest [2]int
	for first := 0; first < len(s.at); {
		scene := clip.Scene(first, len(s.at), s.cuts)
		for _, b := range bursts {
			if b.At >= scene[0] && b.At < scene[1] {
				out = append(out, s.frames(scene))
				break
			}
		}
		if scene[1]-scene[0] > longest[1]-longest[0] {
			longest = scene
		}
		first = scene[1]
	}
	if len(out) == 0 {
		out = append(out, s.frames(longest))
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
func (a *Analyser) confirm(ctx context.Context, path string, c vision.Clip, s *survey, ms []float64, bursts []clip.Burst) (swings []clip.Burst, refused, unlooked int, err error) {
	r, err := clip.Open(ctx, c, path)
	if err != nil {
		return nil, 0, 0, err
	}
	defer r.Close()
	limit := tried + int(triedPerMinute*c.DurationMs/60e3)
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
		yes, err := a.swinging(ctx, r, c, s, ms, b)
		if err != nil {
			return nil, 0, 0, err
		}
		if yes {
			swings = append(swings, b)
		} else {
			refused++
		}
	}
	return swings, refused, unlooked, nil
}

func nearAny(bs []clip.Burst, b clip.Burst) bool {
	for _, o := range bs {
		if math.Abs(o.Ms-b.Ms) < clip.ApartMs {
			return true
		}
	}
	return false
}

func (a *Analyser) swinging(ctx context.Context, r *clip.Reader, c vision.Clip, s *survey, ms []float64, b clip.Burst) (bool, error) {
	scene := clip.Scene(b.At, len(ms), s.cuts)
	var seen []pose.Sighting
	last := -1
	for k, off := range around {
		i, _ := slices.BinarySearch(ms, b.Ms+off)
		i = min(max(i, scene[0]), scene[1]-1)
		if i == last {
			continue
		}
		last = i
		_, people, err := peopleAt(ctx, r, c, s.at[i], a.pose.People)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return false, err
		}
		seen = append(seen, pose.Sighting{Ms: ms[i], People: people})
		switch carried := pose.Swinging(seen); {
		case carried >= carriedTorsos:
			return true, nil
		case k == 1 && carried < stillTorsos:
			return false, nil
		}
	}
	return false, nil
}

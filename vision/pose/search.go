package pose

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"

	"gocv.io/x/gocv"
)

// Search looks for the people of one scene in several pictures of it. Who was seen
// in one is looked for in the next where they were, which takes the landmark network
// a run or two; the detector, some eight times that, runs where somebody is no longer there.
type Search struct {
	e    *Estimator
	seen []looked // in the order of the looks
}

type looked struct {
	Sighting
	depth effort // how hard the picture was searched
}

// effort is how hard a picture is searched for people who are not known yet.
type effort int

const (
	knownOnly  effort = iota
	inSquares         // as People does at first
	everywhere        // as it does where that finds nobody
)

// Search starts a search that has seen no picture yet.
func (e *Estimator) Search() *Search { return &Search{e: e} }

// Look takes another picture of the scene, taken at ms; in any order, each once.
// Where nobody is known yet it looks as People does.
func (s *Search) Look(ctx context.Context, img gocv.Mat, ms float64) error {
	k, err := s.add(ctx, img, ms)
	if err == nil && len(s.tracks()) == 0 {
		_, err = s.search(ctx, img, k, everywhere)
	}
	if err != nil {
		return fmt.Errorf("finding people: %w", err)
	}
	return nil
}

// Seen is who was seen so far, in ascending time.
func (s *Search) Seen() []Sighting {
	out := make([]Sighting, len(s.seen))
	for i, l := range s.seen {
		out[i] = l.Sighting
	}
	slices.SortStableFunc(out, func(a, b Sighting) int { return cmp.Compare(a.Ms, b.Ms) })
	return out
}

func (s *Search) tracks() (tracks []track) {
	for i, l := range s.Seen() {
		tracks = link(tracks, l.People, i)
	}
	return tracks
}

// add takes a new picture, the k-th: for those known, and in squares where one of
// them is missing or nobody is known.
func (s *Search) add(ctx context.Context, img gocv.Mat, ms float64) (k int, err error) {
	k = len(s.seen)
	s.seen = append(s.seen, looked{Sighting: Sighting{Ms: ms}})
	missing, err := s.again(ctx, img, k)
	if err == nil && (missing > 0 || len(s.seen[k].People) == 0) {
		_, err = s.search(ctx, img, k, inSquares)
	}
	return k, err
}

// again looks in the k-th picture for everybody seen in others and not in it, where
// they were in that nearest in time. missing is how many were not there.
func (s *Search) again(ctx context.Context, img gocv.Mat, k int) (missing int, err error) {
	at := &s.seen[k]
	all := s.Seen()
	for _, t := range s.tracks() {
		nearest, apart := 0, math.Inf(1)
		for i, p := range t.at {
			if d := math.Abs(all[p].Ms - at.Ms); d < apart {
				nearest, apart = i, d
			}
		}
		if apart == 0 {
			continue // seen in this picture
		}
		p, ok, err := s.e.again(ctx, img, t.people[nearest].ROI)
		if err != nil {
			return missing, err
		}
		if ok && !seenBefore(at.People, p) {
			at.People = append(at.People, p)
		} else {
			missing++
		}
	}
	return missing, nil
}

// search runs the detector over the k-th picture as far as it has not done so; more
// is how many were found that were not known in it.
func (s *Search) search(ctx context.Context, img gocv.Mat, k int, how effort) (more int, err error) {
	at := &s.seen[k]
	var in []ROI
	if at.depth < inSquares {
		in = append(in, squares(img.Cols(), img.Rows())...)
	}
	if at.depth < everywhere && how == everywhere {
		in = append(in, tiles(img.Cols(), img.Rows())...)
	}
	at.depth = max(at.depth, how)
	before := len(at.People)
	at.People, err = s.e.peopleIn(ctx, img, in, at.People)
	return len(at.People) - before, err
}

// settledShare of the side is how far a body may lie from the middle of its square for
// the look to count: a second look moves the marks no farther than their errors.
const settledShare = 0.05

// again looks for a person where they were in another picture.
func (e *Estimator) again(ctx context.Context, img gocv.Mat, at ROI) (p Person, ok bool, err error) {
	f := Follower{roi: at}
	s, err := e.see(ctx, img, at, false)
	if err != nil || !f.same(&s, jump) {
		return p, false, err
	}
	if r := s.next(); math.Hypot(r.X-at.X, r.Y-at.Y) > settledShare*at.Side || math.Abs(r.Side/at.Side-1) > settledShare {
		if s, err = e.see(ctx, img, r, false); err != nil || !f.same(&s, jump) {
			return p, false, err
		}
	}
	return s.person(), true, nil
}

// searched is how many pictures are searched for people before a swing seen in them
// ends the search: a hitter hidden in one is seen in another.
const searched = 2

// scoured is how many pictures are searched everywhere where nobody swung: of people so
// small that a search finds nine in ten, one in a hundred is missed in two of three.
const scoured = 3

// FindHitter looks for the hitter (see Hitter) in n pictures of one scene. It asks for
// them one at a time, in the order of k, and again where it has to search more, and
// ends once somebody was seen to swing whom nobody rivals: the earliest should come
// first, where a Follower is to start, and the most telling next. Where nobody swung
// every picture is searched, some for small people too: the search in squares misses a
// hitter beside somebody nearer.
//
// The picture's Mat stays the caller's and is looked at before the next is asked for;
// ms is its capture time, no two alike. A picture with the error io.EOF is left out;
// other errors end the search. ok is false when nobody was seen. Choice.Picture is
// the k of the earliest picture in which the hitter was seen.
func (e *Estimator) FindHitter(ctx context.Context, n int, picture func(k int) (img gocv.Mat, ms float64, err error)) (c Choice, ok bool, err error) {
	h := hunt{Search: e.Search(), picture: picture}
	if err := h.run(ctx, n); err != nil {
		return c, false, fmt.Errorf("finding the hitter: %w", err)
	}
	if c, ok = Hitter(h.Seen()); ok {
		c.Picture = h.pictureAt(h.Seen()[c.Picture].Ms)
	}
	return c, ok, nil
}

// hunt is a search over the pictures that a caller has.
type hunt struct {
	*Search
	picture func(k int) (gocv.Mat, float64, error)
	of      []int // for each picture seen, the caller's k
}

func (h *hunt) pictureAt(ms float64) int {
	return h.of[slices.IndexFunc(h.seen, func(l looked) bool { return l.Ms == ms })]
}

func (h *hunt) run(ctx context.Context, n int) error {
	for k := range n {
		img, ms, err := h.picture(k)
		if errors.Is(err, io.EOF) {
			continue
		}
		if err != nil {
			return err
		}
		i, err := h.add(ctx, img, ms)
		if err != nil {
			return err
		}
		h.of = append(h.of, k)
		if i < searched {
			if _, err := h.search(ctx, img, i, inSquares); err != nil {
				return err
			}
		}
		if c, ok := Hitter(h.Seen()); ok && c.Swung() && !c.rivalled && i+1 >= searched {
			return nil
		}
	}
	for _, how := range [...]effort{inSquares, everywhere} {
		for i := range h.seen {
			if c, ok := Hitter(h.Seen()); ok && c.Swung() {
				return nil
			}
			if h.seen[i].depth >= how || how == everywhere && i >= scoured {
				continue
			}
			if err := h.harder(ctx, i, how); err != nil {
				return err
			}
		}
	}
	return nil
}

// harder searches a picture harder, and looks in the others for those whom that showed.
func (h *hunt) harder(ctx context.Context, i int, how effort) error {
	img, _, err := h.picture(h.of[i])
	if err != nil {
		return err
	}
	more, err := h.search(ctx, img, i, how)
	if err != nil || more == 0 {
		return err
	}
	for j := range h.seen {
		if j == i {
			continue
		}
		if img, _, err = h.picture(h.of[j]); err != nil {
			return err
		}
		if _, err := h.again(ctx, img, j); err != nil {
			return err
		}
	}
	return nil
}

package analysis

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"

	"gocv.io/x/gocv"

	"nightcage/vision"
	"nightcage/vision/clip"
)

const (
	// surveyLines is how many lines the pictures have, at least, in which people are
	// looked for: the detector is shown squares of no less than half of these, made
	// 224 px wide.
	surveyLines = 540
	// keptMs is how far apart, at least, the pictures are that are kept of a short
	// clip, and keptMost how many there are, at most: 75 MB of a clip of 720 lines.
	keptMs, keptMost = 150, 27
)

// surveyShrink is the whole factor by which a clip's pictures are shrunk for that.
func surveyShrink(c vision.Clip) int { return max(1, min(c.Width, c.Height)/surveyLines) }

// survey is what one reading of the clip on thumbnails showed. Close it.
type survey struct {
	clip   vision.Clip // with lost and repeated pictures marked
	at     []int       // pictures read, indices into clip.Times
	energy []float64   // how much moved up to each
	cuts   []int       // into at: where another scene begins
	// kept are pictures of a short clip, by index, in which its hitter can be looked
	// for without reading it again; surveyShrink times smaller.
	kept map[int]gocv.Mat
}

func surveyClip(ctx context.Context, path string, c vision.Clip, steps *steps) (*survey, error) {
	r, err := clip.Open(ctx, c, path)
	if err != nil {
		return nil, err
	}
	defer r.Close()
	r.Shrink(surveyShrink(c))
	scan := clip.NewScan(vision.Box{})
	defer scan.Close()
	s, whole := &survey{kept: map[int]gocv.Mat{}}, false
	defer func() {
		if !whole {
			s.close()
		}
	}()
	due, every := math.Inf(1), 0.0 // when the next picture is kept
	if n := len(c.Times); clip.Whole(c) && n > 0 {
		due, every = 0, max(keptMs, c.Times[n-1].Ms/(keptMost-1))
	}
	for {
		index, err := r.Skip(ctx)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, err
		}
		thumb, err := r.Thumb()
		if err != nil {
			return nil, err
		}
		if err := scan.Add(index, thumb); err != nil {
			return nil, wrap(c, "look for swings", err)
		}
		if ms := c.Times[index].Ms; ms >= due {
			p, err := r.Picture()
			if err != nil {
				return nil, err
			}
			s.kept[index], due = p.BGR.Clone(), ms+every
		}
		steps.surveyed()
	}
	s.clip, s.at, s.energy, s.cuts = scan.Apply(r.Clip()), scan.Indices(), scan.Energy(), scan.Cuts()
	if n := len(s.cuts); n > 0 {
		s.clip.Notes = append(s.clip.Notes, fmt.Sprintf("the clip is cut in %d %s, first at %.1f s; no swing is followed across a cut",
			n, plural(n, "place", "places"), s.clip.Times[s.at[s.cuts[0]]].Ms/1000))
	}
	whole = true
	return s, nil
}

func (s *survey) close() {
	for _, m := range s.kept {
		m.Close()
	}
}

func plural(n int, one, more string) string {
	if n == 1 {
		return one
	}
	return more
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

// gallery gives the pictures in which people are looked for, surveyShrink times
// smaller than the clip's: those that the survey kept, else read from the file. It
// is for one goroutine. Close it.
type gallery struct {
	clip   vision.Clip
	path   string
	shrink int
	kept   map[int]gocv.Mat
	scenes []int        // where scenes begin but for the first, indices into clip.Times
	reader *clip.Reader // nil until a picture has to be read
}

func newGallery(path string, c vision.Clip, s *survey) *gallery {
	g := &gallery{clip: c, path: path, shrink: surveyShrink(c), kept: s.kept}
	for _, k := range s.cuts {
		g.scenes = append(g.scenes, s.at[k])
	}
	return g
}

func (g *gallery) close() {
	if g.reader != nil {
		g.reader.Close()
	}
}

// picture is one that was kept near the index, else the one with it or the first
// after it that decodes: at says which. It is valid until the next call. Past the last
// picture the error is io.EOF.
func (g *gallery) picture(ctx context.Context, index int) (img gocv.Mat, at int, err error) {
	if at, ok := g.near(index); ok {
		return g.kept[at], at, nil
	}
	if g.reader == nil {
		if g.reader, err = clip.Open(ctx, g.clip, g.path); err != nil {
			return img, 0, err
		}
		g.reader.Shrink(g.shrink)
	}
	if err := g.reader.Seek(ctx, index); err != nil {
		return img, 0, err
	}
	p, err := g.reader.Next(ctx)
	return p.BGR, p.Index, err
}

// near is the kept picture nearest in time to the one with an index, of the same
// scene; ok is false where none is within keptMs.
func (g *gallery) near(index int) (at int, ok bool) {
	least := float64(keptMs)
	for k := range g.kept {
		// Of two as near the earlier counts: the order of a map is no order.
		cut := slices.ContainsFunc(g.scenes, func(from int) bool { return (k < from) != (index < from) })
		if d := math.Abs(g.clip.Times[k].Ms - g.clip.Times[index].Ms); !cut && (d < least || d == least && k < at) {
			at, ok, least = k, true, d
		}
	}
	return at, ok
}

// median of x, which it sorts; 0 without any.
func median(x []float64) float64 {
	if len(x) == 0 {
		return 0
	}
	slices.Sort(x)
	return x[len(x)/2]
}

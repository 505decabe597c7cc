package truth

import (
	"math"

	"nightcage/vision"
)

// Sparse leaves the pictures of a track that an analysis of a clip looks at: every one
// from 350 ms before an instant to 200 ms after it, every second one for 100 ms more,
// some 60 a second elsewhere. The track given stays as it is.
func Sparse(t vision.Track, atMs float64) vision.Track {
	slow := max(1, int(math.Round(t.Clip.Clock.CaptureFPS/60)))
	out := t
	out.Frames = nil
	if t.Solution != nil {
		s := *t.Solution
		s.Frames = nil
		out.Solution = &s
	}
	for i, f := range t.Frames {
		step := slow
		switch d := f.Ms - atMs; {
		case d >= -350 && d <= 200:
			step = 1
		case d >= -450 && d <= 300:
			step = min(2, slow)
		}
		if (f.Index-t.Frames[0].Index)%step != 0 {
			continue
		}
		out.Frames = append(out.Frames, f)
		if t.Solution != nil {
			out.Solution.Frames = append(out.Solution.Frames, t.Solution.Frames[i])
		}
	}
	return out
}

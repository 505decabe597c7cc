package analysis

import (
	"gocv.io/x/gocv"

	"nightcage/vision"
	"nightcage/vision/ground"
	"nightcage/vision/ground/fit"
)

// groundPass gathers the pictures in which plate, lines and posts are looked for.
type groundPass struct {
	finder *ground.Finder
	frames int
}

func newGroundPass(frames int) *groundPass { return &groundPass{ground.NewFinder(), frames} }

// add takes the picture of the frame at place k of the track when it is wanted.
func (g *groundPass) add(k int, bgr gocv.Mat, f *vision.Frame) error {
	if !ground.Wanted(k, g.frames) {
		return nil
	}
	return g.finder.Add(bgr, f.Shift)
}

// finish looks and puts what it finds on the track. height is the hitter's,
// standing, px.
func (g *groundPass) finish(track *vision.Track, height float64) error {
	var x, y []float64
	for i := range track.Frames {
		f := &track.Frames[i]
		if len(f.Body) != vision.NumLandmarks || !f.Body[vision.LeftAnkle].Found() || !f.Body[vision.RightAnkle].Found() {
			continue
		}
		l, r := f.Body[vision.LeftAnkle], f.Body[vision.RightAnkle]
		u, v := f.Shift.Apply((l.X+r.X)/2, (l.Y+r.Y)/2)
		x, y = append(x, u), append(y, v)
	}
	if len(x) == 0 {
		track.Ground = &vision.Ground{NoPlate: "the hitter's feet were not seen, about which to look"}
		return nil
	}
	a := ground.About{AnklesX: median(x), AnklesY: median(y), HeightPx: height, HeightIn: track.Subject.HeightIn, Prior: fit.Before(&track.Clip)}
	if a.HeightIn <= 0 {
		a.HeightIn = nominalHeightIn
	}
	found, err := g.finder.Look(a)
	if err != nil {
		return wrap(track.Clip, "look at the ground", err)
	}
	track.Ground = found
	return nil
}

func (g *groundPass) close() { g.finder.Close() }

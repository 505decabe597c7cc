package smooth

import (
	"math"
	"slices"

	"nightcage/vision"
)

// Report says what Bodies did beyond smoothing.
type Report struct {
	Exchanged int // frames in which left and right of some limb were put back
	Bridged   int // marks filled in from the frames around
	Refused   int // landmarks seen too seldom for a path; their marks are as they came
}

const (
	// bridgeMs is the longest gap that a path is drawn across. Within a swing a
	// hidden elbow turns through 90 degrees in about this time.
	bridgeMs = 100
	// bridgeShare is the largest standard error, over the body's height, of a
	// mark filled in.
	bridgeShare = 0.04
)

// Bodies returns frames with smoothed bodies, heads, head radii and World. The
// input is not changed; bat, ball and everything else are copied. Frames are in
// ascending time. Marks that were found keep their standard error (see the
// package comment), Seen and How. Landmarks missing from frames between
// sightings at most 100 ms apart are filled in with How HowModel, Seen 0 and the
// standard error of their neighbours plus that of the path; longer gaps and the
// ends stay empty. Without any body the frames come back as they are.
func Bodies(frames []vision.Frame) ([]vision.Frame, Report) {
	out := slices.Clone(frames)
	for i := range out {
		out[i].Body, out[i].World = slices.Clone(out[i].Body), slices.Clone(out[i].World)
	}
	var report Report
	height := heightPx(out)
	if height == 0 {
		return out, report
	}
	report.Exchanged = sides(out, height)
	t := make([]float64, len(out))
	for i := range out {
		t[i] = out[i].Ms / 1000
	}
	bodies := make([][]vision.Mark, len(out)) // what is smoothed, apart from where it goes
	for i := range out {
		bodies[i] = slices.Clone(out[i].Body)
	}
	for l := range vision.NumLandmarks {
		report.add(marks(t, height,
			func(i int) vision.Mark {
				if len(bodies[i]) == 0 {
					return vision.Mark{}
				}
				return bodies[i][l]
			},
			func(i int, m vision.Mark) {
				if len(out[i].Body) == 0 {
					out[i].Body = make([]vision.Mark, vision.NumLandmarks)
				}
				out[i].Body[l] = m
			}))
		world(t, out, l)
	}
	report.add(marks(t, height,
		func(i int) vision.Mark { return frames[i].Head },
		func(i int, m vision.Mark) { out[i].Head = m }))
	radius(t, height, frames, out)
	return out, report
}

func (r *Report) add(bridged int, drawn bool) {
	r.Bridged += bridged
	if !drawn {
		r.Refused++
	}
}

// marks smooths one landmark read by get and written by set.
func marks(t []float64, height float64, get func(int) vision.Mark, set func(int, vision.Mark)) (bridged int, drawn bool) {
	s := series{t: t, values: make([][]float64, len(t)), noise: make([]float64, len(t)), scale: height}
	var seen []int
	for i := range t {
		m := get(i)
		s.noise[i] = 1
		if m.Found() {
			s.values[i], s.noise[i] = []float64{m.X, m.Y}, m.SigmaPx*m.SigmaPx
			seen = append(seen, i)
		}
	}
	if len(seen) < minSeen {
		return 0, len(seen) == 0
	}
	places, variance := s.path()
	for k, i := range seen {
		m := get(i)
		m.X, m.Y = places[i][0], places[i][1]
		set(i, m)
		if k == 0 || t[i]-t[seen[k-1]] > bridgeMs/1000. {
			continue
		}
		a := get(seen[k-1])
		for j := seen[k-1] + 1; j < i; j++ {
			around := max(a.SigmaPx, m.SigmaPx)
			if variance[j] > (bridgeShare*height)*(bridgeShare*height) {
				continue
			}
			set(j, vision.Mark{X: places[j][0], Y: places[j][1], SigmaPx: math.Sqrt(around*around + variance[j]), How: vision.HowModel})
			bridged++
		}
	}
	return bridged, true
}

// world smooths one landmark of the network's 3-D guess where it was given.
func world(t []float64, out []vision.Frame, l int) {
	s := series{t: t, values: make([][]float64, len(t)), noise: make([]float64, len(t)), scale: bodyMetres}
	seen := 0
	for i := range t {
		s.noise[i] = 1
		if len(out[i].World) > 0 {
			w := out[i].World[l]
			s.values[i] = []float64{w.X, w.Y, w.Z}
			seen++
		}
	}
	if seen < minSeen {
		return
	}
	places, _ := s.path()
	for i := range t {
		if s.values[i] != nil {
			out[i].World[l] = vision.Vec3{X: places[i][0], Y: places[i][1], Z: places[i][2]}
		}
	}
}

// radius smooths the head's radius where it was given.
func radius(t []float64, height float64, frames, out []vision.Frame) {
	s := series{t: t, values: make([][]float64, len(t)), noise: make([]float64, len(t)), scale: height}
	seen := 0
	for i := range t {
		s.noise[i] = 1
		if frames[i].HeadRadiusPx > 0 {
			s.values[i] = []float64{frames[i].HeadRadiusPx}
			seen++
		}
	}
	if seen < minSeen {
		return
	}
	places, _ := s.path()
	for i := range t {
		if s.values[i] != nil {
			out[i].HeadRadiusPx = places[i][0]
		}
	}
}

// heightPx is about the body's height: the longest that ears to shoulders to
// hips to knees to ankles come to, along the middle of the body, short of the
// outermost tenth of the frames. 0 when no frame has all of them.
func heightPx(frames []vision.Frame) float64 {
	chain := [...]vision.Landmark{vision.LeftEar, vision.LeftShoulder, vision.LeftHip, vision.LeftKnee, vision.LeftAnkle}
	var all []float64
	for i := range frames {
		b := frames[i].Body
		if len(b) == 0 {
			continue
		}
		sum := 0.0
		for k := 1; k < len(chain); k++ {
			u, v := chain[k-1], chain[k]
			if !b[u].Found() || !b[u+1].Found() || !b[v].Found() || !b[v+1].Found() {
				sum = math.NaN()
			}
			sum += math.Hypot(b[u].X+b[u+1].X-b[v].X-b[v+1].X, b[u].Y+b[u+1].Y-b[v].Y-b[v+1].Y) / 2
		}
		if !math.IsNaN(sum) {
			all = append(all, sum)
		}
	}
	if len(all) == 0 {
		return 0
	}
	slices.Sort(all)
	// Ear to ankle is 0.89 of standing height: ankle .039 and ear (some .07
	// below the top) of the body segments of Drillis and Contini 1966.
	return all[len(all)*9/10] / 0.89
}

package metrics

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"nightcage/vision"
)

// The lines across the body whose ends' errors a solver knows together.
const (
	hipLine = iota
	shoulderLine
	numLines
)

var lineLeft = [numLines]vision.Landmark{vision.LeftHip, vision.LeftShoulder}

// lineOf is the line that a point is an end of.
func lineOf(p point) (q int, ok bool) {
	if int(p) >= vision.NumLandmarks {
		return 0, false
	}
	q = slices.Index(lineLeft[:], leftOf(p))
	return q, q >= 0
}

// lineSample is the error of a line in one frame: of its middle, inches, and what a
// standard error of its heading moves the left end by; and of the rise of an end over
// the middle, inches.
type lineSample struct {
	middle, turn r3.Vec
	rise         float64
}

// turnKept is the share of a heading's variance that lasts the whole swing: a
// network's leaning for this hitter, as the solver has it (vision/solve/relief.go).
const turnKept = .3

// putLines takes over the lines of a solution's frames.
func (m *motion) putLines(t *vision.Track, use []int) {
	for q := range m.lines {
		any := false
		lines := make([]lineSample, len(use))
		for i, j := range use {
			f := &t.Solution.Frames[j]
			e := [numLines]vision.LineError{f.HipLine, f.ShoulderLine}[q]
			if !e.Valid || len(f.Body) < vision.NumLandmarks || !finite(e.SX, e.SY, e.SZ, e.TurnRad, e.RiseIn) {
				continue
			}
			any = true
			half := r3.Scale(.5, r3.Sub(fromVision(f.Body[lineLeft[q]].Vec3), fromVision(f.Body[lineLeft[q]+1].Vec3)))
			lines[i] = lineSample{r3.Vec{X: e.SX, Y: e.SY, Z: e.SZ}, r3.Scale(e.TurnRad, r3.Vec{X: half.Z, Z: -half.X}), e.RiseIn}
		}
		if any {
			m.lines[q] = lines
		}
	}
}

// lineOf is the errors of the line that a point is an end of; nil where it has none.
func (m *motion) lineOf(p point) []lineSample {
	if q, ok := lineOf(p); ok {
		return m.lines[q]
	}
	return nil
}

// beyondLine is beyond for the ends of a line: its heading is the network's own
// word, with its own error, and no matter of where a joint is taken to be.
func (e JointError) beyondLine(lines []lineSample) JointError {
	held := make([]float64, 0, len(lines))
	for i := range lines {
		if s := &lines[i]; s.middle != (r3.Vec{}) {
			held = append(held, (s.middle.X*s.middle.X+s.middle.Y*s.middle.Y)/2)
		}
	}
	if len(held) == 0 {
		return e
	}
	slices.Sort(held)
	return JointError{Pair: math.Sqrt(max(0, e.Pair*e.Pair+e.Own*e.Own/2-held[len(held)/2]))}
}

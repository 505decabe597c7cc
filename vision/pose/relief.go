package pose

import (
	"context"
	"math"

	"nightcage/vision"
)

// Units of the depth network's raw output; models/body_depth.md.
const (
	depthUnit    = 0.1  // standing heights
	depthScale   = 0.04 // standing heights
	headingScale = 0.2  // rad

	// Scales outside these are no more than what the network was held to in training.
	leastDepthLog, mostDepthLog     = -7, 1
	leastHeadingLog, mostHeadingLog = -5, 1
)

// deepen runs the depth network on what the landmark network has just given for the
// square of s.
func (e *Estimator) deepen(ctx context.Context, s *sight) error {
	// Outputs 4 to 8 are the inner maps, 0 the landmarks, 3 the world places.
	for i, from := range [...]int{4, 5, 6, 7, 8, 0, 3} {
		copy(e.depth.Input(i), e.landmarks.Output(from))
	}
	if err := e.depth.Run(ctx); err != nil {
		return err
	}
	out := e.depth.Output(0)
	s.relief = readRelief(out, s.roi.Turn)
	s.joints = readJoints(out[len(out)-3*numJoints:], e.landmarks.Output(0), s.roi)
	return nil
}

// readRelief decodes the network's raw output for a square turned by turn.
func readRelief(out []float32, turn float64) *vision.Relief {
	const n = vision.NumDepths
	r := &vision.Relief{}
	for i := range r.Depths {
		r.Depths[i] = vision.DepthGuess{Z: depthUnit * float64(out[i]), Scale: scaleOf(out[n+i], depthScale, leastDepthLog, mostDepthLog)}
	}
	for i, line := range []*vision.Heading{&r.Hips, &r.Shoulders} {
		raw := out[2*n+4*i : 2*n+4*i+4]
		*line = vision.Heading{Dir: upright(raw, turn), ScaleRad: scaleOf(raw[3], headingScale, leastHeadingLog, mostHeadingLog)}
	}
	return r
}

// scaleOf is unit times e to the given log, the log of the product held to bounds.
func scaleOf(log float32, unit, least, most float64) float64 {
	return math.Exp(max(least, min(most, float64(log)+math.Log(unit))))
}

// upright turns a vector of a turned square into the picture's axes and makes it
// of unit length.
func upright(v []float32, turn float64) vision.Vec3 {
	sin, cos := math.Sincos(turn)
	x, y, z := float64(v[0]), float64(v[1]), float64(v[2])
	n := math.Sqrt(x*x + y*y + z*z)
	if n == 0 {
		return vision.Vec3{}
	}
	return vision.Vec3{X: (cos*x - sin*y) / n, Y: (sin*x + cos*y) / n, Z: z / n}
}

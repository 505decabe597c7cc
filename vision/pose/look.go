package pose

import (
	"context"
	"math"

	"gocv.io/x/gocv"

	"nightcage/models"
	"nightcage/vision"
)

const (
	lookSize  = 256 // px, the landmark network's input
	points    = 39  // points it gives
	heatCells = 64  // cells along a side of a point's heat map
	hipPoint  = 33  // middle of the hips
	rimPoint  = 34  // a point on the circle about the whole person

	// refineFrom is the least peak of a heat map that may move a point.
	refineFrom = 0.5
	// refineReach is how many cells about the regressed point are weighed: 7x7.
	refineReach = 3
)

// from lists, for each landmark, the network's points whose mean it is: the
// hand is the middle of the index and little-finger knuckles.
var from = [vision.NumLandmarks][]int{
	vision.Nose: {0}, vision.LeftEye: {2}, vision.RightEye: {5}, vision.LeftEar: {7}, vision.RightEar: {8},
	vision.LeftShoulder: {11}, vision.RightShoulder: {12}, vision.LeftElbow: {13}, vision.RightElbow: {14},
	vision.LeftWrist: {15}, vision.RightWrist: {16}, vision.LeftHand: {17, 19}, vision.RightHand: {18, 20},
	vision.LeftHip: {23}, vision.RightHip: {24}, vision.LeftKnee: {25}, vision.RightKnee: {26},
	vision.LeftAnkle: {27}, vision.RightAnkle: {28}, vision.LeftHeel: {29}, vision.RightHeel: {30},
	vision.LeftToe: {31}, vision.RightToe: {32},
}

// point is one of the network's 39, in image px, with world metres.
type point struct {
	x, y         float64
	seen, inside float64 // probabilities: in plain view; inside the picture
	world        vision.Vec3
	peak         float64 // largest value of its heat map, after the sigmoid
}

// sight is one run of the landmark network.
type sight struct {
	points   [points]point
	presence float64
	roi      ROI
	relief   *vision.Relief    // nil where nobody is, or the depth network did not run
	joints   *[numJoints]joint // the same
}

// next is the square in which to look for the same person in the next frame.
func (s *sight) next() ROI {
	h, r := s.points[hipPoint], s.points[rimPoint]
	return aroundHips(h.x, h.y, r.x, r.y)
}

// clear is the presence below which a square is looked at again without thin
// lines: a body in plain view gives .98 and more.
const clear = 0.95

// see looks at one square, and where the network is in doubt again with thin lines
// taken out, as through a net; it gives the surer of the two.
func (e *Estimator) see(ctx context.Context, img gocv.Mat, r ROI, deep deepened) (sight, error) {
	s, err := e.once(ctx, img, r, false, deep)
	if err != nil || s.presence >= clear {
		return s, err
	}
	through, err := e.once(ctx, img, r, true, deep)
	if err != nil || through.presence <= s.presence {
		return s, err
	}
	return through, nil
}

// deepened says whether the depth network runs too. Without it a sight tells where to
// look next, and has no look.
type deepened bool

// once runs the landmark network on one square and, where somebody is and deep says
// so, the depth network.
func (e *Estimator) once(ctx context.Context, img gocv.Mat, r ROI, net unveiled, deep deepened) (sight, error) {
	s := sight{roi: r}
	if err := e.lookCrop.into(e.landmarks.Input(0), img, r, net); err != nil {
		return s, err
	}
	if err := e.landmarks.Run(ctx); err != nil {
		return s, err
	}
	s.read(e.landmarks)
	if s.presence < present || !bool(deep) {
		return s, nil
	}
	return s, e.deepen(ctx, &s)
}

// read decodes the network's outputs into s, whose roi is set.
func (s *sight) read(net *models.Session) {
	marks, heat, world := net.Output(0), net.Output(2), net.Output(3)
	s.presence = float64(net.Output(1)[0])
	sin, cos := math.Sincos(s.roi.Turn)
	for i := range points {
		raw := marks[5*i : 5*i+5]
		u, v := float64(raw[0])/lookSize, float64(raw[1])/lookSize
		u, v, peak := refine(heat[i*heatCells*heatCells:(i+1)*heatCells*heatCells], u, v)
		wx, wy, wz := float64(world[3*i]), float64(world[3*i+1]), float64(world[3*i+2])
		p := point{seen: sigmoid(float64(raw[3])), inside: sigmoid(float64(raw[4])), peak: peak,
			world: vision.Vec3{X: cos*wx - sin*wy, Y: sin*wx + cos*wy, Z: wz}}
		p.x, p.y = s.roi.toImage(u, v)
		s.points[i] = p
	}
}

// refine moves a regressed point (0..1 of the crop) to the middle of its heat
// map's mass in the 7x7 cells about it, when the map has a clear peak there.
// A cell's weight is the sigmoid of its logit; cell k stands for k/64.
func refine(heat []float32, u, v float64) (ru, rv, peak float64) {
	col, row := int(u*heatCells), int(v*heatCells)
	if col < 0 || row < 0 || col >= heatCells || row >= heatCells {
		return u, v, 0
	}
	var sum, sumX, sumY float64
	for y := max(row-refineReach, 0); y <= min(row+refineReach, heatCells-1); y++ {
		for x := max(col-refineReach, 0); x <= min(col+refineReach, heatCells-1); x++ {
			w := sigmoid(float64(heat[y*heatCells+x]))
			peak = max(peak, w)
			sum, sumX, sumY = sum+w, sumX+w*float64(x), sumY+w*float64(y)
		}
	}
	if peak < refineFrom {
		return u, v, peak
	}
	return sumX / sum / heatCells, sumY / sum / heatCells, peak
}

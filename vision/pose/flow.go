package pose

import (
	"fmt"
	"image"
	"math"
	"slices"

	"gocv.io/x/gocv"

	"nightcage/vision"
	"nightcage/vision/pose/smooth"
)

// Flow measures how far the patches of picture under a person's landmarks move
// from one picture to the next (sparse Lucas-Kanade, forward and back). Close it.
type Flow struct {
	before gocv.Mat // the last picture, gray
	body   []vision.Mark
	height float64
	stop   gocv.TermCriteria
}

// Points of a landmark's patch are looked for at the landmark and on the lines
// to its neighbours on the same rigid part: landmark, share of the way.
type via struct {
	to    vision.Landmark
	share float64
}

// patches says where each landmark's patch is sampled, for the left side; the
// right is its mirror. Landmarks without an entry (eyes, ears, fists) lie on
// parts that turn under the same place or blur too much to be followed. Heel
// and toe lie at the shoe's edge, where half of a patch is ground that stands
// still; theirs are sampled further in.
var patches = map[vision.Landmark][]via{
	vision.Nose:         {{vision.LeftEye, 0}, {vision.LeftEye, 0.7}, {vision.RightEye, 0.7}, {vision.LeftEar, 0.4}, {vision.RightEar, 0.4}},
	vision.LeftShoulder: {{vision.LeftHip, 0}, {vision.LeftHip, 0.08}, {vision.LeftHip, 0.16}, {vision.RightShoulder, 0.2}, {vision.LeftElbow, 0.15}},
	vision.LeftElbow:    {{vision.LeftShoulder, 0}, {vision.LeftShoulder, 0.15}, {vision.LeftWrist, 0.15}},
	vision.LeftHip:      {{vision.LeftKnee, 0}, {vision.LeftKnee, 0.12}, {vision.LeftShoulder, 0.1}, {vision.RightHip, 0.3}, {vision.RightHip, 0.15}},
	vision.LeftKnee:     {{vision.LeftAnkle, 0}, {vision.LeftAnkle, 0.12}, {vision.LeftAnkle, 0.06}, {vision.LeftHip, 0.1}},
	vision.LeftAnkle:    {{vision.LeftKnee, 0}, {vision.LeftKnee, 0.1}, {vision.LeftHeel, 0.4}, {vision.LeftToe, 0.2}},
	vision.LeftHeel:     {{vision.LeftToe, 0.15}, {vision.LeftToe, 0.25}, {vision.LeftAnkle, 0.3}, {vision.LeftAnkle, 0.5}},
	vision.LeftToe:      {{vision.LeftHeel, 0.2}, {vision.LeftHeel, 0.3}, {vision.LeftAnkle, 0.2}, {vision.LeftAnkle, 0.3}},
}

func patch(l vision.Landmark) []via {
	if p, ok := patches[l]; ok {
		return p
	}
	if l == vision.Nose || (l-1)%2 == 0 { // a left-side landmark without a patch
		return nil
	}
	var out []via
	for _, v := range patches[l-1] {
		to := (v.to - 1) ^ 1 + 1
		out = append(out, via{to, v.share})
	}
	return out
}

const (
	// Windows of some 4 in on a hitter 400 px tall; smaller ones jump, larger
	// ones take in the ground.
	flowWindowShare = 0.045
	flowLevels      = 3
	flowLeastEigen  = 1e-4 // OpenCV's own default: cloth has little texture
	// backShare is how far from its start a point may end when it is followed
	// there and back, over the standing height.
	backShare = 0.004
	// leastSigmaPx is the standard error of a step at its best: interpolation
	// and compression.
	leastSigmaPx = 0.12
	// marginShare of the standing height is kept around the body when the
	// pictures are cut down to it.
	marginShare = 0.15
)

// NewFlow makes a Flow that has seen no picture yet.
func NewFlow() *Flow {
	return &Flow{before: gocv.NewMat(), stop: gocv.NewTermCriteria(gocv.Count+gocv.EPS, 20, 0.02)}
}

// Close frees the native memory.
func (f *Flow) Close() error { return f.before.Close() }

// Next takes the next picture, gray, 8 bits, with the person seen in it, and
// returns a step from the picture before for each landmark, NumLandmarks long,
// or nothing when the person was not seen there.
func (f *Flow) Next(gray gocv.Mat, look Look) ([]smooth.Step, error) {
	if gray.Type() != gocv.MatTypeCV8UC1 || gray.Empty() {
		return nil, fmt.Errorf("follow the body's patches: picture of type %v, want 8-bit gray", gray.Type())
	}
	var steps []smooth.Step
	if len(f.body) > 0 && !f.before.Empty() && f.before.Cols() == gray.Cols() && f.before.Rows() == gray.Rows() {
		steps = f.steps(gray)
	}
	gray.CopyTo(&f.before)
	f.body, f.height = nil, look.StandingPx()
	if look.Found {
		f.body = slices.Clone(look.Body)
	}
	return steps, nil
}

// steps follows the points of the last body into the picture now.
func (f *Flow) steps(now gocv.Mat) []smooth.Step {
	area := around(bounds(f.body), marginShare*f.height, now.Cols(), now.Rows())
	if area.Dx() < 32 || area.Dy() < 32 {
		return nil
	}
	a, b := f.before.Region(area), now.Region(area)
	defer a.Close()
	defer b.Close()
	var from [][2]float64
	var of []int
	for l := range vision.NumLandmarks {
		for _, v := range patch(vision.Landmark(l)) {
			p, q := f.body[l], f.body[v.to]
			x, y := p.X+v.share*(q.X-p.X)-float64(area.Min.X), p.Y+v.share*(q.Y-p.Y)-float64(area.Min.Y)
			if x > 1 && y > 1 && x < float64(area.Dx())-2 && y < float64(area.Dy())-2 {
				from, of = append(from, [2]float64{x, y}), append(of, l)
			}
		}
	}
	to, ok := f.track(a, b, from)
	back, okBack := f.track(b, a, to)
	dx, dy := make([][]float64, vision.NumLandmarks), make([][]float64, vision.NumLandmarks)
	for i, l := range of {
		if ok[i] && okBack[i] && math.Hypot(back[i][0]-from[i][0], back[i][1]-from[i][1]) < backShare*f.height {
			dx[l] = append(dx[l], to[i][0]-from[i][0])
			dy[l] = append(dy[l], to[i][1]-from[i][1])
		}
	}
	out := make([]smooth.Step, vision.NumLandmarks)
	for l := range out {
		// Half the patch must be followed for its middle to mean anything.
		if n := len(dx[l]); n > 0 && 2*n >= len(patch(vision.Landmark(l))) {
			mx, sx := middleOf(dx[l])
			my, sy := middleOf(dy[l])
			sigma := max(sx, sy) / math.Sqrt(float64(n))
			out[l] = smooth.Step{X: f.body[l].X, Y: f.body[l].Y, DX: mx, DY: my, SigmaPx: math.Hypot(leastSigmaPx, sigma)}
		}
	}
	return out
}

// track runs the flow one way.
func (f *Flow) track(a, b gocv.Mat, points [][2]float64) (to [][2]float64, ok []bool) {
	to, ok = make([][2]float64, len(points)), make([]bool, len(points))
	if len(points) == 0 {
		return to, ok
	}
	src := gocv.NewMatWithSize(len(points), 1, gocv.MatTypeCV32FC2)
	dst, status, residual := gocv.NewMat(), gocv.NewMat(), gocv.NewMat()
	defer func() {
		for _, m := range []gocv.Mat{src, dst, status, residual} {
			m.Close()
		}
	}()
	for i, p := range points {
		src.SetFloatAt(i, 0, float32(p[0]))
		src.SetFloatAt(i, 1, float32(p[1]))
	}
	side := max(9, int(flowWindowShare*f.height)|1)
	gocv.CalcOpticalFlowPyrLKWithParams(a, b, src, dst, &status, &residual, image.Pt(side, side), flowLevels, f.stop, 0, flowLeastEigen)
	for i := range points {
		v := dst.GetVecfAt(i, 0)
		to[i] = [2]float64{float64(v[0]), float64(v[1])}
		ok[i] = status.GetUCharAt(i, 0) != 0
	}
	return to, ok
}

// middleOf is the median and the spread (1.4826 times the median absolute
// deviation, a standard deviation for normal errors); it sorts x.
func middleOf(x []float64) (median, spread float64) {
	slices.Sort(x)
	median = (x[(len(x)-1)/2] + x[len(x)/2]) / 2
	off := make([]float64, len(x))
	for i, v := range x {
		off[i] = math.Abs(v - median)
	}
	slices.Sort(off)
	return median, 1.4826 * (off[(len(off)-1)/2] + off[len(off)/2]) / 2
}

// around is the box grown by margin, within a w x h picture.
func around(b vision.Box, margin float64, w, h int) image.Rectangle {
	return image.Rect(int(b.X0-margin), int(b.Y0-margin), int(b.X1+margin)+1, int(b.Y1+margin)+1).
		Intersect(image.Rect(0, 0, w, h))
}

package pose

import (
	"context"
	"math"
	"slices"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"nightcage/vision"
	"nightcage/vision/truth"
)

const degree = math.Pi / 180

// reliefErrors gathers how far reliefs lie off the truth.
type reliefErrors struct {
	hips, shoulders []float64 // of the headings, degrees
	rises           []float64 // of both lines' angles with the picture's level, degrees
	depths          []float64 // of all differences of depth, per mille of standing height
	ratios          []float64 // of headings and depths over their scales
}

// add compares a frame's relief with the truth in the axes of vision.Relief.
func (e *reliefErrors) add(t *testing.T, f *truth.File, frame *vision.Frame) {
	t.Helper()
	if frame.Relief == nil {
		t.Fatalf("%s frame %d: no relief", f.Name, frame.Index)
	}
	at := func(l vision.Landmark) r3.Vec {
		p, ok := f.Landmark(frame.Index, l)
		if !ok {
			t.Fatalf("%s frame %d: no truth for landmark %d", f.Name, frame.Index, l)
		}
		return r3.Vec(p.XYZ)
	}
	middle := func(l vision.Landmark) r3.Vec { return r3.Scale(.5, r3.Add(at(l), at(l+1))) }
	hips := middle(vision.LeftHip)
	// z along the ray; x and y where the picture's column and row grow fastest, square to z
	z := r3.Unit(r3.Sub(hips, r3.Vec(f.Camera.Centre)))
	p := f.Frames[frame.Index].P
	u, v, _ := p.Project(vision.Vec3(hips))
	row := func(i int) r3.Vec { return r3.Vec{X: p[i][0], Y: p[i][1], Z: p[i][2]} }
	x := r3.Unit(r3.Sub(row(0), r3.Scale(u, row(2))))
	y := r3.Unit(r3.Sub(row(1), r3.Scale(v, row(2))))

	for _, line := range []struct {
		got    vision.Heading
		left   vision.Landmark
		errors *[]float64
	}{{frame.Relief.Hips, vision.LeftHip, &e.hips}, {frame.Relief.Shoulders, vision.LeftShoulder, &e.shoulders}} {
		want := r3.Unit(r3.Sub(at(line.left), at(line.left+1)))
		off := math.Abs(math.Remainder(math.Atan2(line.got.Dir.Z, line.got.Dir.X)-math.Atan2(r3.Dot(want, z), r3.Dot(want, x)), 2*math.Pi))
		*line.errors = append(*line.errors, off/degree)
		e.ratios = append(e.ratios, off/line.got.ScaleRad)
		e.rises = append(e.rises, math.Abs(math.Asin(line.got.Dir.Y)-math.Asin(r3.Dot(want, y)))/degree)
		if n := r3.Norm(r3.Vec(line.got.Dir)); math.Abs(n-1) > 1e-6 {
			t.Fatalf("%s frame %d: a direction of length %.3f", f.Name, frame.Index, n)
		}
	}
	depth := func(d vision.Depth, far, near r3.Vec) {
		g := frame.Relief.Depths[d]
		off := math.Abs(g.Z - r3.Dot(r3.Sub(far, near), z)/f.Hitter.HeightIn)
		e.depths = append(e.depths, 1000*off)
		e.ratios = append(e.ratios, off/g.Scale)
	}
	for side := range vision.Landmark(2) {
		d := vision.Depth(side)
		depth(vision.LeftKneeHip+d, at(vision.LeftKnee+side), at(vision.LeftHip+side))
		depth(vision.LeftAnkleKnee+d, at(vision.LeftAnkle+side), at(vision.LeftKnee+side))
		shoulder, wrist := at(vision.LeftShoulder+side), at(vision.LeftWrist+side)
		depth(vision.LeftWristShoulder+d, wrist, shoulder)
		depth(vision.LeftElbowArm+d, at(vision.LeftElbow+side), r3.Scale(.5, r3.Add(wrist, shoulder)))
		depth(vision.LeftToeHeel+d, at(vision.LeftToe+side), at(vision.LeftHeel+side))
	}
	shoulders, head := middle(vision.LeftShoulder), f.Frames[frame.Index].Joints["head_centre"].XYZ
	depth(vision.ShouldersHips, shoulders, hips)
	depth(vision.HeadShoulders, r3.Vec(head), shoulders)
	depth(vision.AnkleAnkle, at(vision.LeftAnkle), at(vision.RightAnkle))
}

// check holds the medians to about twice what was measured, and the shares within the
// scales to those of Student's t of 4 degrees of freedom: half of its draws lie within
// .741, 95 % within 2.776 (any table of it).
func (e *reliefErrors) check(t *testing.T) {
	t.Helper()
	for _, c := range []struct {
		name  string
		off   []float64
		bound float64
	}{{"heading of the hips", e.hips, 8}, {"heading of the shoulders", e.shoulders, 4}, {"rise of the lines", e.rises, 3}, {"depth, per mille", e.depths, 16}} {
		slices.Sort(c.off)
		n := len(c.off)
		t.Logf("%s: off by %.1f at the median, %.1f at the 90th percentile of %d", c.name, c.off[n/2], c.off[n*9/10], n)
		if c.off[n/2] > c.bound {
			t.Errorf("%s: median error %.1f, want at most %.0f", c.name, c.off[n/2], c.bound)
		}
	}
	within := func(k float64) float64 {
		n := 0
		for _, r := range e.ratios {
			if r < k {
				n++
			}
		}
		return float64(n) / float64(len(e.ratios))
	}
	half, most := within(.741), within(2.776)
	t.Logf("%.1f %% within .741 scales, %.1f %% within 2.776", 100*half, 100*most)
	if half < .4 || half > .75 || most < .9 {
		t.Errorf("%.1f %% within .741 scales, %.1f %% within 2.776; want some 50 and 95", 100*half, 100*most)
	}
}

// A body looked at in squares turned by up to 14 degrees is the same body: the lines
// must keep their directions in the picture, not in the square.
func TestReliefIsOfThePicture(t *testing.T) {
	e, ctx := estimator(t), context.Background()
	for _, name := range clips {
		img := firstPicture(t, name)
		people, err := e.People(ctx, img)
		if err != nil || len(people) == 0 {
			t.Fatalf("%s: %d people: %v", name, len(people), err)
		}
		look := func(turn float64) *vision.Relief {
			r := people[0].ROI
			r.Turn += turn
			s, err := e.once(ctx, img, r, false, true)
			if err != nil || s.relief == nil {
				t.Fatalf("%s turned by %.2f: presence %.2f: %v", name, turn, s.presence, err)
			}
			return s.relief
		}
		left, right := look(-.25), look(.25)
		for _, c := range []struct {
			line string
			a, b vision.Heading
		}{{"hips", left.Hips, right.Hips}, {"shoulders", left.Shoulders, right.Shoulders}} {
			apart := math.Acos(min(1, r3.Dot(r3.Vec(c.a.Dir), r3.Vec(c.b.Dir)))) / degree
			t.Logf("%s: %s %.1f deg apart", name, c.line, apart)
			if apart > 15 {
				t.Errorf("%s: the %s' line of two squares 29 deg apart differs by %.1f deg", name, c.line, apart)
			}
		}
	}
}

// readRelief by hand: see models/body_depth.md for the units.
func TestReadRelief(t *testing.T) {
	var out [34]float32
	out[vision.RightAnkleKnee] = -1.5     // tenths of a height
	out[13+vision.RightAnkleKnee] = 1     // e times .04
	out[13+vision.AnkleAnkle] = -40       // held to e^-7
	copy(out[26:], []float32{3, 0, 4, 0}) // hips: to the right and away
	copy(out[30:], []float32{0, -2, 0, float32(math.Log(2))})
	r := readRelief(out[:], math.Pi/2) // the square's right is the picture's down
	for _, c := range []struct {
		name      string
		got, want float64
	}{
		{"depth", r.Depths[vision.RightAnkleKnee].Z, -.15},
		{"its scale", r.Depths[vision.RightAnkleKnee].Scale, .04 * math.E},
		{"least scale", r.Depths[vision.AnkleAnkle].Scale, math.Exp(-7)},
		{"hips x", r.Hips.Dir.X, 0}, {"hips y", r.Hips.Dir.Y, .6}, {"hips z", r.Hips.Dir.Z, .8},
		{"hips' scale", r.Hips.ScaleRad, .2},
		{"shoulders x", r.Shoulders.Dir.X, 1}, {"shoulders y", r.Shoulders.Dir.Y, 0}, {"shoulders z", r.Shoulders.Dir.Z, 0},
		{"shoulders' scale", r.Shoulders.ScaleRad, .4},
	} {
		if math.Abs(c.got-c.want) > 1e-6 {
			t.Errorf("%s: %.6f, want %.6f", c.name, c.got, c.want)
		}
	}
}

// readJoints by hand, in a square of 512 px about (100, 100) that leans by a quarter
// turn, where two picture px are one of the square and the square's right is the
// picture's down: the landmark network's place for the left elbow, point 13, is the
// square's middle, and the head's lies between the ears, points 7 and 8.
func TestReadJoints(t *testing.T) {
	landmarks := make([]float32, 5*points)
	landmarks[5*13], landmarks[5*13+1] = 128, 128
	landmarks[5*7], landmarks[5*8] = 120, 140
	landmarks[5*7+1], landmarks[5*8+1] = 10, 20
	out := make([]float32, 3*numJoints)
	copy(out[3*1:], []float32{1, -.5, float32(math.Log(2))}) // 4 px right, 2 up; scale 8 px
	out[3*(numJoints-1)+2] = -40                             // held to e^-2
	js := readJoints(out, landmarks, ROI{X: 100, Y: 100, Side: 512, Turn: math.Pi / 2})
	head := js[numJoints-1]
	for _, c := range []struct {
		name      string
		got, want float64
	}{
		{"elbow x", js[1].x, 104}, {"elbow y", js[1].y, 108}, {"elbow's error", js[1].sigma, placeTrust * 16},
		{"head x", head.x, 100 + 2*(128-15)}, {"head y", head.y, 100 + 2*(130-128)}, {"head's error", head.sigma, placeTrust * 2 * math.Exp(-2)},
	} {
		if math.Abs(c.got-c.want) > 1e-5 {
			t.Errorf("%s: %.6f, want %.6f", c.name, c.got, c.want)
		}
	}
}

// Where to look next does not depend on the depth network: a new person is settled
// on without it, and found where all runs of it would have found them.
func TestAimNeedsNoDepth(t *testing.T) {
	e, ctx := estimator(t), context.Background()
	for _, name := range clips {
		img := firstPicture(t, name)
		people, err := e.People(ctx, img)
		if err != nil || len(people) == 0 {
			t.Fatalf("%s: %d people: %v", name, len(people), err)
		}
		var next [2]ROI
		for k, deep := range []deepened{false, true} {
			s, err := e.see(ctx, img, people[0].ROI, deep)
			if err != nil || (s.relief != nil) != bool(deep) || (s.joints != nil) != bool(deep) {
				t.Fatalf("%s: deepened %v: relief %v: %v", name, deep, s.relief, err)
			}
			next[k] = s.next()
		}
		if next[0] != next[1] {
			t.Errorf("%s: next square %+v without depth, %+v with", name, next[0], next[1])
		}
	}
}

func TestFused(t *testing.T) {
	m := vision.Mark{X: 10, Y: 20, SigmaPx: 3}
	for _, c := range []struct {
		name    string
		j       joint
		x, y, s float64
	}{
		// weights 1/9 and 1/9: the middle; errors are one error
		{"alike", joint{10, 20, 3}, 10, 20, 3},
		// apart by 8 px: .25*64/2 = 8 on top of 9
		{"apart", joint{18, 20, 3}, 14, 20, math.Sqrt(17)},
		// weights 1/9 and 1: nine tenths of the way; .9*1 + .1*3
		{"a surer joint", joint{10, 20, 1}, 10, 20, 1.2},
		{"one that says nothing", joint{500, 900, 3e6}, 10, 20, 3},
	} {
		got := fused(m, c.j)
		if math.Abs(got.X-c.x) > 1e-3 || math.Abs(got.Y-c.y) > 1e-3 || math.Abs(got.SigmaPx-c.s) > 1e-3 {
			t.Errorf("%s: (%.3f, %.3f) ± %.3f, want (%.3f, %.3f) ± %.3f", c.name, got.X, got.Y, got.SigmaPx, c.x, c.y, c.s)
		}
	}
}

package truth

import (
	"bytes"
	"encoding/json"
	"errors"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"nightcage/vision"
)

const clips = "../../testdata/clips"

// readAll returns every committed truth file: both hands, shaken and still
// cameras, open side and rear.
func readAll(t *testing.T) []*File {
	t.Helper()
	paths, err := filepath.Glob(filepath.Join(clips, "*.json.gz"))
	if err != nil || len(paths) < 4 {
		t.Fatalf("want at least 4 truth files in %s, have %d (%v)", clips, len(paths), err)
	}
	var out []*File
	for _, p := range paths {
		f, err := Read(p)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, f)
	}
	return out
}

func dist(a, b vision.Vec3) float64 {
	return math.Sqrt((a.X-b.X)*(a.X-b.X) + (a.Y-b.Y)*(a.Y-b.Y) + (a.Z-b.Z)*(a.Z-b.Z))
}

// The file states every place twice, in space and in the picture; the camera
// as this package keeps it must connect the two.
func TestPlacesProjectOntoTheirPixels(t *testing.T) {
	for _, f := range readAll(t) {
		worst, n := 0.0, 0
		check := func(p Projection, q Point) {
			x, y, ok := p.Project(q.XYZ)
			if !ok || !q.InFrame {
				return
			}
			worst, n = max(worst, math.Hypot(x-q.X, y-q.Y)), n+1
		}
		for i := range f.Frames {
			fr := &f.Frames[i]
			for _, p := range fr.Joints {
				check(fr.P, p)
			}
			for _, p := range []Point{fr.Knob, fr.Tip, fr.SweetSpot, fr.Ball} {
				check(fr.P, p)
			}
		}
		if n < 20*len(f.Frames) || worst > 0.03 {
			t.Errorf("%s: %d places, worst %.3f px off", f.Name, n, worst)
		}
	}
}

// vision says the centre of the top-left pixel is (0, 0); the file says it is
// (0.5, 0.5). The optical axis of a 1280 x 720 picture is then at (639.5, 359.5).
func TestPixelConvention(t *testing.T) {
	for _, f := range readAll(t) {
		c, err := f.camera(f.Camera.P)
		if err != nil {
			t.Fatal(err)
		}
		if f.Width != 1280 || f.Height != 720 || c.CX != 639.5 || c.CY != 359.5 {
			t.Errorf("%s: %dx%d, axis (%v, %v)", f.Name, f.Width, f.Height, c.CX, c.CY)
		}
	}
}

func TestSolutionProjectsOntoTheFirstFrame(t *testing.T) {
	for _, f := range readAll(t) {
		s, err := f.Solution()
		if err != nil {
			t.Fatal(err)
		}
		if len(s.Frames) != len(f.Frames) {
			t.Fatalf("%s: %d poses for %d frames", f.Name, len(s.Frames), len(f.Frames))
		}
		if !f.Camera.HandShake && dist(s.Camera.Centre, f.Camera.Centre) > 0.01 {
			t.Errorf("%s: camera at %v, file says %v", f.Name, s.Camera.Centre, f.Camera.Centre)
		}
		r := s.Camera.R
		det := r[0]*(r[4]*r[8]-r[5]*r[7]) - r[1]*(r[3]*r[8]-r[5]*r[6]) + r[2]*(r[3]*r[7]-r[4]*r[6])
		want := 1.0
		if f.Bats() == vision.SideLeft {
			want = -1
		}
		if math.Abs(det-want) > 1e-3 {
			t.Errorf("%s: turn has determinant %.4f, want %v", f.Name, det, want)
		}
		for l, p := range s.Frames[0].Body {
			q, ok := f.Landmark(0, vision.Landmark(l))
			if p.Valid != ok {
				t.Fatalf("%s landmark %d: valid %v, defined %v", f.Name, l, p.Valid, ok)
			}
			if !ok {
				continue
			}
			x := s.Camera.R[0]*p.X + s.Camera.R[1]*p.Y + s.Camera.R[2]*p.Z + s.Camera.T.X
			y := s.Camera.R[3]*p.X + s.Camera.R[4]*p.Y + s.Camera.R[5]*p.Z + s.Camera.T.Y
			z := s.Camera.R[6]*p.X + s.Camera.R[7]*p.Y + s.Camera.R[8]*p.Z + s.Camera.T.Z
			u, v := s.Camera.FocalPx*x/z+s.Camera.CX, s.Camera.FocalPx*y/z+s.Camera.CY
			if math.Hypot(u-q.X, v-q.Y) > 0.05 {
				t.Errorf("%s landmark %d: (%.2f, %.2f), file says (%.2f, %.2f)", f.Name, l, u, v, q.X, q.Y)
			}
		}
	}
}

// Hands are not in the file. A fist's middle is within a hand's length of its
// wrist: adult hand breadth to length is 3 to 8 in (from memory, no source).
func TestHandsAreNearTheirWrists(t *testing.T) {
	for _, f := range readAll(t) {
		for i := range f.Frames {
			for hand, wrist := range map[vision.Landmark]vision.Landmark{vision.LeftHand: vision.LeftWrist, vision.RightHand: vision.RightWrist} {
				h, _ := f.Landmark(i, hand)
				w, _ := f.Landmark(i, wrist)
				if d := dist(h.XYZ, w.XYZ); d < 1 || d > 5 {
					t.Fatalf("%s frame %d: hand %d is %.2f in from its wrist", f.Name, i, hand, d)
				}
			}
			lead, rear := vision.LeftHand, vision.RightHand
			if f.Bats() == vision.SideLeft {
				lead, rear = rear, lead
			}
			a, _ := f.Landmark(i, lead)
			b, _ := f.Landmark(i, rear)
			knob := f.Frames[i].Knob.XYZ
			if dist(a.XYZ, knob) >= dist(b.XYZ, knob) {
				t.Fatalf("%s frame %d: the lead hand must be the bottom one", f.Name, i)
			}
		}
	}
}

func TestScaleIsTheSizeOfAnInchInThePicture(t *testing.T) {
	for _, f := range readAll(t) {
		p := f.Frames[0].P
		at := f.middle(0).XYZ
		// Two inches square to the line of sight, measured in the picture.
		c, err := f.camera(p)
		if err != nil {
			t.Fatal(err)
		}
		step := func(row int, in float64) (float64, float64) {
			q := at
			q.X, q.Y, q.Z = q.X+in*c.R[3*row], q.Y+in*c.R[3*row+1], q.Z+in*c.R[3*row+2]
			x, y, _ := p.Project(q)
			return x, y
		}
		mean := 0.0
		for row := range 2 {
			x0, y0 := step(row, -1)
			x1, y1 := step(row, 1)
			mean += math.Hypot(x1-x0, y1-y0) / 4
		}
		// Off the axis the two directions are not those of the singular
		// values; at 15 degrees that is a few per cent at most.
		if got := f.PxPerIn(0, at); math.Abs(got/mean-1) > 0.03 {
			t.Errorf("%s: %.3f px per in, an inch spans %.3f px", f.Name, got, mean)
		}
	}
	axis := Projection{{1000, 0, 0, 0}, {0, 1000, 0, 0}, {0, 0, 1, 200}}
	if got := axis.PxPerIn(vision.Vec3{}); got != 5 {
		t.Errorf("on the axis, 200 in away, f = 1000 px: %v px per in, want 5", got)
	}
	if got := axis.PxPerIn(vision.Vec3{Z: -300}); !math.IsNaN(got) {
		t.Errorf("behind the camera: %v, want NaN", got)
	}
}

// A far still point seen through each frame's own camera must come back to
// where the first frame saw it.
func TestShiftUndoesHandShake(t *testing.T) {
	for _, f := range readAll(t) {
		tr, err := Track(f, Options{No3D: true})
		if err != nil {
			t.Fatal(err)
		}
		moved, worst := 0.0, 0.0
		for i := range f.Frames {
			for _, p := range []Point{f.middle(i), f.Frames[i].Joints["right_toe"], f.Frames[i].Joints["head_centre"]} {
				x0, y0, _ := f.Frames[0].P.Project(p.XYZ)
				x, y, _ := f.Frames[i].P.Project(p.XYZ)
				s := tr.Frames[i].Shift
				moved = max(moved, math.Hypot(x-x0, y-y0))
				worst = max(worst, math.Hypot(s.A*x+s.B*y+s.TX-x0, s.C*x+s.D*y+s.TY-y0))
			}
		}
		if f.Camera.HandShake != (moved > 0.5) {
			t.Errorf("%s: hand-shake %v but the picture moves %.2f px", f.Name, f.Camera.HandShake, moved)
		}
		// turn*d*d/f with 0.013 rad, 200 px and 1300 px
		if worst > 0.5 {
			t.Errorf("%s: %.3f px left after the shift", f.Name, worst)
		}
	}
}

func TestTrackIsTheTruth(t *testing.T) {
	for _, f := range readAll(t) {
		tr, err := Track(f, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if len(tr.Frames) != len(f.Frames) || len(tr.Clip.Times) != len(f.Frames) || tr.Window != [2]int{0, len(f.Frames)} {
			t.Fatalf("%s: lengths do not agree", f.Name)
		}
		if tr.Sighting.View != f.View {
			t.Errorf("%s: view %s, file says %s", f.Name, tr.Sighting.View, f.View)
		}
		// The renderer's views: open side within 15 degrees, rear at -90 +- 15;
		// the hitter is not quite at the origin.
		want := map[vision.View]float64{vision.ViewOpenSide: 0, vision.ViewRear: -90, vision.ViewFront: 90}[f.View]
		if math.Abs(tr.Sighting.YawDeg-want) > 20 {
			t.Errorf("%s: yaw %.1f for %s", f.Name, tr.Sighting.YawDeg, f.View)
		}
		for i, fr := range tr.Frames {
			if fr.Body[vision.LeftEar].Found() || fr.Body[vision.RightEar].Found() {
				t.Fatalf("%s frame %d: the file has no ears", f.Name, i)
			}
			if k := f.Frames[i].Knob; fr.Knob.Found() && (fr.Knob.X != k.X || fr.Knob.Y != k.Y) {
				t.Fatalf("%s frame %d: knob %v, file says %v", f.Name, i, fr.Knob, k)
			}
			if b := f.Frames[i].Ball; fr.Ball.Found() != b.InFrame {
				t.Fatalf("%s frame %d: ball found %v, in the picture %v", f.Name, i, fr.Ball.Found(), b.InFrame)
			}
		}
	}
}

func TestTrackSurvivesJSON(t *testing.T) {
	f := readAll(t)[0]
	tr, err := Track(f, Options{Seed: 3, NoisePx: 1, MissShare: 0.1})
	if err != nil {
		t.Fatal(err)
	}
	b, err := json.Marshal(tr)
	if err != nil {
		t.Fatal(err)
	}
	var back vision.Track
	if err := json.Unmarshal(b, &back); err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(tr, &back, cmpopts.EquateEmpty()); d != "" {
		t.Errorf("after JSON (-before +after):\n%s", d)
	}
}

func TestOptions(t *testing.T) {
	f := readAll(t)[1]
	clean, err := Track(f, Options{})
	if err != nil {
		t.Fatal(err)
	}
	with := func(o Options) *vision.Track {
		tr, err := Track(f, o)
		if err != nil {
			t.Fatal(err)
		}
		return tr
	}
	t.Run("noise has the size asked for and says so", func(t *testing.T) {
		tr := with(Options{Seed: 1, NoisePx: 2, BatNoisePx: 0.5})
		var body, bat, nBody, nBat float64
		for i := range tr.Frames {
			for l, m := range tr.Frames[i].Body {
				if m.Found() {
					body += math.Pow(m.X-clean.Frames[i].Body[l].X, 2) + math.Pow(m.Y-clean.Frames[i].Body[l].Y, 2)
					nBody += 2
				}
			}
			bat += math.Pow(tr.Frames[i].Tip.X-clean.Frames[i].Tip.X, 2) + math.Pow(tr.Frames[i].Knob.Y-clean.Frames[i].Knob.Y, 2)
			nBat += 2
			if s := tr.Frames[i].Body[vision.Nose].SigmaPx; math.Abs(s-2) > 0.01 {
				t.Fatalf("stated sigma %v", s)
			}
		}
		// The relative standard error of a standard deviation from n draws is
		// 1/sqrt(2n): 0.7 % and 3 % here.
		if sd := math.Sqrt(body / nBody); math.Abs(sd-2) > 0.06 {
			t.Errorf("body noise %.3f px, asked for 2", sd)
		}
		if sd := math.Sqrt(bat / nBat); math.Abs(sd-0.5) > 0.08 {
			t.Errorf("bat noise %.3f px, asked for 0.5", sd)
		}
	})
	t.Run("the seed fixes everything", func(t *testing.T) {
		o := Options{Seed: 9, NoisePx: 1, LostShare: 0.1, MissShare: 0.1, OutlierShare: 0.1, OutlierPx: 50}
		if d := cmp.Diff(with(o), with(o)); d != "" {
			t.Errorf("two tracks of one seed differ:\n%s", d)
		}
		p := o
		p.Seed = 10
		if cmp.Equal(with(o), with(p)) {
			t.Error("two seeds give one track")
		}
	})
	t.Run("lost frames are empty and marked", func(t *testing.T) {
		tr, lost := with(Options{Seed: 2, LostShare: 0.3}), 0
		for i, fr := range tr.Frames {
			if !tr.Clip.Times[i].Lost {
				continue
			}
			lost++
			if len(fr.Body) != 0 || fr.Knob.Found() || fr.Ball.Found() || fr.Index != i {
				t.Fatalf("frame %d is lost but holds %+v", i, fr)
			}
		}
		if share := float64(lost) / float64(len(tr.Frames)); share < 0.2 || share > 0.4 {
			t.Errorf("%.2f of the frames lost, asked for 0.3", share)
		}
	})
	t.Run("outliers keep their stated sigma", func(t *testing.T) {
		tr, far := with(Options{Seed: 4, OutlierShare: 0.2, OutlierPx: 40}), 0
		for i := range tr.Frames {
			m, c := tr.Frames[i].Tip, clean.Frames[i].Tip
			d := math.Hypot(m.X-c.X, m.Y-c.Y)
			if d > 40 {
				t.Fatalf("frame %d thrown %.1f px", i, d)
			}
			if d > 1 {
				far++
			}
			if m.SigmaPx > 0.1 {
				t.Fatalf("frame %d: sigma %v", i, m.SigmaPx)
			}
		}
		if share := float64(far) / float64(len(tr.Frames)); share < 0.1 || share > 0.3 {
			t.Errorf("%.2f outliers, asked for 0.2", share)
		}
	})
	t.Run("without three dimensions", func(t *testing.T) {
		if tr := with(Options{No3D: true}); tr.Solution != nil || tr.Unsolved == "" {
			t.Errorf("solution %v, unsolved %q", tr.Solution, tr.Unsolved)
		}
	})
}

func TestEventsAndMeasures(t *testing.T) {
	for _, f := range readAll(t) {
		last := -1.0
		for _, id := range []string{"load_start", "stride_start", "toe_touch", "heel_plant", "bat_parallel", "contact", "full_extension", "finish"} {
			ms, ok := f.EventMs(id)
			if !ok || ms <= last {
				t.Errorf("%s: %s at %v (%v) does not follow %v", f.Name, id, ms, ok, last)
			}
			last = ms
		}
		if _, ok := f.EventMs("toe_touch_quarter_inch"); !ok {
			t.Errorf("%s: no quarter-inch toe touch in %v", f.Name, f.EventNames())
		}
		if _, ok := f.EventMs("_definitions"); ok {
			t.Error("a note is not an event")
		}
		// The file states this interval as a measure and as two events.
		a, _ := f.EventMs("contact")
		b, _ := f.EventMs("bat_parallel")
		if m, ok := f.Measure("bat_parallel_to_contact_ms"); !ok || math.Abs(m-(a-b)) > 0.02 {
			t.Errorf("%s: bat parallel to contact %v ms (%v), events say %v", f.Name, m, ok, a-b)
		}
		if m, ok := f.Measure("bat_speed_contact_mph.sweet_spot_3d"); !ok || m < 30 || m > 90 {
			t.Errorf("%s: sweet spot %v mph (%v)", f.Name, m, ok)
		}
		for _, p := range []string{"bat_speed_contact_mph", "shoulder_tilt_deg._note", "no.such", ""} {
			if m, ok := f.Measure(p); ok {
				t.Errorf("%s: %q gives %v", f.Name, p, m)
			}
		}
		for _, p := range f.MeasurePaths() {
			if _, ok := f.Measure(p); !ok {
				t.Errorf("%s: listed path %q gives nothing", f.Name, p)
			}
		}
		if n := len(f.MeasurePaths()); n < 90 {
			t.Errorf("%s: only %d measures listed", f.Name, n)
		}
	}
}

func TestBatLengthHolds(t *testing.T) {
	for _, f := range readAll(t) {
		for i := range f.Frames {
			if d := dist(f.Frames[i].Knob.XYZ, f.Frames[i].Tip.XYZ); math.Abs(d-f.Bat.LengthIn) > 0.005 {
				t.Fatalf("%s frame %d: bat %.3f in, file says %.3f", f.Name, i, d, f.Bat.LengthIn)
			}
		}
	}
}

func TestFind(t *testing.T) {
	got, err := Find(filepath.Join(clips, "s77001_04.mp4"))
	if err != nil || !strings.HasSuffix(got, "s77001_04.json.gz") {
		t.Errorf("%q, %v", got, err)
	}
	if _, err := Find(filepath.Join(t.TempDir(), "x.mp4")); !errors.Is(err, ErrNoTruth) {
		t.Errorf("no truth beside the clip: %v", err)
	}
}

func TestDecodeRefusesNonsense(t *testing.T) {
	good := `{"clip":"a","width":2,"height":2,"fps":60,"handedness":"R","lead_side":"left","camera":{"f_px":1,"P_nominal":[[1,0,0,0],[0,1,0,0],[0,0,1,5]]},` +
		`"frames":[{"t_ms":0,"joints":{"left_hip":{"xyz":[0,0,0],"px":[0,0]},"right_hip":{"xyz":[1,0,0],"px":[1,0]}}}]}`
	if _, err := Decode(strings.NewReader(good)); err != nil {
		t.Fatalf("the smallest file: %v", err)
	}
	for name, swap := range map[string][2]string{
		"not JSON":          {`{"clip"`, `clip`},
		"no size":           {`"width":2`, `"width":0`},
		"no rate":           {`"fps":60`, `"fps":0`},
		"hand":              {`"handedness":"R"`, `"handedness":"X"`},
		"lead side":         {`"lead_side":"left"`, `"lead_side":""`},
		"focal length":      {`"f_px":1`, `"f_px":0`},
		"not a rotation":    {`[[1,0,0,0]`, `[[2,0,0,0]`},
		"no frames":         {`"frames":[{`, `"frames":[],"x":[{`},
		"no hips":           {`"left_hip"`, `"left_hop"`},
		"times do not rise": {`"frames":[`, `"frames":[{"t_ms":0,"joints":{"left_hip":{},"right_hip":{}}},`},
	} {
		bad := strings.Replace(good, swap[0], swap[1], 1)
		if bad == good {
			t.Fatalf("%s: nothing replaced", name)
		}
		if _, err := Decode(strings.NewReader(bad)); err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
	if _, err := Read(filepath.Join(t.TempDir(), "none.json")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("missing file: %v", err)
	}
	gz := filepath.Join(t.TempDir(), "bad.json.gz")
	if err := os.WriteFile(gz, bytes.Repeat([]byte("x"), 100), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Read(gz); err == nil {
		t.Error("a .gz that is none: accepted")
	}
}

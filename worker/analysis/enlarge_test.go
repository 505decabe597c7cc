package analysis

import (
	"math"
	"reflect"
	"strings"
	"testing"

	"nightcage/vision"
	"nightcage/vision/clip"
	"nightcage/vision/pose"
)

// ones sets every number below v to 1 and makes what is nil.
func ones(v reflect.Value) {
	switch v.Kind() {
	case reflect.Float64:
		v.SetFloat(1)
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		ones(v.Elem())
	case reflect.Slice:
		v.Set(reflect.MakeSlice(v.Type(), 1, 1))
		ones(v.Index(0))
	case reflect.Array:
		for i := range v.Len() {
			ones(v.Index(i))
		}
	case reflect.Struct:
		for i := range v.NumField() {
			ones(v.Field(i))
		}
	case reflect.String:
		v.SetString("network")
	}
}

// check holds every number below v, all 1 before, against what it is when pictures
// are three times as large: places are 3 x + 1, lengths three times as long, the rest
// as it was.
func check(t *testing.T, v reflect.Value, path string) {
	switch v.Kind() {
	case reflect.Float64:
		name := path[strings.LastIndex(path, ".")+1:]
		want := 1.0
		switch {
		case name == "TX" || name == "TY":
			want = 2 // 3 x 1 + 1 x (1 - 1 - 1)
		case strings.Contains(name, "Px"):
			want = 3
		case strings.HasSuffix(name, "X") || strings.HasSuffix(name, "Y") || name == "X0" || name == "Y0" || name == "X1" || name == "Y1":
			want = 4
		}
		if v.Float() != want {
			t.Errorf("%s is %v, want %v", path, v.Float(), want)
		}
	case reflect.Pointer:
		check(t, v.Elem(), path)
	case reflect.Slice, reflect.Array:
		for i := range v.Len() {
			check(t, v.Index(i), path)
		}
	case reflect.Struct:
		if v.Type() == reflect.TypeFor[vision.Vec3]() {
			return // of the world, not of a picture
		}
		for i := range v.NumField() {
			check(t, v.Field(i), path+"."+v.Type().Field(i).Name)
		}
	}
}

// Whatever a track has in px is enlarged, also what is added to it later.
func TestEnlarge(t *testing.T) {
	var track vision.Track
	for _, part := range []any{&track.Frames, &track.Scale, &track.Ball, &track.Ground} {
		ones(reflect.ValueOf(part).Elem())
	}
	full := vision.Clip{Name: "made.mp4", Width: 1921, Height: 1080, FocalPx: 1500}
	track.Clip = shrunk(full, 3)
	if track.Clip.Width != 640 || track.Clip.Height != 360 || track.Clip.FocalPx != 500 {
		t.Errorf("shrunk to %d x %d, focal length %v px", track.Clip.Width, track.Clip.Height, track.Clip.FocalPx)
	}
	enlarge(&track, 3, full)
	if track.Clip.Width != full.Width || track.Clip.FocalPx != full.FocalPx {
		t.Errorf("clip %+v", track.Clip)
	}
	for name, part := range map[string]any{"Frames": track.Frames, "Scale": track.Scale, "Ball": track.Ball, "Ground": track.Ground} {
		check(t, reflect.ValueOf(part), name)
	}
}

// A camera's shift says the same of small pictures and of full ones.
func TestEnlargedShift(t *testing.T) {
	small := vision.Affine{A: 1.01, B: 0.02, C: -0.03, D: 0.98, TX: 5, TY: -7, SigmaPx: 0.2}
	track := vision.Track{Frames: []vision.Frame{{Shift: small}}}
	enlarge(&track, 4, vision.Clip{})
	x, y := small.Apply(100, 50)
	fx, fy := track.Frames[0].Shift.Apply(between(4, 1, 100), between(4, 1, 50))
	if math.Hypot(fx-between(4, 1, x), fy-between(4, 1, y)) > 1e-9 {
		t.Errorf("(%v, %v), want (%v, %v)", fx, fy, between(4, 1, x), between(4, 1, y))
	}
}

// A track made smaller and enlarged again is what it was, and is itself left alone.
func TestSmaller(t *testing.T) {
	track := vision.Track{Clip: vision.Clip{Width: 3840, Height: 2160}, Frames: []vision.Frame{{
		Body: []vision.Mark{{X: 101, Y: 203, SigmaPx: 3, How: vision.HowNetwork}}, HeadRadiusPx: 40,
		Shift: vision.Affine{A: 1.01, B: 0.02, C: -0.03, D: 0.98, TX: 5, TY: -7, SigmaPx: 0.2}}}}
	back := smaller(track, 2)
	if m := back.Frames[0].Body[0]; back.Clip.Width != 1920 || m.X != 50.25 || m.SigmaPx != 1.5 || back.Frames[0].HeadRadiusPx != 20 {
		t.Errorf("half as large: %d px wide, %+v", back.Clip.Width, back.Frames[0])
	}
	if m := track.Frames[0].Body[0]; m.X != 101 {
		t.Errorf("the track itself became %+v", m)
	}
	enlarge(&back, 2, track.Clip)
	a, b := track.Frames[0], back.Frames[0]
	if a.Body[0] != b.Body[0] || math.Abs(a.Shift.TX-b.Shift.TX) > 1e-9 || math.Abs(a.Shift.TY-b.Shift.TY) > 1e-9 {
		t.Errorf("%+v, was %+v", b, a)
	}
}

func TestResized(t *testing.T) {
	p := pose.Person{ROI: pose.ROI{X: 100, Y: 50, Side: 60, Turn: 0.1}, Box: vision.Box{X0: 1, Y0: 2, X1: 3, Y1: 4}}
	q := resized(resized(p, 3, 2), 2, 3)
	if math.Abs(q.ROI.X-100) > 1e-9 || math.Abs(q.Box.Y1-4) > 1e-9 || math.Abs(q.ROI.Side-60) > 1e-9 || q.ROI.Turn != 0.1 {
		t.Errorf("there and back: %+v", q)
	}
	// Of means of 3 x 3 px the one at 0 has its middle in px 1, in those of 1 x 1.
	if got := between(3, 1, 0); got != 1 {
		t.Errorf("px 0 of means of 9 lies at %v", got)
	}
}

func TestShrinkFor(t *testing.T) {
	for px, want := range map[float64]int{90: 1, 399: 1, 400: 2, 1000: 5} {
		if got := shrinkFor(px); got != want {
			t.Errorf("a hitter %v px tall: %d times smaller, want %d", px, got, want)
		}
	}
	for size, want := range map[[2]int]int{{1280, 720}: 1, {1080, 1920}: 2, {3840, 2160}: 4, {320, 240}: 1} {
		if got := surveyShrink(vision.Clip{Width: size[0], Height: size[1]}); got != want {
			t.Errorf("%v: people looked for in pictures %d times smaller, want %d", size, got, want)
		}
	}
}

// The pictures kept of a short clip are those that the file gives.
func TestGalleryKeepsWhatTheFileGives(t *testing.T) {
	path := made(t, "-f", "lavfi", "-i", "testsrc2=size=320x240:rate=30:duration=1")
	c, err := clip.Probe(t.Context(), path, vision.Subject{})
	if err != nil {
		t.Fatal(err)
	}
	s, err := surveyClip(t.Context(), path, c, newSteps(nil))
	if err != nil {
		t.Fatal(err)
	}
	defer s.close()
	if len(s.kept) != 6 { // every fifth of 30
		t.Fatalf("%d pictures kept", len(s.kept))
	}
	kept, read := newGallery(path, c, s), newGallery(path, c, &survey{})
	defer kept.close()
	defer read.close()
	for index := range s.kept {
		a, at, err := kept.picture(t.Context(), index)
		if err != nil || at != index {
			t.Fatalf("picture %d: %d, %v", index, at, err)
		}
		b, at, err := read.picture(t.Context(), index)
		if err != nil || at != index {
			t.Fatalf("picture %d of the file: %d, %v", index, at, err)
		}
		if !reflect.DeepEqual(a.ToBytes(), b.ToBytes()) {
			t.Errorf("picture %d was kept as another", index)
		}
	}
	// Asked for others it gives the nearest, but never of another scene.
	if _, at, err := kept.picture(t.Context(), 7); err != nil || at != 5 {
		t.Errorf("near picture 7 was kept %d, %v", at, err)
	}
	kept.scenes = []int{7}
	if _, at, err := kept.picture(t.Context(), 7); err != nil || at != 10 {
		t.Errorf("near picture 7, where a scene begins, was kept %d, %v", at, err)
	}
	if kept.reader != nil {
		t.Error("the file was opened again")
	}
}

package pose

import (
	"context"
	"errors"
	"image"
	"io"
	"math"
	"testing"

	"gocv.io/x/gocv"
)

// stills are six pictures spread over a rendered clip, and when they were taken. The
// most telling come first: the clip's first, then about contact.
type stills struct {
	imgs  [6]gocv.Mat
	ms    [6]float64
	asked []int
}

func spread(t testing.TB, name string) *stills {
	t.Helper()
	f, video := openClip(t, name)
	s := &stills{}
	at := map[int]int{}
	for k, fifths := range [6]int{0, 3, 4, 2, 5, 1} {
		at[fifths*(len(f.Frames)-1)/5] = k
	}
	img := gocv.NewMat()
	defer img.Close()
	for i, frame := range f.Frames {
		if !video.Read(&img) {
			t.Fatalf("%s ended at frame %d of %d", name, i, len(f.Frames))
		}
		if k, ok := at[i]; ok {
			s.imgs[k], s.ms[k] = img.Clone(), frame.Ms
			t.Cleanup(func() { s.imgs[k].Close() })
		}
	}
	return s
}

func (s *stills) picture(k int) (gocv.Mat, float64, error) {
	s.asked = append(s.asked, k)
	return s.imgs[k], s.ms[k], nil
}

// Where one person swings, the search finds whom a look for people finds and ends
// before it has asked for all.
func TestFindHitterAlone(t *testing.T) {
	e, ctx := estimator(t), context.Background()
	for _, name := range []string{"s77001_00", "s77001_04"} {
		s := spread(t, name)
		got, ok, err := e.FindHitter(ctx, len(s.imgs), s.picture)
		if err != nil || !ok || !got.Swung() || !got.Alone {
			t.Fatalf("%s: found %v, carried %.2f, alone %v: %v", name, ok, got.Carried, got.Alone, err)
		}
		people, err := e.People(ctx, s.imgs[0])
		if err != nil || len(people) != 1 {
			t.Fatalf("%s: %d people: %v", name, len(people), err)
		}
		if d := math.Hypot(got.ROI.X-people[0].ROI.X, got.ROI.Y-people[0].ROI.Y); got.Picture != 0 || d > 1e-9 {
			t.Errorf("%s: seen first in picture %d, %.1f px off", name, got.Picture, d)
		}
		if n := len(s.asked); n >= len(s.imgs) {
			t.Errorf("%s: %d pictures asked for, %v", name, n, s.asked)
		}
	}
}

// Somebody who is in the first picture only after the second is found all the same,
// pictures that are not there are left out, and Picture is the caller's number.
func TestFindHitterHiddenAtFirst(t *testing.T) {
	e := estimator(t)
	s := spread(t, "s77001_00")
	empty := gocv.NewMatWithSize(s.imgs[0].Rows(), s.imgs[0].Cols(), gocv.MatTypeCV8UC3)
	defer empty.Close()
	got, ok, err := e.FindHitter(context.Background(), len(s.imgs), func(k int) (gocv.Mat, float64, error) {
		switch k {
		case 0:
			return empty, s.ms[0], nil
		case 1:
			return gocv.Mat{}, 0, io.EOF
		}
		return s.picture(k)
	})
	// by time, the picture after the first is the last of the order
	if err != nil || !ok || !got.Swung() || got.Picture != 3 && got.Picture != 5 {
		t.Errorf("found %v, carried %.2f, in picture %d: %v", ok, got.Carried, got.Picture, err)
	}
}

func TestFindHitterErrors(t *testing.T) {
	e := estimator(t)
	broken := errors.New("broken")
	if _, _, err := e.FindHitter(context.Background(), 3, func(int) (gocv.Mat, float64, error) { return gocv.Mat{}, 0, broken }); !errors.Is(err, broken) {
		t.Errorf("a picture that cannot be read gives %v", err)
	}
	if _, ok, err := e.FindHitter(context.Background(), 3, func(int) (gocv.Mat, float64, error) { return gocv.Mat{}, 0, io.EOF }); ok || err != nil {
		t.Errorf("no pictures: found %v, %v", ok, err)
	}
	s := spread(t, "s77001_04")
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, _, err := e.FindHitter(ctx, len(s.imgs), s.picture); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
}

// A Search follows somebody from picture to picture, and finds somebody who comes
// in where the one it knows is gone.
func TestSearch(t *testing.T) {
	e, ctx := estimator(t), context.Background()
	s := spread(t, "s77001_00")
	w, h := s.imgs[0].Cols(), s.imgs[0].Rows()
	half := func(k int, right bool) gocv.Mat { // the hitter's picture in one half of a wide one
		wide := gocv.NewMatWithSize(h, 2*w, gocv.MatTypeCV8UC3)
		x := 0
		if right {
			x = w
		}
		part := wide.Region(image.Rect(x, 0, x+w, h))
		defer part.Close()
		s.imgs[k].CopyTo(&part)
		return wide
	}
	look := e.Search()
	for k, right := range []bool{false, false, true} {
		img := half(k, right)
		err := look.Look(ctx, img, s.ms[k])
		img.Close()
		if err != nil {
			t.Fatal(err)
		}
	}
	for k, right := range []bool{false, false, true} {
		seen := look.Seen()[k] // the first three are in order of time
		if len(seen.People) != 1 || seen.Ms != s.ms[k] || seen.People[0].ROI.X > float64(w) != right {
			t.Errorf("picture %d: %d people, %+v", k, len(seen.People), seen.People)
		}
	}
	if carried := Swinging(look.Seen()); carried < 0.6 {
		t.Errorf("hands carried %.2f torsos", carried)
	}
}

// One hitter alone: the search of a record.
func BenchmarkFindHitter720p(b *testing.B) {
	e, ctx := estimator(b), context.Background()
	s := spread(b, "s77001_00")
	for b.Loop() {
		if c, ok, err := e.FindHitter(ctx, len(s.imgs), s.picture); err != nil || !ok || !c.Swung() {
			b.Fatalf("found %v: %v", ok, err)
		}
	}
}

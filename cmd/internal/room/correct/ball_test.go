package correct

import (
	"context"
	"math"
	"path/filepath"
	"slices"
	"testing"

	"nightcage/metrics"
	"nightcage/phases"
	"nightcage/vision"
	"nightcage/vision/truth"
)

// A ball that was lost off the bat is measured once a person has put it into some
// frames, and comes out as fast as the renderer's truth has it.
func TestBallPutByHandIsMeasured(t *testing.T) {
	ctx := context.Background()
	right, _ := rendered(t)
	f, err := truth.Read(filepath.Join("../../../../testdata/clips", "s77001_00.json.gz"))
	if err != nil {
		t.Fatal(err)
	}
	contact, ok := f.EventMs("contact")
	if !ok {
		t.Fatal("no contact")
	}
	lost := right
	lost.Frames = slices.Clone(right.Frames)
	var places []Place
	for i := range lost.Frames {
		fr := &lost.Frames[i]
		if !fr.Ball.Found() {
			continue
		}
		if fr.Ball.How = vision.HowEdges; fr.Ms > contact {
			if len(places) < 8 {
				places = append(places, Place{Frame: fr.Index, Point: Ball, X: fr.Ball.X, Y: fr.Ball.Y})
			}
			fr.Ball = vision.Mark{}
		}
	}
	if err := follow(&lost); err != nil {
		t.Fatal(err)
	}
	tl, err := phases.Find(lost)
	if err != nil {
		t.Fatal(err)
	}
	if lost.Ball.Out != nil {
		t.Fatal("a way out was found without the ball")
	}
	track, _, s, err := Measure(ctx, lost, tl, Correction{Places: places}, metrics.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if track.Ball.Out == nil || math.Abs(track.Ball.MeetMs-contact) > 3 {
		t.Fatalf("flight %+v", track.Ball)
	}
	want, ok := f.Measure("exit.speed_mph")
	if !ok {
		t.Fatal("the truth file has no exit speed")
	}
	m, _ := s.Find("launch_speed_contact")
	t.Logf("launch speed %s, truth %.1f", metrics.Text(m), want)
	if m.Value == nil || want < *m.Low95 || want > *m.High95 {
		t.Errorf("launch speed %s, truth %.1f", metrics.Text(m), want)
	}
}

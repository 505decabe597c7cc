package solve

import (
	"context"
	"errors"
	"reflect"
	"testing"

	"nightcage/vision"
)

// Scale must be the scale of a whole Run wherever there is no bat to change it,
// and none where Run has none.
func TestScaleIsThatOfARunWithoutABat(t *testing.T) {
	without := func(change func(*vision.Track)) *vision.Track {
		tr, _ := plain().track()
		for i := range tr.Frames {
			tr.Frames[i].Knob, tr.Frames[i].Tip = vision.Mark{}, vision.Mark{}
		}
		change(tr)
		return tr
	}
	for name, tr := range map[string]*vision.Track{
		"plain":           without(func(*vision.Track) {}),
		"height not told": without(func(tr *vision.Track) { tr.Subject.HeightIn = 0 }),
		"lens not known":  without(func(tr *vision.Track) { tr.Clip.FocalPx = 0 }),
		"no body": without(func(tr *vision.Track) {
			for i := range tr.Frames {
				tr.Frames[i].Body, tr.Frames[i].World = nil, nil
			}
		}),
		"one frame": without(func(tr *vision.Track) { tr.Frames = tr.Frames[:1] }),
	} {
		got, err := Scale(context.Background(), *tr)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if want := run(t, tr); !reflect.DeepEqual(got, want.Scale) {
			t.Errorf("%s: %+v, a whole run has %+v", name, got, want.Scale)
		} else if (got.PxPerIn == 0) != (name == "no body") {
			t.Errorf("%s: scale %g px per inch", name, got.PxPerIn)
		}
	}
	if _, err := Scale(context.Background(), vision.Track{}); !errors.Is(err, ErrTrack) {
		t.Errorf("a track without frames: %v", err)
	}
	over, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := Scale(over, *without(func(*vision.Track) {})); !errors.Is(err, context.Canceled) {
		t.Errorf("a context that is over: %v", err)
	}
}

//go:build matprofile

package analysis

import (
	"fmt"
	"path/filepath"
	"runtime/debug"
	"testing"

	"gocv.io/x/gocv"

	"nightcage/phases"
	"nightcage/vision"
)

// Every OpenCV image made for a clip is closed again, also when the clip ends
// in an error.
func TestNoMatLeft(t *testing.T) {
	a, err := New(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	before := gocv.MatProfile.Count() // the networks keep their buffers
	if _, err := a.Run(t.Context(), filepath.Join(clips, "s77001_04.mp4"), vision.Subject{HeightIn: 55, BatIn: 28.5}, Options{}, nil); err != nil {
		t.Fatal(err)
	}
	if n := gocv.MatProfile.Count(); n != before {
		t.Errorf("%d images left open after a swing", n-before)
	}
	if _, err := a.Run(t.Context(), made(t, "-f", "lavfi", "-i", "testsrc2=size=640x360:rate=60:duration=1"), vision.Subject{}, Options{}, nil); err == nil {
		t.Fatal("a test card was measured")
	}
	if n := gocv.MatProfile.Count(); n != before {
		t.Errorf("%d images left open after an error", n-before)
	}
	a.Close()
	if n := gocv.MatProfile.Count(); n > before {
		t.Errorf("%d images more after Close than before the clip", n-before)
	}
}

// Over many small clips, every third of which ends in an error, neither images nor
// memory pile up. What the first few took is kept: arenas of the networks and of the
// allocator.
func TestFlatOverManyClips(t *testing.T) {
	runs := 6
	if *long {
		runs = 1000
	}
	const settled, grownMB = 2, 60
	a := analyser(t)
	contact, _ := readTruth(t, "s77001_04").EventMs(string(phases.Contact))
	swing := made(t, "-ss", fmt.Sprintf("%.3f", contact/1000-0.3), "-t", "0.45", "-i", filepath.Join(clips, "s77001_04.mp4"), "-vf", "fps=60,scale=640:-2")
	card := made(t, "-f", "lavfi", "-i", "testsrc2=size=640x360:rate=60:duration=0.3")
	images, held := 0, 0.0
	for i := range runs {
		path := swing
		if i%3 == 2 {
			path = card
		}
		if _, err := a.Run(t.Context(), path, vision.Subject{HeightIn: 55, BatIn: 28.5}, Options{}, nil); (err != nil) != (path == card) {
			t.Fatalf("clip %d: %v", i, err)
		}
		if i == settled {
			debug.FreeOSMemory()
			images, held = gocv.MatProfile.Count(), resident(t, "VmRSS")
		}
	}
	debug.FreeOSMemory()
	if n := gocv.MatProfile.Count(); n != images {
		t.Errorf("%+d images over %d clips", n-images, runs-settled)
	}
	grown := resident(t, "VmRSS") - held
	t.Logf("%.0f MB held after %d clips, %+.1f MB after %d more", held, settled+1, grown, runs-settled-1)
	if grown > grownMB {
		t.Errorf("memory grew by %.1f MB over %d clips", grown, runs-settled-1)
	}
}

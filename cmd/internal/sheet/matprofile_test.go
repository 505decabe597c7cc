//go:build matprofile

package sheet

import (
	"path/filepath"
	"testing"

	"gocv.io/x/gocv"
)

// No native picture is left after a film, a still, and a film that fails half way
// (go test -tags matprofile).
func TestNoMatIsLeft(t *testing.T) {
	track, tl := swing(t)
	before := gocv.MatProfile.Count()
	dir := t.TempDir()
	if err := Film(t.Context(), film, track, tl, filepath.Join(dir, "a.mp4"), filepath.Join(dir, "a.gif")); err != nil {
		t.Error(err)
	}
	if _, err := Still(t.Context(), film, track, tl, tl.Events[2]); err != nil {
		t.Error(err)
	}
	if err := Film(t.Context(), film, track, tl, filepath.Join(dir, "none", "a.mp4"), filepath.Join(dir, "a.gif")); err == nil {
		t.Error("a film was written into a folder that is not there")
	}
	if left := gocv.MatProfile.Count() - before; left != 0 {
		t.Errorf("%d pictures are still open", left)
	}
}

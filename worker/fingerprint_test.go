package worker

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"testing"

	"golang.org/x/sys/unix"
)

func TestPlaceAway(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	full, empty := filepath.Join(dir, "full"), filepath.Join(dir, "empty")
	for _, d := range []string{full, empty} {
		if err := os.Mkdir(d, 0o700); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.WriteFile(filepath.Join(full, "other.mp4"), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		path string
		err  error
		want bool
	}{
		{filepath.Join(full, "a.mp4"), fs.ErrNotExist, false}, // deleted
		{filepath.Join(empty, "a.mp4"), fs.ErrNotExist, true}, // nothing is mounted there
		{filepath.Join(dir, "gone", "a.mp4"), fs.ErrNotExist, true},
		{filepath.Join(full, "other.mp4"), unix.ESTALE, true},
		{filepath.Join(full, "other.mp4"), unix.EIO, true},
		{filepath.Join(full, "other.mp4"), fs.ErrPermission, false},
		{filepath.Join(full, "other.mp4"), errors.New("x"), false},
	} {
		if got := placeAway(c.path, fmt.Errorf("open: %w", &fs.PathError{Op: "open", Path: c.path, Err: c.err})); got != c.want {
			t.Errorf("%s, %v: %v", c.path, c.err, got)
		}
	}
}

// A share that is away for longer than all attempts take costs no clip.
func TestShareAwayForLong(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	j := n.clip("a.mp4", "ok")
	n.submit(j)
	away := n.clips + ".away"
	if err := os.Rename(n.clips, away); err != nil {
		t.Fatal(err)
	}
	stop := n.atWork()
	n.waitFor(j, StateWaiting)
	waitUntil(t, func() bool { // far more often than it has attempts
		h, err := n.Ledger.History(t.Context(), j.ID)
		return err == nil && len(h) > 6*n.Policy.MaxAttempts
	})
	if err := os.Rename(away, n.clips); err != nil {
		t.Fatal(err)
	}
	n.waitFor(j, StateMeasured)
	stop()
	n.audit(1, 0, 0)
}

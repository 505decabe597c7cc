package worker

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

func (n *night) child(l Limits) Child {
	return Child{Home: n.Home, Command: []string{os.Args[0]}, Env: []string{"NIGHTCAGE_TEST_ROLE=child"}, Limits: l, Walls: FindWalls()}
}

func (n *night) noScratchLeft() {
	n.t.Helper()
	es, err := os.ReadDir(n.Home.scratchDir())
	if err != nil || len(es) != 0 {
		n.t.Errorf("scratch left behind: %v, %v", es, err)
	}
}

func TestChildHandsOverItsResult(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	j := n.clip("a.mp4", "slow 300ms")
	calls := 0
	res, err := n.child(DefaultLimits()).Analyze(t.Context(), j, func(done, total int) { calls++ })
	if err != nil {
		t.Fatal(err)
	}
	if err := res.check(testSchema); err != nil {
		t.Fatal(err)
	}
	if calls < 2 || calls > 10 {
		t.Errorf("%d calls of progress", calls)
	}
	w := res.Swings[0]
	if len(w.Stills) != 1 || string(w.Stills[0].Bytes) != "not a picture, "+j.ID || string(w.Track) != string(testTrack) {
		t.Errorf("%s %v", w.Track, w.Stills)
	}
	n.noScratchLeft()
}

// Every way an analysis process can end, and the class it falls into. Each
// limit is a wall that is really there.
func TestChildEnds(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		script string
		limits Limits
		class  Class
		kind   Kind
	}{
		{"nothing", DefaultLimits(), ClassNothing, "no_swing"},
		{"bad", DefaultLimits(), ClassBadClip, KindUnreadable},
		{"segv", DefaultLimits(), ClassBroken, KindCrashed},
		{"exit 0", DefaultLimits(), ClassBroken, KindMalformed}, // without a result
		{"exit 7", DefaultLimits(), ClassBroken, KindCrashed},
		{"slow 1h", Limits{Wall: 300 * time.Millisecond}, ClassBroken, KindTooLong},
		{"spin", Limits{CPU: time.Second}, ClassBroken, KindTooLong},
		// Out of memory has many ways to end; the words are a guess, the wall is not.
		{"memory", Limits{Data: 512 << 20}, ClassBroken, ""},
		{"memory", Limits{AddressSpace: 2 << 30}, ClassBroken, ""},
		{"file", Limits{FileSize: 4 << 20}, ClassTransient, KindInternal}, // write fails with EFBIG, the analysis says so
	} {
		t.Run(c.script, func(t *testing.T) {
			n := newNight(t)
			_, err := n.child(c.limits).Analyze(t.Context(), n.clip("a.mp4", c.script), func(int, int) {})
			var f *Failure
			if !errors.As(err, &f) || f.Class != c.class || (c.kind != "" && f.Kind != c.kind) {
				t.Fatalf("%v (%+v), want %s %s", err, f, c.class, c.kind)
			}
			if c.script == "file" && !strings.Contains(err.Error(), unix.EFBIG.Error()) {
				t.Errorf("%v", err)
			}
			n.noScratchLeft()
		})
	}
}

func TestChildThatCannotRun(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	c := n.child(DefaultLimits())
	c.Command = []string{filepath.Join(n.clips, "no such program")}
	_, err := c.Analyze(t.Context(), n.clip("a.mp4", "ok"), func(int, int) {})
	if f := asFailure(err); f.Class != ClassTransient {
		t.Errorf("%v: %s", err, f.Class)
	}
}

// Cancelling kills the child and whatever it started, and says why.
func TestChildDiesWithItsContext(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	pidFile := filepath.Join(n.clips, "pid")
	c := n.child(DefaultLimits())
	// A shell that starts a grandchild holding the pipes open, which walls refuse.
	c.Walls = Walls{}
	c.Command = []string{"/bin/sh", "-c", "sleep 1000 & echo $! > " + pidFile + "; wait"}
	ctx, cancel := context.WithCancelCause(t.Context())
	stalled := &Failure{Class: ClassBroken, Kind: KindStalled, Words: "w"}
	go func() {
		waitUntil(t, func() bool { b, err := os.ReadFile(pidFile); return err == nil && len(b) > 1 })
		cancel(stalled)
	}()
	began := time.Now()
	_, err := c.Analyze(ctx, n.clip("a.mp4", "ok"), func(int, int) {})
	if !errors.Is(err, stalled) {
		t.Errorf("%v", err)
	}
	if took := time.Since(began); took > 4*time.Second {
		t.Errorf("took %v", took)
	}
	b, err := os.ReadFile(pidFile)
	if err != nil {
		t.Fatal(err)
	}
	grandchild := filepath.Join("/proc", strings.TrimSpace(string(b)), "stat")
	waitUntil(t, func() bool {
		st, err := os.ReadFile(grandchild)
		return err != nil || strings.Contains(string(st), ") Z ")
	})
	n.noScratchLeft()
}

// A decoder that crashes costs two attempts, never the worker, and the clip
// beside it is measured.
func TestPoisonClipWithChildren(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	n.Analyzer = n.child(DefaultLimits())
	n.Slots = 2
	poison, good := n.clip("poison.mp4", "segv"), n.clip("good.mp4", "ok")
	n.submit(poison, good)
	n.drain()
	e, err := n.Ledger.Get(t.Context(), poison.ID)
	if err != nil || e.State != StateDead || e.Kind != KindCrashed || e.Tries.Attempts != 2 {
		t.Errorf("%+v, %v", e, err)
	}
	n.audit(1, 1, 0)
}

// What a child must not be able to hand over.
func TestResultsThatAreRefused(t *testing.T) {
	t.Parallel()
	secret := filepath.Join(t.TempDir(), "secret")
	if err := os.WriteFile(secret, []byte("{}"), 0o600); err != nil {
		t.Fatal(err)
	}
	for name, prepare := range map[string]func(dir string) error{
		"nothing":  func(string) error { return nil },
		"no JSON":  func(d string) error { return os.WriteFile(filepath.Join(d, manifestName), []byte("{"), 0o600) },
		"a link":   func(d string) error { return os.Symlink(secret, filepath.Join(d, manifestName)) },
		"a pipe":   func(d string) error { return unix.Mkfifo(filepath.Join(d, manifestName), 0o600) },
		"a folder": func(d string) error { return os.Mkdir(filepath.Join(d, manifestName), 0o700) },
		"shutdown": func(d string) error {
			return writeJSON(filepath.Join(d, manifestName), childManifest{Failure: &Reason{ClassShutdown, "k", "w", ""}})
		},
		"wordless": func(d string) error {
			return writeJSON(filepath.Join(d, manifestName), childManifest{Failure: &Reason{Class: ClassNothing}})
		},
		"outside": func(d string) error { return swingWith(d, "../secret") },
		"missing": func(d string) error { return swingWith(d, "missing.png") },
		"still link": func(d string) error {
			if err := swingWith(d, "still.png"); err != nil {
				return err
			}
			return os.Symlink(secret, filepath.Join(d, "1", "still.png"))
		},
	} {
		dir := t.TempDir()
		if err := prepare(dir); err != nil {
			t.Fatal(name, err)
		}
		_, err := readResult(dir)
		if f := asFailure(err); err == nil || f.Class != ClassBroken || f.Kind != KindMalformed {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func swingWith(dir, still string) error {
	if err := os.Mkdir(filepath.Join(dir, "1"), 0o700); err != nil {
		return err
	}
	for _, f := range []string{"data.json", "track.json", "timeline.json"} {
		if err := os.WriteFile(filepath.Join(dir, "1", f), []byte("{}"), 0o600); err != nil {
			return err
		}
	}
	return writeJSON(filepath.Join(dir, manifestName), childManifest{Swings: []childSwing{{Stills: []string{still}}}})
}

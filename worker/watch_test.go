package worker

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"nightcage/vision"
)

// folders takes the first folder's name for the hitter's.
type folders []string

func (names folders) Of(path string) (Told, error) {
	hitter, _, ok := strings.Cut(path, "/")
	if !ok || !slices.Contains(names, hitter) {
		return Told{}, errors.New("whose is it?")
	}
	return Told{Subject: vision.Subject{Team: "Cinder Creek Comets", Hitter: hitter},
		Consent: Consent{ConsentGuardian, time.Date(2026, 11, 1, 0, 0, 0, 0, time.UTC)}}, nil
}

// eye is a watcher on the night's clips and what it reported.
type eye struct {
	*Watcher
	n    *night
	seen []Seen
	down error // what opening the queue gives
}

func (n *night) watcher(names ...string) *eye {
	e := &eye{n: n}
	roster := folders(names)
	e.Watcher = &Watcher{Dir: n.clips, Ledger: n.Ledger, Pipeline: testPipeline,
		Roster: func() (Roster, error) { return roster, nil },
		Report: func(s Seen) { e.seen = append(e.seen, s) },
		Open: func(ctx context.Context) (*Desk, func(), error) {
			if e.down != nil {
				return nil, nil, e.down
			}
			q, err := OpenQueue(ctx, n.Home, QueueOptions{Log: n.Log})
			if err != nil {
				return nil, nil, err
			}
			d := &Desk{Ledger: n.Ledger, Records: n.Records, Queue: q}
			return d, func() { d.Queue.Close() }, nil
		}}
	return e
}

// look looks once and returns what was reported, a line a file, sorted.
func (e *eye) look() (waiting int, said string) {
	e.n.t.Helper()
	e.seen = nil
	waiting, err := e.Look(e.n.t.Context())
	if err != nil {
		e.n.t.Fatal(err)
	}
	var lines []string
	for _, s := range e.seen {
		word := string(s.Receipt.Outcome)
		if s.Err != nil {
			word = "bad: " + s.Err.Error()
		}
		lines = append(lines, fmt.Sprintf("%q %s", s.Path, word))
	}
	slices.Sort(lines)
	return waiting, strings.Join(lines, "\n")
}

func (n *night) lay(path, content string) {
	n.t.Helper()
	p := filepath.Join(n.clips, path)
	if err := os.MkdirAll(filepath.Dir(p), 0o700); err != nil {
		n.t.Fatal(err)
	}
	if err := os.WriteFile(p, []byte(content), 0o600); err != nil {
		n.t.Fatal(err)
	}
}

func TestWatch(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	e := n.watcher("Rook Calder", "Juniper Sable", "..hers")
	n.lay("Rook Calder/a.mp4", "ok\na")
	n.lay("Rook Calder/tuesday/cage 2/it's \"b\"\n; rm -rf $HOME.MOV", "ok\nb")
	n.lay("Rook Calder/copy of a.mp4", "ok\na")
	n.lay("Juniper Sable/a too.mp4", "ok\na")
	n.lay("..hers/c.mp4", "ok\nhidden folder")
	n.lay("Rook Caldr/typo.mp4", "ok\ntypo")
	n.lay("loose.mp4", "ok\nloose")
	n.lay("Rook Calder/empty.mp4", "")
	n.lay("Rook Calder/notes.txt", "ok\nnotes")
	n.lay("Rook Calder/upload.mp4.part", "ok\npart")
	n.lay("Rook Calder/.hidden.mp4", "ok\nhidden")
	n.lay("Rook Calder/name\xff.mp4", "ok\nname")
	if err := os.Symlink("/etc/hostname", filepath.Join(n.clips, "Rook Calder", "link.mp4")); err != nil {
		t.Fatal(err)
	}
	want := strings.Join([]string{
		`"Juniper Sable/a too.mp4" queued`,
		`"Rook Calder/a.mp4" bad: the same clip was handed in as Juniper Sable's, as a too.mp4: if that was wrong, submit it by hand`,
		`"Rook Calder/copy of a.mp4" bad: the same clip was handed in as Juniper Sable's, as a too.mp4: if that was wrong, submit it by hand`,
		`"Rook Calder/empty.mp4" bad: the file is empty`,
		`"Rook Calder/link.mp4" bad: it is a link: put the clip itself into the folder`,
		`"Rook Calder/name\xff.mp4" bad: the clip's name is not written in Unicode: give it another`,
		`"Rook Calder/tuesday/cage 2/it's \"b\"\n; rm -rf $HOME.MOV" queued`,
		`"Rook Caldr/typo.mp4" bad: whose is it?`,
		`"loose.mp4" bad: whose is it?`,
	}, "\n")
	if waiting, said := e.look(); waiting != 0 || said != want {
		t.Fatalf("%d waiting, said\n%s\nwant\n%s", waiting, said, want)
	}
	for _, again := range []*eye{e, n.watcher("Rook Calder", "Juniper Sable")} { // itself, and after a restart
		if _, said := again.look(); said != "" {
			t.Errorf("said again\n%s", said)
		}
	}
	n.drain()
	n.audit(2, 0, 0)

	// What was wrong is put right.
	n.lay("Rook Calder/empty.mp4", "bad\nnow it has something")
	if err := os.Rename(filepath.Join(n.clips, "Rook Caldr"), filepath.Join(n.clips, "Rook Calder", "typo")); err != nil {
		t.Fatal(err)
	}
	if _, said := e.look(); said != "\"Rook Calder/empty.mp4\" queued\n\"Rook Calder/typo/typo.mp4\" queued" {
		t.Errorf("said\n%s", said)
	}
	n.drain()
	n.audit(3, 1, 0)
	// A copy under a new name is not measured again; what it came to is said.
	n.lay("Rook Calder/copy of empty.mp4", "bad\nnow it has something")
	if _, said := e.look(); said != `"Rook Calder/copy of empty.mp4" already failed` {
		t.Errorf("said\n%s", said)
	}
	n.audit(3, 1, 0)

	// Whoever is forgotten does not come back from the folder, copies included.
	if p, err := n.forget(Hitter{Name: "Juniper Sable"}); err != nil || p.was(StoreWatched) != 1 {
		t.Fatal(err, p)
	}
	if _, said := e.look(); said != "\"Rook Calder/a.mp4\" queued\n\"Rook Calder/copy of a.mp4\" already queued" {
		t.Errorf("said\n%s", said)
	}
	if p, err := n.forget(Hitter{Name: "Rook Calder"}); err != nil || p.was(StoreClips) != 6 {
		t.Fatal(err, p)
	}
	// What never was a clip of his lies there still, and is named again.
	if _, said := e.look(); !strings.HasPrefix(said, `"Rook Calder/name\xff.mp4" bad: `) || strings.Contains(said, "\n") {
		t.Errorf("said\n%s", said)
	}
	n.audit(0, 0, 0)
}

// TestWatchWaitsForUploads: a file that grows, or that a program has open for
// writing, is not complete.
func TestWatchWaitsForUploads(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	e := n.watcher("Rook Calder")
	n.lay("Rook Calder/a.mp4", "ok\n")
	f, err := os.OpenFile(filepath.Join(n.clips, "Rook Calder", "a.mp4"), os.O_WRONLY|os.O_APPEND, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for range 3 {
		if waiting, said := e.look(); waiting != 1 || said != "" {
			t.Fatalf("open for writing: %d waiting, said %s", waiting, said)
		}
	}
	// Closed, but growing slower than we look: quiet counts.
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	e.Quiet = time.Hour
	for i := range 3 {
		n.lay("Rook Calder/a.mp4", "ok\n"+strings.Repeat("more", i))
		if waiting, said := e.look(); waiting != 1 || said != "" {
			t.Fatalf("growing: %d waiting, said %s", waiting, said)
		}
	}
	e.Quiet = 20 * time.Millisecond
	n.lay("Rook Calder/a.mp4", "ok\nall of it")
	if waiting, _ := e.look(); waiting != 1 {
		t.Fatal("it changed since the last look")
	}
	time.Sleep(2 * e.Quiet)
	if waiting, said := e.look(); waiting != 0 || said != `"Rook Calder/a.mp4" queued` {
		t.Fatalf("%d waiting, said %s", waiting, said)
	}
	n.drain()
	n.audit(1, 0, 0)
}

// TestWatchOutlivesTheQueue: while the queue is away nothing is lost and nothing
// reported; when it is back the clips go in, each once.
func TestWatchOutlivesTheQueue(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	e := n.watcher("Rook Calder")
	n.lay("Rook Calder/a.mp4", "ok\na")
	e.down = fmt.Errorf("%w: away", ErrQueue)
	for range 2 {
		if _, err := e.Look(t.Context()); !errors.Is(err, ErrQueue) || len(e.seen) != 0 {
			t.Fatalf("%v, said %v", err, e.seen)
		}
	}
	e.down = nil
	e.look()
	// A crash after the ledger has the job and before the file is noted.
	if _, err := n.Ledger.db.ExecContext(t.Context(), `DELETE FROM watched`); err != nil {
		t.Fatal(err)
	}
	if _, said := n.watcher("Rook Calder").look(); said != `"Rook Calder/a.mp4" already queued` {
		t.Errorf("said %s", said)
	}
	// Workers come and go in between.
	stop, cancel := context.WithCancel(t.Context())
	done := make(chan error)
	go func() { done <- n.Serve(stop, stop, QueueOptions{Listen: true, Log: n.Log}) }()
	n.lay("Rook Calder/b.mp4", "ok\nb")
	e.look()
	cancel()
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	n.lay("Rook Calder/c.mp4", "ok\nc")
	e.look()
	n.drain()
	n.audit(3, 0, 0)
}

// TestWatchFolderAway: a folder that is gone is an error and forgets nothing.
func TestWatchFolderAway(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	e := n.watcher("Rook Calder")
	n.lay("Rook Calder/a.mp4", "ok\na")
	e.look()
	if err := os.Rename(n.clips, n.clips+"-away"); err != nil {
		t.Fatal(err)
	}
	if _, err := e.Look(t.Context()); !errors.Is(err, ErrStorage) {
		t.Error(err)
	}
	if err := os.Rename(n.clips+"-away", n.clips); err != nil {
		t.Fatal(err)
	}
	if _, said := e.look(); said != "" {
		t.Errorf("said %s", said)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := e.Look(ctx); !errors.Is(err, context.Canceled) {
		t.Errorf("stopped: %v", err)
	}
}

// TestWatchInBatches: of a full card what was read is handed in before the rest is
// read, so that a stop in the middle keeps it.
func TestWatchInBatches(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	e := n.watcher("Rook Calder")
	const clips = 2*watchBatch + 5
	for i := range clips {
		n.lay(fmt.Sprintf("Rook Calder/%02d.mp4", i), fmt.Sprint("ok\n", i))
	}
	ctx, cancel := context.WithCancel(t.Context())
	open, opened := e.Open, 0
	e.Open = func(ctx context.Context) (*Desk, func(), error) {
		if opened++; opened == 2 {
			cancel()
			return nil, nil, ctx.Err()
		}
		return open(ctx)
	}
	if _, err := e.Look(ctx); !errors.Is(err, context.Canceled) {
		t.Fatal(err)
	}
	if len(e.seen) != watchBatch {
		t.Fatalf("%d handed in before the stop", len(e.seen))
	}
	if _, said := e.look(); strings.Count(said, " queued") != clips-watchBatch {
		t.Errorf("said\n%s", said)
	}
	n.drain()
	n.audit(clips, 0, 0)
}

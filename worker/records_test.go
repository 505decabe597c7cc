package worker

import (
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"
)

func testBundle(t *testing.T, j Job, note string) []File {
	t.Helper()
	data := testSwing(j, note)
	r := Result{Swings: []Swing{{Data: data, Track: []byte("{}"), Timeline: []byte("{}"), Stills: []File{{"toe_touch.png", data}}}}}
	files, err := r.bundle(j, testSchema, testPipeline, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	return files
}

var testJob = Job{ID: strings.Repeat("0a", 16), Clip: "/clips/a.mp4", ClipSHA256: strings.Repeat("0", 64)}

// Of many writers of one record exactly one wins, and what is stored is all its
// own.
func TestRecordIsStoredOnce(t *testing.T) {
	t.Parallel()
	r, err := OpenRecords(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	var wg sync.WaitGroup
	var mu sync.Mutex
	won := 0
	for i := range 8 {
		files := testBundle(t, testJob, "writer "+string(rune('0'+i)))
		wg.Go(func() {
			err := r.Put(testJob.ID, files)
			mu.Lock()
			defer mu.Unlock()
			if err == nil {
				won++
			} else if !errors.Is(err, ErrRecorded) {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	if won != 1 {
		t.Fatalf("%d writers won", won)
	}
	rec, err := r.Get(testJob.ID)
	if err != nil {
		t.Fatal(err)
	}
	still, err := r.ReadFile(testJob.ID, "1/toe_touch.png")
	if err != nil || string(still) != string(rec.Events[0].Data()) {
		t.Errorf("still %q beside record %q, %v", still, rec.Events[0].Data(), err)
	}
	left, err := filepath.Glob(filepath.Join(r.dir, ".[^f]*")) // but .forgotten
	if err != nil || len(left) > 0 {
		t.Errorf("left behind: %v, %v", left, err)
	}
	// The sums are what the standard tool checks.
	cmd := exec.Command("sha256sum", "--strict", "-c", sumsName)
	cmd.Dir = rec.Dir
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Errorf("sha256sum: %v\n%s", err, out)
	}
}

// Every flipped bit in any file is noticed.
func TestRecordDamageIsNoticed(t *testing.T) {
	t.Parallel()
	r, err := OpenRecords(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	if err := r.Put(testJob.ID, testBundle(t, testJob, "a")); err != nil {
		t.Fatal(err)
	}
	if err := r.Verify(testJob.ID); err != nil {
		t.Fatal(err)
	}
	files, err := r.Files(testJob.ID)
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range append(files, sumsName) {
		p := filepath.Join(r.dir, testJob.ID, name)
		whole, err := os.ReadFile(p)
		if err != nil {
			t.Fatal(err)
		}
		for i := 0; i < len(whole); i += 1 + len(whole)/200 { // some 200 places a file
			bad := append([]byte(nil), whole...)
			bad[i] ^= 1 << (i % 8)
			if err := os.WriteFile(p, bad, 0o600); err != nil {
				t.Fatal(err)
			}
			if err := r.Verify(testJob.ID); !errors.Is(err, ErrDamaged) {
				t.Fatalf("%s byte %d: %v", name, i, err)
			}
		}
		if err := os.Remove(p); err != nil {
			t.Fatal(err)
		}
		if err := r.Verify(testJob.ID); !errors.Is(err, ErrDamaged) {
			t.Fatalf("%s removed: %v", name, err)
		}
		if err := os.WriteFile(p, whole, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if err := r.Verify(testJob.ID); err != nil {
		t.Fatal(err)
	}
}

// What may take whose place.
func TestRecordPrecedence(t *testing.T) {
	t.Parallel()
	measured := testBundle(t, testJob, "a")
	failed, err := failureBundle(testJob, &Failure{Class: ClassBroken, Kind: KindCrashed, Words: "w"}, Tries{2, 2}, testSchema, testPipeline, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name        string
		first, then []File
		damage      bool
		want        error
	}{
		{"measured after failed", failed, measured, false, nil},
		{"failed after measured", measured, failed, false, ErrRecorded},
		{"failed after failed", failed, failed, false, nil},
		{"measured after measured", measured, measured, false, ErrRecorded},
		{"measured after damaged", measured, measured, true, nil},
	} {
		r, err := OpenRecords(t.TempDir())
		if err != nil {
			t.Fatal(err)
		}
		if err := r.Put(testJob.ID, c.first); err != nil {
			t.Fatal(err)
		}
		if c.damage {
			if err := os.Truncate(filepath.Join(r.dir, testJob.ID, "1/record.json"), 10); err != nil {
				t.Fatal(err)
			}
		}
		if err := r.Put(testJob.ID, c.then); !errors.Is(err, c.want) {
			t.Errorf("%s: %v", c.name, err)
		}
		if err := r.Verify(testJob.ID); err != nil {
			t.Errorf("%s: %v", c.name, err)
		}
		kept, err := filepath.Glob(filepath.Join(r.dir, ".damaged-*"))
		if err != nil || len(kept) != b2i(c.damage) {
			t.Errorf("%s: kept %v, %v", c.name, kept, err)
		}
	}
}

func TestRecordNamesStayInside(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	r, err := OpenRecords(filepath.Join(dir, "records"))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "secret"), []byte("s"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, id := range []string{"", "..", "../records", strings.Repeat("0", 31) + "/", strings.Repeat("G", 32)} {
		if _, err := r.Get(id); !errors.Is(err, ErrNoRecord) {
			t.Errorf("%q: %v", id, err)
		}
	}
	if err := r.Put(testJob.ID, testBundle(t, testJob, "a")); err != nil {
		t.Fatal(err)
	}
	if _, err := r.ReadFile(testJob.ID, "../../secret"); !errors.Is(err, ErrNoRecord) {
		t.Errorf("read outside: %v", err)
	}
	for _, name := range []string{"../x.png", "/x.png", "x/y.png", "", "record.json", ".x"} {
		res := Result{Swings: []Swing{{Data: testSwing(testJob, ""), Track: []byte("{}"), Timeline: []byte("{}"), Stills: []File{{name, []byte("x")}}}}}
		if res.check(testSchema) == nil {
			t.Errorf("still %q accepted", name)
		}
	}
}

// A file beside the record that has rotted is reason enough to measure again.
func TestRetryOfADamagedStill(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	j := n.clip("a.mp4", "ok")
	n.submit(j)
	n.drain()
	still := filepath.Join(n.Home.RecordsDir(), j.ID, "1", "contact.png")
	if err := os.WriteFile(still, []byte("rot"), 0o600); err != nil {
		t.Fatal(err)
	}
	n.withQueue(func(d *Desk) {
		if err := d.Retry(t.Context(), j.ID); err != nil {
			t.Fatal(err)
		}
	})
	n.drain()
	n.audit(1, 0, 0)
	if b, err := os.ReadFile(still); err != nil || string(b) != "not a picture, "+j.ID {
		t.Errorf("%q, %v", b, err)
	}
}

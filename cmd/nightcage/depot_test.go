package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// A clip that is gone from where it was submitted is measured from the depot.
func TestSubmitAndWorkThroughADepot(t *testing.T) {
	dir := t.TempDir()
	shared, clip := filepath.Join(dir, "depot"), filepath.Join(dir, "text.mp4")
	t.Setenv("NIGHTCAGE_HOME", filepath.Join(dir, "home"))
	if err := os.WriteFile(clip, []byte("Cinder Creek, Tuesday"), 0o600); err != nil {
		t.Fatal(err)
	}
	submit := []string{"submit", clip, "--hitter", "Rook Calder", "--team", "Cinder Creek Comets", "--depot", shared}
	if _, code := nightcage(t, submit...); code != exitUnavailable {
		t.Errorf("a depot that is not there: exit code %d", code)
	}
	if err := os.Mkdir(shared, 0o700); err != nil {
		t.Fatal(err)
	}
	if out, code := nightcage(t, submit...); code != exitOK || !strings.Contains(out, "queued") {
		t.Fatalf("%d %s", code, out)
	}
	if err := os.Remove(clip); err != nil {
		t.Fatal(err)
	}
	if out, code := nightcage(t, "work", "--drain", "--depot", shared); code != exitOK {
		t.Fatal(code, out)
	}
	// The analysis saw the file's bytes: it is no video. A file that is not there has
	// another reason.
	if out, _ := nightcage(t, "retry", "--list"); !strings.Contains(out, "text.mp4") || strings.Contains(out, "cannot be read where") {
		t.Errorf("%s", out)
	}
	if keys, err := filepath.Glob(filepath.Join(shared, "records", "*", "failure.json")); err != nil || len(keys) != 1 {
		t.Errorf("shared records: %v, %v", keys, err)
	}
	if _, code := nightcage(t, "work", "--drain", "--depot", "s3://night"); code != exitUsage {
		t.Errorf("a bucket without an endpoint: exit code %d", code)
	}
}

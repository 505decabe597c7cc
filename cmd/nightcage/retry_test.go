package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"nightcage/worker"
)

// Two clips are given up, listed with their reasons, and retried at once.
func TestRetryAll(t *testing.T) {
	dir := t.TempDir()
	t.Setenv("NIGHTCAGE_HOME", filepath.Join(dir, "home"))
	if out, code := nightcage(t, "retry", "--list"); code != exitOK || out != "nothing was given up\n" {
		t.Fatalf("%d %q", code, out)
	}
	if out, code := nightcage(t, "retry", "--all"); code != exitOK || out != "nothing was given up\n" {
		t.Fatalf("%d %q", code, out)
	}
	empty, text := filepath.Join(dir, "empty.mp4"), filepath.Join(dir, "text.mp4")
	for path, content := range map[string]string{empty: "", text: "Cinder Creek, Tuesday"} {
		if err := os.WriteFile(path, []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if out, code := nightcage(t, "submit", empty, text, "--hitter", "Rook Calder", "--team", "Cinder Creek Comets"); code != exitOK {
		t.Fatal(code, out)
	}
	if out, code := nightcage(t, "work", "--drain"); code != exitOK {
		t.Fatal(code, out)
	}
	out, code := nightcage(t, "retry", "--list")
	if code != exitOK || strings.Count(out, "\n") != 3 || !strings.Contains(out, "empty.mp4") || !strings.Contains(out, "Rook Calder") {
		t.Errorf("%d\n%s", code, out)
	}
	out, _ = nightcage(t, "retry", "--list", "--json")
	for line := range strings.Lines(out) {
		var l worker.DeadLetter
		if err := json.Unmarshal([]byte(line), &l); err != nil || l.Reason.Words == "" || l.Attempts != 1 {
			t.Errorf("%v: %s", err, line)
		}
	}
	if out, code := nightcage(t, "retry", "--all"); code != exitOK || strings.Count(out, "queued\n") != 2 {
		t.Errorf("%d\n%s", code, out)
	}
	if out, _ := nightcage(t, "retry", "--list"); out != "nothing was given up\n" {
		t.Errorf("still listed:\n%s", out)
	}
	if out, _ := nightcage(t, "audit"); !strings.Contains(out, "open 2; lost 0") {
		t.Errorf("audit:\n%s", out)
	}
	for _, args := range [][]string{{"retry"}, {"retry", "--all", "--list"}, {"retry", "abc", "--all"}, {"retry", "--all", "--json"}} {
		if _, code := nightcage(t, args...); code != exitUsage {
			t.Errorf("%v: exit code %d", args, code)
		}
	}
}

package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"nightcage/cmd/internal/roster"
)

// watched makes a folder with the example's roster and a clip.
func watched(t *testing.T) (dir string, put func(path, content string)) {
	t.Helper()
	dir = t.TempDir()
	put = func(path, content string) {
		t.Helper()
		p := filepath.Join(dir, path)
		if err := os.MkdirAll(filepath.Dir(p), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(p, []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	put(roster.FileName, roster.Example)
	put("Rook Calder/a.mp4", "a")
	return dir, put
}

func TestWatchOnce(t *testing.T) {
	home := t.TempDir()
	dir, put := watched(t)
	args := []string{"watch", dir, "--home", home, "--once", "--quiet", "20ms"}
	out, code := nightcage(t, args...)
	if code != exitOK || !strings.HasSuffix(out, "  Rook Calder/a.mp4  queued\n") {
		t.Fatalf("exit code %d\n%s", code, out)
	}
	if out, _ := nightcage(t, "consent", "Rook Calder", "--team", "Cinder Creek Comets", "--home", home); !strings.Contains(out, "guardian, told") {
		t.Errorf("consent of the roster: %s", out)
	}
	put("nobody/b\x1b[2J.mp4", "b")
	out, code = nightcage(t, args...)
	if code != exitBadClip || out != `not handed in  "nobody/b\x1b[2J.mp4": watch.yaml lists no hitter "nobody"`+"\n" {
		t.Errorf("exit code %d\n%q", code, out)
	}
	if out, code := nightcage(t, args...); code != exitOK || out != "" {
		t.Errorf("a second time: exit code %d\n%q", code, out)
	}
	if out, code := nightcage(t, "watch", "--example"); code != exitOK || out != roster.Example {
		t.Errorf("exit code %d\n%s", code, out)
	}
	for _, bad := range [][]string{{"watch", "--home", home}, {"watch", t.TempDir(), "--home", home}, {"watch", filepath.Join(dir, "none"), "--home", home},
		{"watch", dir, "--home", home, "--quiet", "-1s"}, {"watch", "--example", dir}} {
		if _, code := nightcage(t, bad...); code != exitUsage {
			t.Errorf("%v: exit code %d", bad, code)
		}
	}
}

// TestWatchStops: SIGTERM ends a running watch cleanly, and what it had handed in
// is there.
func TestWatchStops(t *testing.T) {
	home := t.TempDir()
	dir, _ := watched(t)
	cmd := exec.Command(os.Args[0], "watch", dir, "--home", home, "--quiet", "0s")
	cmd.Env = append(os.Environ(), "NIGHTCAGE_TEST_MAIN=1")
	said, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	defer cmd.Process.Kill()
	late := time.AfterFunc(time.Minute, func() { cmd.Process.Kill() })
	defer late.Stop()
	b := make([]byte, 200)
	if n, err := said.Read(b); err != nil || !strings.Contains(string(b[:n]), "Rook Calder/a.mp4  queued") {
		t.Fatalf("%v, said %q", err, b)
	}
	if err := cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := cmd.Wait(); err != nil {
		t.Errorf("stopped: %v", err)
	}
	if out, _ := nightcage(t, "audit", "--home", home); !strings.Contains(out, "submitted 1 ") {
		t.Errorf("audit:\n%s", out)
	}
}

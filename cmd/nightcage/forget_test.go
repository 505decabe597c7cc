package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"nightcage/worker"
)

// handIn submits files that no analysis has looked at yet.
func handIn(t *testing.T, home, hitter string, args ...string) (clip string) {
	t.Helper()
	clip = filepath.Join(t.TempDir(), "a.mp4")
	if err := os.WriteFile(clip, []byte("film of "+hitter), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, code := nightcage(t, append([]string{"submit", clip, "--home", home, "--hitter", hitter, "--team", "Cinder Creek Comets"}, args...)...); code != exitOK {
		t.Fatalf("submit: exit code %d", code)
	}
	return clip
}

func TestForgetCommand(t *testing.T) {
	home := t.TempDir()
	rook, wild := handIn(t, home, "Rook Calder"), handIn(t, home, "../../x")
	args := []string{"forget", "rook calder", "--home", home}
	out, code := nightcage(t, args...)
	if code != exitOK || !strings.Contains(out, "nothing is removed yet") {
		t.Fatalf("exit code %d\n%s", code, out)
	}
	if _, err := os.Stat(rook); err != nil {
		t.Fatal("counting removed the clip")
	}
	out, code = nightcage(t, append(args, "--yes", "--json")...)
	var p worker.Proof
	if err := json.Unmarshal([]byte(out), &p); err != nil || code != exitOK || !p.Clean() || p.Jobs != 1 || len(p.Counts) != len(worker.Stores()) {
		t.Fatalf("exit code %d, %v\n%s", code, err, out)
	}
	if _, err := os.Stat(rook); err == nil {
		t.Error("the clip is there")
	}
	if _, err := os.Stat(wild); err != nil {
		t.Error("another hitter's clip is gone")
	}
	if _, code := nightcage(t, append(args, "--yes")...); code != exitUsage {
		t.Errorf("forgotten before: exit code %d", code)
	}
	if out, code := nightcage(t, "forget", "../../x", "--home", home, "--yes"); code != exitOK || !strings.Contains(out, "nothing remains") {
		t.Errorf("exit code %d\n%s", code, out)
	}
	if out, _ := nightcage(t, "audit", "--home", home); !strings.Contains(out, "submitted 0 ") {
		t.Errorf("audit:\n%s", out)
	}
}

func TestExpireCommand(t *testing.T) {
	home := t.TempDir()
	clip := handIn(t, home, "Rook Calder")
	if out, code := nightcage(t, "expire", "--home", home, "--clips", "1d", "--records", "1d", "--yes"); code != exitOK || !strings.Contains(out, "0 clips") {
		t.Errorf("exit code %d\n%s", code, out)
	}
	if _, err := os.Stat(clip); err != nil {
		t.Error(err)
	}
	for _, args := range [][]string{{}, {"--clips", "90"}, {"--clips", "0d"}, {"--records", "-1y"}, {"--records", "1.5y"}, {"--clips", "y"}, {"--clips", "99999y"}} {
		if _, code := nightcage(t, append([]string{"expire", "--home", home}, args...)...); code != exitUsage {
			t.Errorf("%v: exit code %d", args, code)
		}
	}
	for s, want := range map[string]time.Duration{"90d": 90 * 24 * time.Hour, "8w": 56 * 24 * time.Hour, "2y": 730 * 24 * time.Hour} {
		var a age
		if err := a.Set(s); err != nil || time.Duration(a) != want {
			t.Errorf("%s: %v, %v", s, a, err)
		}
	}
}

func TestConsentCommand(t *testing.T) {
	home := t.TempDir()
	ask := []string{"consent", "Rook Calder", "--home", home, "--team", "Cinder Creek Comets"}
	says := func(want string) {
		t.Helper()
		if out, code := nightcage(t, ask...); code != exitOK || !strings.Contains(out, want) {
			t.Errorf("exit code %d, %q, want %q", code, out, want)
		}
	}
	says("nobody has said")
	handIn(t, home, "Rook Calder", "--consent", "guardian")
	says("guardian, told " + time.Now().Format(time.DateOnly))
	if _, code := nightcage(t, append(ask, "none")...); code != exitOK {
		t.Errorf("withdraw: exit code %d", code)
	}
	says("none, told")
	for _, args := range [][]string{append(ask, "mother"), append(ask, ""), ask[:4],
		{"submit", "a.mp4", "--home", home, "--hitter", "x", "--team", "y", "--level", "youth", "--consent", "self"}} {
		if _, code := nightcage(t, args...); code != exitUsage {
			t.Errorf("%v: exit code %d", args, code)
		}
	}
}

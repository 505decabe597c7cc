package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestMorningCommand: a page and a text a team, under names that stay in the
// folder; a quiet home says so.
func TestMorningCommand(t *testing.T) {
	home, sheets := t.TempDir(), filepath.Join(t.TempDir(), "sheets")
	args := []string{"morning", "--home", home, "--out", sheets}
	if out, code := nightcage(t, args...); code != exitOK || !strings.HasPrefix(out, "nothing came in since ") {
		t.Fatalf("exit code %d\n%s", code, out)
	}
	handIn(t, home, "Rook Calder")
	handIn(t, home, "Juniper Sable", "--team", "../../Cinder Creek: Comets")
	out, code := nightcage(t, args...)
	if code != exitOK || strings.Count(out, "1 still to be measured") != 2 {
		t.Fatalf("exit code %d\n%s", code, out)
	}
	es, err := os.ReadDir(sheets)
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, e := range es {
		names = append(names, e.Name())
		if info, err := e.Info(); err != nil || info.Mode().Perm() != 0o600 {
			t.Errorf("%s: %v", e.Name(), info.Mode())
		}
	}
	if got := strings.Join(names, " "); got != "morning-cinder-creek-comets-2.html morning-cinder-creek-comets.html" {
		t.Errorf("pages %s", got)
	}
	if out, code := nightcage(t, append(args, "--team", "cinder creek comets")...); code != exitOK || strings.Count(out, "page: ") != 1 {
		t.Errorf("exit code %d\n%s", code, out)
	}
	for _, bad := range [][]string{{"--team", "nobody"}, {"--since", "yesterday"}, {"--since", "-3h"}} {
		if _, code := nightcage(t, append(args, bad...)...); code != exitUsage {
			t.Errorf("%v: exit code %d", bad, code)
		}
	}
}

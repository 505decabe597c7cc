package api

import (
	"fmt"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/evanw/esbuild/pkg/api"
)

// The readers in example/ are what a stranger would write; here they read a room.
func TestExamplesRead(t *testing.T) {
	s := newShelf(t)
	s.agree(t, "Rook Calder")
	swing := measured(t)
	for range 51 { // more than a page
		s.add(t, "Rook Calder", 1, swing)
	}
	s.add(t, "Juniper Sable", 1, swing)
	server := httptest.NewServer(s.handler)
	defer server.Close()
	speed, ok := swing.Find("bat_speed_contact")
	if !ok || speed.Value == nil {
		t.Fatal("the swing has no bat speed")
	}

	source, err := os.ReadFile(filepath.Join("example", "reader.ts"))
	if err != nil {
		t.Fatal(err)
	}
	js := api.Transform(string(source), api.TransformOptions{Loader: api.LoaderTS, Format: api.FormatESModule, Target: api.ES2022})
	if len(js.Errors) > 0 {
		t.Fatal(js.Errors[0].Text)
	}
	script := filepath.Join(t.TempDir(), "reader.mjs")
	if err := os.WriteFile(script, js.Code, 0o600); err != nil {
		t.Fatal(err)
	}
	for name, cmd := range map[string]*exec.Cmd{
		"TypeScript": exec.CommandContext(t.Context(), "node", script, server.URL, "Rook Calder"),
		"Go":         exec.CommandContext(t.Context(), "go", "run", "./example/reader", server.URL, "Rook Calder"),
	} {
		cmd.Stderr = os.Stderr
		out, err := cmd.Output()
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		lines := strings.Split(strings.TrimSpace(string(out)), "\n")
		want := fmt.Sprintf("%.1f %s, standard uncertainty %.1f", *speed.Value, speed.Unit, *speed.Sigma)
		if len(lines) != 51 || !strings.HasSuffix(lines[50], want) {
			t.Errorf("%s: %d lines, the last %q, want %s", name, len(lines), lines[len(lines)-1], want)
		}
	}
}

package main

import (
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
)

func TestSheetNeedsConsent(t *testing.T) {
	filled(t, recorded(t, rand.New(rand.NewPCG(83004, 1)), comets(0)[:1], 1, 1))
	dir := filepath.Join(t.TempDir(), "sheets")
	for _, args := range [][]string{{"00000000", "-o", dir}, {"000000000000000000000000000000", "-o", dir}, {"00000000000000000000000000000001"}, {"00000000000000000000000000000001", "-o", dir}} {
		if out, code := nightcage(t, append([]string{"sheet"}, args...)...); code != exitUsage || out != "" {
			t.Errorf("%v: exit code %d\n%s", args, code, out)
		}
	}
	if _, err := os.Stat(dir); !os.IsNotExist(err) {
		t.Errorf("something was written: %v", err)
	}
}

package main

import (
	"errors"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"nightcage/worker"
)

func TestSheetNeedsConsent(t *testing.T) {
	s := filled(t, recorded(t, rand.New(rand.NewPCG(83004, 1)), comets(0)[:1], 1, 1))
	dir := filepath.Join(t.TempDir(), "sheets")
	id := strings.Repeat("0", 31) + "1"
	o := sheetOptions{to: dir}
	if err := o.run(t.Context(), s, id, io.Discard); !errors.Is(err, worker.ErrNoConsent) || exitCode(err) != exitUsage {
		t.Errorf("without consent: %v", err)
	}
	if out, code := nightcage(t, "sheet", id, "-o", dir); code != exitUsage || out != "" {
		t.Errorf("exit code %d\n%s", code, out)
	}
	if _, err := os.Stat(dir); !os.IsNotExist(err) {
		t.Errorf("something was written: %v", err)
	}
}

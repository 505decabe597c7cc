package models

import (
	"compress/gzip"
	"context"
	"encoding/binary"
	"io"
	"math"
	"os"
	"path/filepath"
	"testing"
)

// Bat's ONNX file against PyTorch's own output, batch norms folded, for one
// degraded held-out crop: every seventh value. models/bat/export.py wrote both.
func TestBatAgainstPyTorch(t *testing.T) {
	f, err := os.Open(filepath.Join("testdata", "bat_image.u8.gz"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	px, err := io.ReadAll(z)
	if err != nil {
		t.Fatal(err)
	}
	raw, err := os.ReadFile(filepath.Join("testdata", "bat_out.f32"))
	if err != nil {
		t.Fatal(err)
	}
	s := open(t, Bat)
	if len(px) != len(s.Input(0)) {
		t.Fatalf("picture of %d values, input of %d", len(px), len(s.Input(0)))
	}
	for i, v := range px {
		s.Input(0)[i] = float32(v) / 255
	}
	if err := s.Run(context.Background()); err != nil {
		t.Fatal(err)
	}
	const every = 7
	out := s.Output(0)
	if n := len(raw) / 4; n != (len(out)+every-1)/every {
		t.Fatalf("%d values kept of an output of %d", n, len(out))
	}
	var worst float64
	for i := range len(raw) / 4 {
		want := math.Float32frombits(binary.LittleEndian.Uint32(raw[4*i:]))
		worst = max(worst, math.Abs(float64(out[every*i]-want)))
	}
	t.Logf("largest difference %.2g", worst)
	if worst > 1e-3 {
		t.Errorf("differs from PyTorch by %.3g, more than rounding", worst)
	}
}

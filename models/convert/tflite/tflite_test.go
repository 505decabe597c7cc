package tflite

import (
	"errors"
	"math"
	"testing"
)

// Values from the binary16 format of IEEE 754-2008: exponent bias 15, ten
// fraction bits.
func TestHalfToFloat(t *testing.T) {
	for _, c := range []struct {
		name string
		half uint16
		want float32
	}{
		{"one", 0x3c00, 1},
		{"minus two", 0xc000, -2},
		{"largest finite", 0x7bff, 65504},
		{"smallest normal", 0x0400, 1.0 / (1 << 14)},
		{"smallest subnormal", 0x0001, 1.0 / (1 << 24)},
		{"largest subnormal, negative", 0x83ff, -1023.0 / (1 << 24)},
		{"nearest to a third", 0x3555, 1365.0 / 4096},
		{"infinity", 0x7c00, float32(math.Inf(1))},
		{"negative zero", 0x8000, float32(math.Copysign(0, -1))},
	} {
		got := HalfToFloat(c.half)
		if math.Float32bits(got) != math.Float32bits(c.want) {
			t.Errorf("%s: %#04x gives %v, want %v", c.name, c.half, got, c.want)
		}
	}
	if !math.IsNaN(float64(HalfToFloat(0x7e00))) {
		t.Error("not-a-number was lost")
	}
}

func TestParseRefusesWhatIsNotAModel(t *testing.T) {
	for name, buf := range map[string][]byte{
		"empty":             nil,
		"other file":        []byte("\x89PNG\r\n\x1a\n0000000000"),
		"root past the end": append([]byte{0xff, 0xff, 0, 0}, "TFL3"...),
		"vtable past start": append([]byte{8, 0, 0, 0}, "TFL3\xff\xff\xff\x7f"...),
		"nothing after":     append([]byte{8, 0, 0, 0}, "TFL3"...),
	} {
		if _, err := Parse(buf); !errors.Is(err, ErrCorrupt) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

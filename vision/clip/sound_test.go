package clip

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"math"
	"math/rand/v2"
	"os"
	"testing"
)

// clickMs is where the click lies in the sound that these tests put under clips.
const clickMs = 500

// click is a RIFF wave file of 1.2 s of faint noise with one sharp click.
func click(t testing.TB) string {
	t.Helper()
	return media(t, "click.wav", func(path string) {
		const rate = 48000
		rng := rand.New(rand.NewPCG(1, 2))
		x := make([]int16, rate*6/5)
		for i := range x {
			v := 30 * rng.NormFloat64()
			if u := float64(i-clickMs*rate/1000) / rate * 1000; u >= 0 {
				v += 15000 * math.Exp(-u/3) * rng.NormFloat64()
			}
			x[i] = int16(math.Max(-32000, math.Min(32000, v)))
		}
		var b bytes.Buffer
		put := func(v any) { _ = binary.Write(&b, binary.LittleEndian, v) }
		b.WriteString("RIFF")
		put(uint32(36 + 2*len(x)))
		b.WriteString("WAVEfmt ")
		put(struct {
			Size          uint32
			PCM, Channels uint16
			Rate, Bytes   uint32
			Block, Bits   uint16
		}{16, 1, 1, rate, 2 * rate, 2, 16})
		b.WriteString("data")
		put(uint32(2 * len(x)))
		put(x)
		if err := os.WriteFile(path, b.Bytes(), 0o600); err != nil {
			t.Fatal(err)
		}
	})
}

// under makes (once) a clip of the coded pictures with the click under it.
func under(t testing.TB, name string, before, beforeSound, args []string) string {
	t.Helper()
	in, sound := h264(t), click(t)
	return media(t, name, func(path string) {
		all := append(append(append([]string{}, before...), "-i", in), beforeSound...)
		all = append(append(all, "-i", sound, "-map", "0:v", "-map", "1:a", "-c:v", "copy"), args...)
		ffmpeg(t, append(all, path)...)
	})
}

// heard is where the sound of the stretch first reaches 30 % of its peak, as
// presentation time.
func heard(p PCM) float64 {
	top := 0.0
	for _, v := range p.Samples {
		top = math.Max(top, math.Abs(float64(v)))
	}
	for i, v := range p.Samples {
		if math.Abs(float64(v)) > 0.3*top {
			return p.FirstMs + 1000*float64(i)/SoundRate
		}
	}
	return math.NaN()
}

// A click keeps its place against the pictures, whatever the container does
// with the two streams' starts.
func TestSoundKeepsItsPlace(t *testing.T) {
	aac := []string{"-c:a", "aac", "-b:a", "128k"}
	offset := func(s string) []string { return []string{"-itsoffset", s} }
	plain := under(t, "sound.mp4", nil, nil, aac)
	cut := media(t, "cut-sound.mp4", func(path string) {
		// Between key frames: the first pictures are decoded but not shown.
		ffmpeg(t, "-ss", "0.3", "-i", plain, "-c", "copy", path)
	})
	for _, c := range []struct {
		name, path string
		want       float64 // ms after the first picture
	}{
		{"mp4", plain, clickMs},
		{"sound starts late", under(t, "late-sound.mp4", nil, offset("0.2"), aac), clickMs + 200},
		{"pictures start late", under(t, "late-pictures.mp4", offset("0.15"), nil, aac), clickMs - 150},
		{"edit list", cut, clickMs - 300},
		{"mov, uncompressed", under(t, "sound.mov", nil, nil, []string{"-c:a", "pcm_s16le"}), clickMs},
		{"44100, stereo", under(t, "stereo.mp4", nil, nil, append([]string{"-ar", "44100", "-ac", "2"}, aac...)), clickMs},
		{"mkv", under(t, "sound.mkv", nil, nil, aac), clickMs},
	} {
		p, err := Sound(context.Background(), probe(t, c.path), c.path, 0, 1000)
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		// AAC smears by up to its short block of 2.7 ms; mkv counts whole ms.
		if got := heard(p); math.Abs(got-c.want) > 2 {
			t.Errorf("%s: click at %.2f ms, want %.2f", c.name, got, c.want)
		}
		part, err := Sound(context.Background(), probe(t, c.path), c.path, c.want-100, c.want+50)
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		if n := len(part.Samples); n != SoundRate*150/1000 {
			t.Errorf("%s: %d samples in 150 ms", c.name, n)
		}
		if a, b := heard(part), heard(p); math.Abs(a-b) > 0.05 {
			t.Errorf("%s: click at %.2f ms in a part, %.2f in the whole", c.name, a, b)
		}
	}
}

func TestNoSound(t *testing.T) {
	ctx := context.Background()
	dumb, plain := h264(t), under(t, "sound.mp4", nil, nil, []string{"-c:a", "aac", "-b:a", "128k"})
	if _, err := Sound(ctx, probe(t, dumb), dumb, 0, 1000); !errors.Is(err, ErrNoSound) {
		t.Errorf("a file without sound: %v", err)
	}
	if _, err := Sound(ctx, probe(t, plain), plain, 5000, 6000); !errors.Is(err, ErrNoSound) {
		t.Errorf("after the end: %v", err)
	}
	for _, span := range [][2]float64{{0, 1e6}, {10, 10}, {0, math.NaN()}} {
		if _, err := Sound(ctx, probe(t, plain), plain, span[0], span[1]); !errors.Is(err, ErrBadSound) {
			t.Errorf("%v ms: %v", span, err)
		}
	}
	c := probe(t, plain)
	rubbish := altered(t, "rubbish-sound.mp4", plain, func(b []byte) []byte {
		for i := 40; i < len(b); i++ {
			b[i] ^= 0x5a
		}
		return b
	})
	if _, err := Sound(ctx, c, rubbish, 0, 1000); !errors.Is(err, ErrBadSound) {
		t.Errorf("rubbish: %v", err)
	}
	stopped, cancel := context.WithCancel(ctx)
	cancel()
	if _, err := Sound(stopped, c, plain, 0, 1000); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
}

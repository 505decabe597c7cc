package clip

import (
	"bytes"
	"errors"
	"math"
	"slices"
	"strings"
	"testing"

	"nightcage/vision"
)

// FuzzDescribe feeds describe with answers of ffprobe, a capture tag as the
// file's own index holds it, and rates told. The seeds in testdata are answers
// about clips of testdata/phone and testdata/hostile.
func FuzzDescribe(f *testing.F) {
	f.Fuzz(func(t *testing.T, answer []byte, tag, lens string, jobFPS float64) {
		p, err := parseProbed(answer)
		if err != nil {
			return
		}
		p.Index.tags = map[string]string{}
		for k, v := range map[string]string{"com.android.capture.fps": tag, focalKey: lens} {
			if v != "" {
				p.Index.tags[k] = v
			}
		}
		c, err := describe("fuzzed.mp4", p, jobFPS)
		if err != nil {
			e := (*Error)(nil)
			if !errors.As(err, &e) || !slices.Contains(Kinds(), e.Kind) || e.Clip != "fuzzed.mp4" || !strings.HasSuffix(e.Reason, ".") {
				t.Fatalf("%v", err)
			}
			return
		}
		sound(t, c)
	})
}

// FuzzTimes feeds describe with well-formed answers whose fields hold anything:
// most changed bytes of an answer only make it no answer.
func FuzzTimes(f *testing.F) {
	f.Add(1280, 720, "1:1", "1/15360", "1.75", "", []byte{64, 64, 64, 64, 64, 64, 64, 64, 64, 64, 64, 64, 64}, int64(0), "240/1", 0.)
	f.Add(720, 1280, "4:3", "1/600", "36000", "00000000: 0 65536 0\n00000001: -65536 0 0\n00000002: 0 0 1073741824", []byte{20, 20, 3, 2, 3, 2, 3, 2, 3, 2, 3, 2, 3, 2, 3, 2, 20, 20}, int64(math.MinInt64), "", 240.)
	f.Add(64, 8192, "0:1", "1001/30000", "N/A", "", bytes.Repeat([]byte{255}, 200), int64(math.MaxInt64), "1/0", math.Inf(1))
	f.Fuzz(func(t *testing.T, w, h int, sar, base, duration, matrix string, steps []byte, first int64, tag string, jobFPS float64) {
		p := &probed{Streams: make([]stream, 1), Index: index{tags: map[string]string{"com.android.capture.fps": tag, focalKey: tag}}}
		st := &p.Streams[0]
		st.CodecName, st.Width, st.Height, st.SAR, st.TimeBase, p.Format.Duration = "h264", w, h, sar, base, duration
		if matrix != "" {
			st.SideData = append(st.SideData, sideData{Matrix: matrix})
		}
		at := first
		for _, s := range steps {
			now := at
			p.Packets = append(p.Packets, packet{PTS: &now})
			// Steps of all sizes, back ones and none among them.
			at += int64(int8(s)) << (s % 56)
		}
		c, err := describe("fuzzed.mp4", p, jobFPS)
		if e := (*Error)(nil); err != nil && !errors.As(err, &e) {
			t.Fatal(err)
		}
		if err == nil {
			sound(t, c)
		}
	})
}

// sound checks what every stage relies on.
func sound(t *testing.T, c vision.Clip) {
	t.Helper()
	const widest = 4 * MaxSidePx // stretched points
	if c.Width < MinSidePx/2 || c.Height < MinSidePx/2 || c.Width > widest || c.Height > widest || c.RotationDeg%90 != 0 {
		t.Errorf("%d x %d turned by %d", c.Width, c.Height, c.RotationDeg)
	}
	if n := len(c.Times); n < MinFrames || n > MaxFrames {
		t.Errorf("%d pictures", n)
	}
	if !(c.DurationMs > 0 && c.DurationMs <= float64(MaxDuration.Milliseconds())) || math.IsNaN(c.FirstPTSMs) || math.IsInf(c.FirstPTSMs, 0) {
		t.Errorf("%v ms from %v", c.DurationMs, c.FirstPTSMs)
	}
	for i, at := range c.Times {
		if i == 0 {
			if at.Ms != 0 || at.PTSMs != 0 {
				t.Fatalf("starts at %+v", at)
			}
			continue
		}
		if before := c.Times[i-1]; !(at.Ms > before.Ms) || !(at.PTSMs > before.PTSMs) || math.IsInf(at.Ms, 0) {
			t.Fatalf("%+v follows %+v", at, before)
		}
	}
	k := c.Clock
	timed := k.CaptureFPS > 0 && k.SigmaRel > 0 && !math.IsInf(k.CaptureFPS, 0)
	if k.Known != timed || k.Known == (k.Source == vision.ClockUnknown) || !k.Known && k.Conflict == "" || !(k.StoredFPS > 0) {
		t.Errorf("clock %+v", k)
	}
	if !(c.FocalPx >= 0) || math.IsInf(c.FocalPx, 0) || (c.FocalPx > 0) != (c.FocalSigmaRel > 0) {
		t.Errorf("focal length %v, give or take %v", c.FocalPx, c.FocalSigmaRel)
	}
}

// FuzzIndex feeds the box reader with files.
func FuzzIndex(f *testing.F) {
	f.Add(movie(300, keyed("com.android.capture.fps", 23, words(math.Float32bits(240)))))
	f.Add(append(movie(3, boxed("edts", boxed("elst", words(0, 2)))), boxed("moof", boxed("traf", boxed("trun", words(0, 50))))...))
	f.Add(boxed("moov", boxed("udta", keyed("k", 1, []byte("v")))))
	f.Fuzz(func(t *testing.T, file []byte) {
		c := &counted{r: bytes.NewReader(file)}
		x := readIndex(c, int64(len(file)))
		if x.pictures < 0 || x.samples < 0 || len(x.tags) > maxTags || c.reads > 2*maxBoxes {
			t.Errorf("%d pictures, %d samples, %d tags, %d reads", x.pictures, x.samples, len(x.tags), c.reads)
		}
		for k, v := range x.tags {
			if len(k) > maxTagBytes || len(v) > maxTagBytes {
				t.Errorf("a tag of %d and %d bytes", len(k), len(v))
			}
		}
	})
}

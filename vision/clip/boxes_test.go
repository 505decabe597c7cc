package clip

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"nightcage/vision"
)

// boxed is a box of a kind around contents.
func boxed(kind string, contents ...[]byte) []byte {
	body := bytes.Join(contents, nil)
	return append(append(words(uint32(len(body)+8)), kind...), body...)
}

func words(w ...uint32) []byte {
	var out []byte
	for _, v := range w {
		out = binary.BigEndian.AppendUint32(out, v)
	}
	return out
}

// keyed is a meta box that holds one value under one key.
func keyed(key string, kind uint32, value []byte) []byte {
	return boxed("meta", boxed("hdlr", words(0, 0), []byte("mdta"), words(0, 0, 0)),
		boxed("keys", words(0, 1), boxed("mdta", []byte(key))),
		boxed("ilst", boxed("\x00\x00\x00\x01", boxed("data", words(kind, 0), value))))
}

// movie is an index with one video track that holds more.
func movie(samples uint32, more ...[]byte) []byte {
	return boxed("moov", boxed("trak", append([][]byte{boxed("mdia", boxed("hdlr", words(0, 0), []byte("vide"), words(0, 0, 0)),
		boxed("minf", boxed("stbl", boxed("stsz", words(0, 1, samples)))))}, more...)...))
}

func indexOf(b []byte) index { return readIndex(bytes.NewReader(b), int64(len(b))) }

// The well-known types of Apple's QuickTime File Format Specification, table
// "Well-known data types" (from memory).
func TestTagsOfEveryType(t *testing.T) {
	f32, f64 := words(math.Float32bits(239.76)), binary.BigEndian.AppendUint64(nil, math.Float64bits(0.125))
	for _, c := range []struct {
		name  string
		kind  uint32
		value []byte
		want  string
		none  bool
	}{
		{"text", 1, []byte("240000/1001"), "240000/1001", false},
		{"float", 23, f32, "239.76", false},
		{"double", 24, f64, "0.125", false},
		{"signed of one byte", 21, []byte{0xff}, "-1", false},
		{"signed of two bytes", 21, []byte{0, 240}, "240", false},
		{"unsigned of one byte", 22, []byte{240}, "240", false},
		{"int8", 65, []byte{1}, "1", false},
		{"int32", 67, words(26), "26", false},
		{"uint32", 77, words(26), "26", false},
		{"uint64", 78, binary.BigEndian.AppendUint64(nil, 1<<63), "9223372036854775808", false},
		{"a picture", 13, []byte{0xff, 0xd8}, "", true},
		{"a number of nine bytes", 21, make([]byte, 9), "", true},
		{"a float of two bytes", 23, []byte{0, 0}, "", true},
		{"more than a number", 1, make([]byte, 300), "", true},
	} {
		for place, b := range map[string][]byte{"movie": boxed("moov", keyed("k", c.kind, c.value)),
			"user data": boxed("moov", boxed("udta", keyed("k", c.kind, c.value))), "track": movie(30, keyed("k", c.kind, c.value))} {
			got, ok := indexOf(b).tags["k"]
			if got != c.want || ok == c.none {
				t.Errorf("%s, in the %s: %q, %v", c.name, place, got, ok)
			}
		}
	}
}

func TestIndexCounts(t *testing.T) {
	b := append(movie(300), boxed("moof", boxed("traf", boxed("trun", words(0, 50))), boxed("traf", boxed("trun", words(0, 7))))...)
	if x := indexOf(b); x.pictures != 300 || x.samples != 357 {
		t.Errorf("%+v", x)
	}
	if x := indexOf(movie(300, boxed("edts", boxed("elst", words(0, 1000))))); x.samples != 300_000 {
		t.Errorf("a thousand edits: %+v", x)
	}
	long := append(append(words(1), "moov"...), binary.BigEndian.AppendUint64(nil, uint64(len(movie(9))-8+16))...)
	if x := indexOf(append(long, movie(9)[8:]...)); x.pictures != 9 {
		t.Errorf("a 64-bit size: %+v", x)
	}
	for name, b := range map[string][]byte{"nothing": nil, "noise": []byte("Batting order: Rook, Juniper, Ozzie"),
		"a box larger than the file": append(words(1000), "moov"...), "a size of 7": append(words(7), "moov"...),
		"a 64-bit size below zero": append(append(words(1), "moov"...), words(math.MaxUint32, math.MaxUint32)...)} {
		if x := indexOf(b); x.pictures != 0 || x.samples != 0 || len(x.tags) != 0 {
			t.Errorf("%s: %+v", name, x)
		}
	}
}

// counted counts what is read.
type counted struct {
	r            io.ReaderAt
	reads, bytes int
}

func (c *counted) ReadAt(p []byte, at int64) (int, error) {
	c.reads, c.bytes = c.reads+1, c.bytes+len(p)
	return c.r.ReadAt(p, at)
}

// However much a file holds or claims, little of it is read.
func TestIndexReadsLittle(t *testing.T) {
	nested := []byte{}
	for range 5000 {
		nested = boxed("moov", nested)
	}
	// One buffer of 16 MB that is all index, each box the least there is.
	flat := bytes.Repeat(append(words(8), "trak"...), 2<<20)
	for name, b := range map[string][]byte{
		"boxes in boxes": nested, "very many boxes": boxed("moov", flat), "very many boxes at the top": flat,
		"a huge tag":     boxed("moov", keyed("k", 1, make([]byte, 16<<20))),
		"very many keys": boxed("moov", boxed("meta", boxed("hdlr", words(0, 0)), boxed("keys", words(0, 1<<20), bytes.Repeat(boxed("mdta", []byte("k")), 1<<20)))),
	} {
		c := &counted{r: bytes.NewReader(b)}
		x := readIndex(c, int64(len(b)))
		if c.reads > 2*maxBoxes || c.bytes > 64*maxBoxes || len(x.tags) > maxTags {
			t.Errorf("%s: %d reads of %d bytes, %d tags", name, c.reads, c.bytes, len(x.tags))
		}
	}
}

// What promises more than can be is refused before ffprobe, whose memory grows
// with the promise, is asked.
func TestPromisesAreRefusedUnasked(t *testing.T) {
	t.Setenv("PATH", t.TempDir()) // no ffprobe
	for name, c := range map[string]struct {
		file []byte
		want Kind
	}{
		"pictures":  {movie(math.MaxUint32), TooLarge},
		"edits":     {movie(1000, boxed("edts", boxed("elst", words(0, math.MaxUint32)))), Damaged},
		"fragments": {append(movie(0), boxed("moof", boxed("traf", boxed("trun", words(0, math.MaxUint32))))...), Damaged},
	} {
		path := filepath.Join(t.TempDir(), "a.mp4")
		if err := os.WriteFile(path, c.file, 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := Probe(context.Background(), path, vision.Subject{}); !errors.Is(err, c.want) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// A lens tag on the video track, as phones write it, which ffprobe does not show.
func TestProbeReadsTheLens(t *testing.T) {
	path := altered(t, "lens.mp4", pattern(t), func(f []byte) []byte {
		// The track's box grows, and the movie's around it; the coded pictures come
		// before both.
		tag := keyed(focalKey, 21, []byte{0, 26})
		moov, trak := bytes.LastIndex(f, []byte("moov"))-4, bytes.LastIndex(f, []byte("trak"))-4
		end := trak + int(binary.BigEndian.Uint32(f[trak:]))
		for _, at := range []int{moov, trak} {
			binary.BigEndian.PutUint32(f[at:], binary.BigEndian.Uint32(f[at:])+uint32(len(tag)))
		}
		return append(append(bytes.Clone(f[:end]), tag...), f[end:]...)
	})
	// 320 px wide: 26 mm over the clip's own diagonal are 221 px, over that of the
	// 4:3 still and stabilised 264.
	c := probe(t, path)
	if c.FocalPx < 221 || c.FocalPx > 265 || c.FocalSigmaRel < 0.04 || c.FocalSigmaRel > 0.08 {
		t.Errorf("%.1f px, give or take %.1f %%", c.FocalPx, 100*c.FocalSigmaRel)
	}
	if c := probe(t, pattern(t)); c.FocalPx != 0 || c.FocalSigmaRel != 0 {
		t.Errorf("no tag: %v", c.FocalPx)
	}
}

func TestFocal(t *testing.T) {
	// A 36 x 24 mm camera with a 50 mm lens, filmed 4:3 and uncropped: the long
	// side that sees as much over the diagonal is 34.6 mm (arithmetic of CIPA
	// DCG-001's definition), so f is 50/34.6 of it; a tenth more when stabilised.
	for _, c := range []struct {
		name, tag     string
		width, height int
		least, most   float64
		note          bool
	}{
		{"4:3", "50", 1440, 1080, 2080, 2289, false},
		{"with its unit", "50.00mm", 1440, 1080, 2080, 2289, false},
		{"portrait", "26", 1080, 1920, 1323, 1587, false},
		{"cropped square", "26", 1080, 1080, 0, 0, true},
		{"no number", "wide", 1920, 1080, 0, 0, true},
		{"no lens", "0", 1920, 1080, 0, 0, true},
	} {
		v := vision.Clip{Width: c.width, Height: c.height}
		setFocal(&v, &probed{Index: index{tags: map[string]string{focalKey: c.tag}}})
		if v.FocalPx < c.least || v.FocalPx > c.most || (len(v.Notes) > 0) != c.note {
			t.Errorf("%s: %.1f px, want %.0f to %.0f; notes %q", c.name, v.FocalPx, c.least, c.most, v.Notes)
		}
	}
}

func TestCaptureTagInOtherShapes(t *testing.T) {
	for _, c := range []struct {
		key, text string
		want      float64
		bad       bool
	}{
		{"com.android.capture.fps", "240.000000", 240, false},
		{"com.android.capture.fps", "240000/1001", 239.76, false},
		{"com.example.camera.CaptureFps", "120 fps", 120, false},
		{"capture_fps", " 960 ", 960, false},
		{"com.android.capture.fps", "1/0", 0, true},
		{"com.android.capture.fps", "NaN", 0, true},
		{"com.android.capture.fps", "-240", 0, true},
		{"com.android.capture.fps", strings.Repeat("9", 1000), 0, true},
		{"com.example.recapture.fpsx", "240", 0, false},
	} {
		got, err := captureTag(&probed{Index: index{tags: map[string]string{c.key: c.text}}})
		if math.Abs(got-c.want) > 0.01 || (err != nil) != c.bad {
			t.Errorf("%s = %.20q: %v, %v", c.key, c.text, got, err)
		}
	}
}

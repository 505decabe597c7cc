package clip

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"nightcage/vision"
)

// The inputs of this package's tests are made by ffmpeg on the spot, once per
// run, in mediaDir.
var mediaDir string

func TestMain(m *testing.M) {
	dir, err := os.MkdirTemp("", "nightcage-clip-")
	if err != nil {
		panic(err)
	}
	mediaDir = dir
	code := m.Run()
	os.RemoveAll(dir)
	os.Exit(code)
}

var made sync.Map

// media returns the path of a file in mediaDir, calling create to make it the
// first time it is asked for.
func media(t testing.TB, name string, create func(path string)) string {
	t.Helper()
	path := filepath.Join(mediaDir, name)
	once, _ := made.LoadOrStore(name, new(sync.Once))
	once.(*sync.Once).Do(func() { create(path) })
	if _, err := os.Stat(path); err != nil {
		t.Fatalf("%s was not made: %v", name, err)
	}
	return path
}

func ffmpeg(t testing.TB, args ...string) {
	t.Helper()
	cmd := exec.Command("ffmpeg", append([]string{"-v", "error", "-nostdin", "-y"}, args...)...)
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("ffmpeg %s: %v\n%s", strings.Join(args, " "), err, out)
	}
}

// codedLevel is the luma that picture n of a coded source is filled with.
// Neighbours differ by 11, so that a picture one off is told from noise.
func codedLevel(n int) float64 { return float64(16 + 11*n%211) }

// coded is a source of 120 pictures at 120 per second, 192x108, each filled
// with its codedLevel.
const coded = "nullsrc=s=192x108:r=120:d=1,geq=lum='16+mod(11*N,211)':cb=128:cr=128"

// encoded makes (once) a coded clip with the given ffmpeg output arguments.
func encoded(t testing.TB, name string, args ...string) string {
	t.Helper()
	return media(t, name, func(path string) {
		ffmpeg(t, append(append([]string{"-f", "lavfi", "-i", coded}, args...), path)...)
	})
}

func h264(t testing.TB) string {
	return encoded(t, "coded.mp4", "-c:v", "libx264", "-preset", "veryfast", "-crf", "12", "-bf", "2", "-g", "30", "-pix_fmt", "yuv420p")
}

// pattern is a clip of a detailed, lopsided moving picture.
func pattern(t testing.TB) string {
	t.Helper()
	return media(t, "pattern.mp4", func(path string) {
		ffmpeg(t, "-f", "lavfi", "-i", "testsrc2=s=320x180:r=60:d=0.5", "-c:v", "libx264", "-crf", "10", "-pix_fmt", "yuv420p", path)
	})
}

func readBytes(t testing.TB, path string) []byte {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// altered makes (once) a changed copy of a file.
func altered(t testing.TB, name, from string, change func(b []byte) []byte) string {
	t.Helper()
	return media(t, name, func(path string) {
		if err := os.WriteFile(path, change(bytes.Clone(readBytes(t, from))), 0o600); err != nil {
			t.Fatal(err)
		}
	})
}

// withMatrix is pattern with another display matrix [a b; c d] in its track
// header (ISO/IEC 14496-12, tkhd version 0: the matrix starts 48 bytes into the
// box). x and y keep the shown picture at positive coordinates, as cameras do.
func withMatrix(t testing.TB, a, b, c, d int32) string {
	t.Helper()
	return altered(t, fmt.Sprintf("turned%+d%+d%+d%+d.mp4", a, b, c, d), pattern(t), func(f []byte) []byte {
		at := bytes.Index(f, []byte("tkhd")) - 4
		if at < 0 || f[at+8] != 0 {
			t.Fatal("no track header of version 0")
		}
		const one = 1 << 16
		w, h := int32(320*one), int32(180*one)
		x, y := min(a, 0)*-w+min(c, 0)*-h, min(b, 0)*-w+min(d, 0)*-h
		for i, v := range []int32{a * one, b * one, 0, c * one, d * one, 0, x, y, 1 << 30} {
			binary.BigEndian.PutUint32(f[at+48+4*i:], uint32(v))
		}
		return f
	})
}

// withCaptureTag is a coded clip stored at 30 frames per second with the tag
// Android writes for slow motion: a 32-bit float (type 23 of the QuickTime
// well-known types) under the key com.android.capture.fps.
func withCaptureTag(t testing.TB, fps float32) string {
	t.Helper()
	plain := media(t, "tagged.mp4", func(path string) {
		ffmpeg(t, "-i", h264(t), "-vf", "setpts=4*PTS", "-r", "30", "-c:v", "libx264", "-pix_fmt", "yuv420p",
			"-movflags", "use_metadata_tags", "-metadata", "com.android.capture.fps=ABCD", path)
	})
	return altered(t, fmt.Sprintf("tagged%v.mp4", fps), plain, func(f []byte) []byte {
		at := bytes.LastIndex(f, []byte("ABCD"))
		if at < 16 || string(f[at-12:at-8]) != "data" {
			t.Fatal("no metadata item")
		}
		binary.BigEndian.PutUint32(f[at-8:], 23)
		binary.BigEndian.PutUint32(f[at:], math.Float32bits(fps))
		return f
	})
}

func probe(t testing.TB, path string) vision.Clip {
	t.Helper()
	c, err := Probe(context.Background(), path, vision.Subject{})
	if err != nil {
		t.Fatal(err)
	}
	return c
}

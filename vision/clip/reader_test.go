package clip

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os/exec"
	"slices"
	"testing"

	"gocv.io/x/gocv"

	"nightcage/vision"
)

func open(t testing.TB, c vision.Clip, path string) *Reader {
	t.Helper()
	r, err := Open(context.Background(), c, path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := r.Close(); err != nil {
			t.Error(err)
		}
	})
	return r
}

// isCoded reports whether a picture is number n of a coded source. Luma 16..235
// becomes gray 0..255 (ITU-R BT.601, narrow range).
func isCoded(m gocv.Mat, n int) bool {
	s := m.Mean()
	want := (codedLevel(n) - 16) * 255 / 219
	return math.Abs(s.Val1-want) < 4 && math.Abs(s.Val2-want) < 4 && math.Abs(s.Val3-want) < 4
}

func TestEveryPictureComesInOrder(t *testing.T) {
	cases := []struct {
		name, path string
		first      int // number of the first picture in the coded source
		n          int
	}{
		{"H.264 with B-frames", h264(t), 0, 120},
		{"H.264 without", encoded(t, "nob.mp4", "-c:v", "libx264", "-crf", "12", "-bf", "0", "-pix_fmt", "yuv420p"), 0, 120},
		{"HEVC", encoded(t, "hevc.mp4", "-c:v", "libx265", "-x265-params", "log-level=error:crf=12", "-tag:v", "hvc1", "-pix_fmt", "yuv420p"), 0, 120},
		{"HEVC 10 bit", hevc10(t), 0, 120},
		{"edit list", media(t, "cut.mp4", func(p string) { ffmpeg(t, "-ss", "0.1", "-i", h264(t), "-c", "copy", p) }), 12, 108},
		{"starts late, after its sound", media(t, "late.mp4", func(p string) {
			ffmpeg(t, "-itsoffset", "0.25", "-i", h264(t), "-f", "lavfi", "-i", "sine=d=1.3", "-map", "0:v", "-map", "1:a", "-c:v", "copy", "-c:a", "aac", p)
		}), 0, 120},
		{"B-frames, no edit list", media(t, "noelst.mp4", func(p string) { ffmpeg(t, "-i", h264(t), "-c", "copy", "-use_editlist", "0", p) }), 0, 120},
		{"Matroska", media(t, "coded.mkv", func(p string) { ffmpeg(t, "-i", h264(t), "-c", "copy", p) }), 0, 120},
		{"WebM", encoded(t, "coded.webm", "-c:v", "libvpx", "-b:v", "2M", "-quality", "realtime", "-pix_fmt", "yuv420p"), 0, 120},
		{"Motion JPEG AVI", encoded(t, "coded.avi", "-c:v", "mjpeg", "-q:v", "2", "-pix_fmt", "yuvj420p"), 0, 120},
		{"transport stream", media(t, "coded.ts", func(p string) { ffmpeg(t, "-i", h264(t), "-c", "copy", p) }), 0, 120},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			clip := probe(t, c.path)
			if len(clip.Times) != c.n {
				t.Fatalf("%d pictures listed, want %d", len(clip.Times), c.n)
			}
			if math.Abs(clip.Clock.StoredFPS-120) > 0.7 {
				t.Errorf("stored rate %.3f, made at 120", clip.Clock.StoredFPS)
			}
			for i, ft := range clip.Times {
				// Matroska rounds to a millisecond.
				if want := float64(i) * 1000 / 120; math.Abs(ft.PTSMs-want) > 1.01 {
					t.Fatalf("picture %d at %.3f ms, want %.3f", i, ft.PTSMs, want)
				}
			}
			r := open(t, clip, c.path)
			for i := range c.n {
				f, err := r.Next(context.Background())
				if err != nil {
					t.Fatalf("picture %d: %v", i, err)
				}
				if f.Index != i || !isCoded(f.BGR, c.first+i) {
					t.Fatalf("picture %d: index %d, mean %v, want luma %v", i, f.Index, f.BGR.Mean(), codedLevel(c.first+i))
				}
			}
			for range 2 {
				if _, err := r.Next(context.Background()); !errors.Is(err, io.EOF) {
					t.Fatalf("after the last picture: %v", err)
				}
			}
			for i, ft := range r.Clip().Times {
				if ft.Lost {
					t.Errorf("picture %d marked lost", i)
				}
			}
		})
	}
}

func hevc10(t testing.TB) string {
	return encoded(t, "hevc10.mov", "-c:v", "libx265", "-x265-params", "log-level=error:crf=12:keyint=30", "-tag:v", "hvc1",
		"-pix_fmt", "yuv420p10le", "-color_trc", "arib-std-b67", "-color_primaries", "bt2020", "-colorspace", "bt2020nc")
}

func TestTenBitArrivesAsEight(t *testing.T) {
	c := probe(t, hevc10(t))
	if c.Codec != "hevc" || c.PixelFormat != "yuv420p10le" || c.Transfer != "arib-std-b67" {
		t.Errorf("codec %s, pixels %s, transfer %s", c.Codec, c.PixelFormat, c.Transfer)
	}
	f, err := open(t, c, hevc10(t)).Next(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	if f.BGR.Type() != gocv.MatTypeCV8UC3 {
		t.Errorf("Mat type %v", f.BGR.Type())
	}
}

// ffmpeg turns and flips by the display matrix too, by its own code; all eight
// matrices a camera can write must give the picture it gives.
func TestUprightAsFFmpegShowsIt(t *testing.T) {
	for _, m := range [][4]int32{
		{1, 0, 0, 1}, {0, 1, -1, 0}, {-1, 0, 0, -1}, {0, -1, 1, 0}, // turns
		{-1, 0, 0, 1}, {1, 0, 0, -1}, {0, 1, 1, 0}, {0, -1, -1, 0}, // flips
	} {
		t.Run(fmt.Sprint(m), func(t *testing.T) {
			path := withMatrix(t, m[0], m[1], m[2], m[3])
			c := probe(t, path)
			if c.Mirrored != (m[0]*m[3]-m[1]*m[2] < 0) {
				t.Errorf("mirrored %v", c.Mirrored)
			}
			f, err := open(t, c, path).Next(context.Background())
			if err != nil {
				t.Fatal(err)
			}
			want, err := exec.Command("ffmpeg", "-v", "error", "-nostdin", "-i", path, "-frames:v", "1", "-pix_fmt", "bgr24", "-f", "rawvideo", "pipe:1").Output()
			if err != nil {
				t.Fatal(err)
			}
			if f.BGR.Cols() != c.Width || f.BGR.Rows() != c.Height || len(want) != 3*c.Width*c.Height {
				t.Fatalf("clip %dx%d, picture %dx%d, ffmpeg %d bytes", c.Width, c.Height, f.BGR.Cols(), f.BGR.Rows(), len(want))
			}
			if d := meanDifference(f.BGR.ToBytes(), want); d > 2 {
				t.Errorf("mean difference %.2f levels from ffmpeg's picture", d)
			}
		})
	}
}

func meanDifference(a, b []byte) float64 {
	sum := 0.0
	for i := range a {
		sum += math.Abs(float64(a[i]) - float64(b[i]))
	}
	return sum / float64(len(a))
}

// damagedMiddle is hevc10 with an eighth of its coded data overwritten.
func damagedMiddle(t testing.TB) string {
	return altered(t, "damaged.mov", hevc10(t), func(b []byte) []byte {
		// Overwrite the tail of the coded data but for its last third; packets
		// of flat pictures are a few hundred bytes.
		at := bytes.Index(b, []byte("mdat"))
		end := bytes.Index(b, []byte("moov"))
		mid := at + (end-at)/2
		for i := mid; i < mid+(end-at)/8; i++ {
			b[i] ^= 0x5a
		}
		return b
	})
}

// Damage in the middle must cost the pictures it hits and no others, and the
// pictures after it must keep their own indices.
func TestDamageKeepsIndices(t *testing.T) {
	path := damagedMiddle(t)
	c := probe(t, path)
	r := open(t, c, path)
	var got []int
	wrong := 0
	for {
		f, err := r.Next(context.Background())
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		got = append(got, f.Index)
		if !isCoded(f.BGR, f.Index) {
			wrong++
		}
	}
	lost := 0
	for i, ft := range r.Clip().Times {
		if ft.Lost {
			lost++
		}
		if ft.Lost == slices.Contains(got, i) {
			t.Errorf("picture %d: lost %v but read %v", i, ft.Lost, !ft.Lost)
		}
	}
	if lost == 0 || len(got) < 80 || !slices.IsSorted(got) || got[len(got)-1] != 119 {
		t.Errorf("%d lost, %d read, last %d: the damage should cost some pictures and spare the rest", lost, len(got), got[len(got)-1])
	}
	// Pictures that lean on damaged ones may look wrong until the next key
	// frame; all in all that is one group of 30.
	if wrong > 30 {
		t.Errorf("%d of %d pictures do not show their number", wrong, len(got))
	}
	if n := len(c.Times); n != 120 {
		t.Errorf("%d pictures listed", n)
	}
}

func TestSeek(t *testing.T) {
	vfr := media(t, "vfr.mp4", func(p string) {
		ffmpeg(t, "-i", h264(t), "-vf", "setpts='PTS+if(gt(N,60),0.175/TB,0)+mod(N,3)*0.001/TB'", "-vsync", "vfr",
			"-video_track_timescale", "90000", "-enc_time_base", "1:90000", "-c:v", "libx264", "-crf", "12", "-bf", "2", "-g", "30", p)
	})
	cut := media(t, "cut.mp4", func(p string) { ffmpeg(t, "-ss", "0.1", "-i", h264(t), "-c", "copy", p) })
	for _, c := range []struct {
		path  string
		first int
	}{{h264(t), 0}, {vfr, 0}, {cut, 12}, {hevc10(t), 0}} {
		clip := probe(t, c.path)
		r := open(t, clip, c.path)
		n := len(clip.Times)
		for _, at := range []int{100, 3, 90, 91, 95, 0, n - 1, n - 2, 30, 29, 31, n, 64, -5} {
			if err := r.Seek(context.Background(), at); err != nil {
				t.Fatal(err)
			}
			f, err := r.Next(context.Background())
			if at == n {
				if !errors.Is(err, io.EOF) {
					t.Errorf("%s: past the end: %v", clip.Name, err)
				}
				continue
			}
			if err != nil {
				t.Fatalf("%s at %d: %v", clip.Name, at, err)
			}
			if want := max(at, 0); f.Index != want || !isCoded(f.BGR, c.first+want) {
				t.Errorf("%s at %d: index %d, mean %v, want luma %v", clip.Name, at, f.Index, f.BGR.Mean().Val1, codedLevel(c.first+want))
			}
		}
		for i, ft := range r.Clip().Times {
			if ft.Lost {
				t.Errorf("%s: picture %d marked lost by seeking", clip.Name, i)
			}
		}
	}
}

func TestVariableRateTimes(t *testing.T) {
	path := media(t, "hole.mp4", func(p string) {
		ffmpeg(t, "-i", h264(t), "-vf", "setpts='PTS+if(gte(N,60),0.175/TB,0)'", "-vsync", "vfr", "-video_track_timescale", "90000",
			"-enc_time_base", "1:90000", "-c:v", "libx264", "-crf", "12", p)
	})
	c := probe(t, path)
	if math.Abs(c.Clock.StoredFPS-120) > 0.1 || !c.Clock.Known || c.Clock.Source != vision.ClockTimestamps {
		t.Errorf("clock %+v", c.Clock)
	}
	for i, ft := range c.Times {
		want := float64(i) * 1000 / 120
		if i >= 60 {
			want += 175
		}
		if math.Abs(ft.Ms-want) > 0.05 {
			t.Fatalf("picture %d at %.3f ms, want %.3f", i, ft.Ms, want)
		}
	}
}

func TestGray(t *testing.T) {
	r := open(t, probe(t, pattern(t)), pattern(t))
	if g := r.Gray(); !g.Empty() {
		t.Error("gray before the first picture")
	}
	for range 2 {
		f, err := r.Next(context.Background())
		if err != nil {
			t.Fatal(err)
		}
		want := gocv.NewMat()
		gocv.CvtColor(f.BGR, &want, gocv.ColorBGRToGray)
		g := r.Gray()
		if !bytes.Equal(g.ToBytes(), want.ToBytes()) {
			t.Error("not the gray of the current picture")
		}
		want.Close()
	}
}

func TestReadingStopsWhenTold(t *testing.T) {
	c := probe(t, h264(t))
	ctx, cancel := context.WithCancel(context.Background())
	r := open(t, c, h264(t))
	if _, err := r.Next(ctx); err != nil {
		t.Fatal(err)
	}
	cancel()
	if _, err := r.Next(ctx); !errors.Is(err, context.Canceled) {
		t.Errorf("Next: %v", err)
	}
	if err := r.Seek(ctx, 100); !errors.Is(err, context.Canceled) {
		t.Errorf("Seek: %v", err)
	}
	if _, err := Open(ctx, c, h264(t)); !errors.Is(err, context.Canceled) {
		t.Errorf("Open: %v", err)
	}
	if _, err := Probe(ctx, h264(t), vision.Subject{}); !errors.Is(err, context.Canceled) {
		t.Errorf("Probe: %v", err)
	}
}

// Every px of a shrunk picture is the mean of its block of the whole one, counted
// from the upright picture's left and top, whatever way the stored one was turned.
func TestShrunkPictureIsTheMeanOfBlocks(t *testing.T) {
	paths := []string{hevc10(t), oblong(t)}
	for _, m := range [][4]int32{
		{1, 0, 0, 1}, {0, 1, -1, 0}, {-1, 0, 0, -1}, {0, -1, 1, 0},
		{-1, 0, 0, 1}, {1, 0, 0, -1}, {0, 1, 1, 0}, {0, -1, -1, 0},
	} {
		paths = append(paths, withMatrix(t, m[0], m[1], m[2], m[3]))
	}
	for _, path := range paths {
		c := probe(t, path)
		whole, shrunk := open(t, c, path), open(t, c, path)
		for _, k := range []int{7, 2, 1, 3} { // of 320 and 180, 7 leaves 5 each
			shrunk.Shrink(k)
			f, err := whole.Next(context.Background())
			if err != nil {
				t.Fatal(err)
			}
			s, err := shrunk.Next(context.Background())
			if err != nil {
				t.Fatal(err)
			}
			w, h := c.Width/k, c.Height/k
			if s.Index != f.Index || s.BGR.Cols() != w || s.BGR.Rows() != h {
				t.Fatalf("%s: picture %d of %dx%d, want %d shrunk %d times from %dx%d", c.Name, s.Index, s.BGR.Cols(), s.BGR.Rows(), f.Index, k, c.Width, c.Height)
			}
			if g := shrunk.Gray(); g.Cols() != w || g.Rows() != h {
				t.Errorf("%s: gray of %dx%d", c.Name, g.Cols(), g.Rows())
			}
			// libswscale's own arithmetic is good to a level or two.
			right, shifted := offBlocks(f.BGR, s.BGR, k, 0), offBlocks(f.BGR, s.BGR, k, 1)
			if right > 1 || path != hevc10(t) && shifted < 2*right {
				t.Errorf("%s shrunk %d times: %.2f levels from the means of blocks, %.2f from those a px on", c.Name, k, right, shifted)
			}
		}
		thumb, err := whole.Thumb()
		if err != nil {
			t.Fatal(err)
		}
		if off := offBlocks(whole.Gray(), thumb, c.Width/thumb.Cols(), 0); off > 1 || thumb.Cols() < thumbWidth*2/3 {
			t.Errorf("%s: thumbnail of %dx%d, %.2f levels from the means of blocks", c.Name, thumb.Cols(), thumb.Rows(), off)
		}
		for _, k := range []int{0, c.Height*c.Width + 1} {
			shrunk.Shrink(k)
			if _, err := shrunk.Next(context.Background()); err == nil {
				t.Errorf("%s: shrunk %d times", c.Name, k)
			}
		}
	}
}

// oblong is pattern with points twice as wide as high, which are stretched first.
func oblong(t testing.TB) string {
	return media(t, "oblong.mp4", func(p string) { ffmpeg(t, "-i", pattern(t), "-vf", "setsar=2", "-c:v", "libx264", "-crf", "10", p) })
}

// offBlocks is the mean difference, levels, of a picture from the means of the k x k
// blocks of another, which begin that many px from its left and top.
func offBlocks(from, to gocv.Mat, k, begin int) float64 {
	px, w, n, got := from.ToBytes(), from.Cols(), from.Channels(), to.ToBytes()
	off, count := 0.0, 0
	for i, v := range got {
		x, y, ch := i/n%to.Cols(), i/n/to.Cols(), i%n
		sum := 0
		if begin+k*(x+1) > w || begin+k*(y+1) > from.Rows() {
			continue
		}
		for dy := range k {
			for dx := range k {
				sum += int(px[n*((begin+y*k+dy)*w+begin+x*k+dx)+ch])
			}
		}
		off += math.Abs(float64(v) - float64(sum)/float64(k*k))
		count++
	}
	return off / float64(count)
}

func TestNothingToShow(t *testing.T) {
	r := open(t, probe(t, pattern(t)), pattern(t))
	ctx := context.Background()
	for _, when := range []string{"before the first picture", "after the last"} {
		_, thumb := r.Thumb()
		if _, err := r.Picture(); err == nil || thumb == nil {
			t.Errorf("%s: %v, %v", when, err, thumb)
		}
		if err := r.Seek(ctx, 1000); err != nil {
			t.Fatal(err)
		}
		if _, err := r.Skip(ctx); !errors.Is(err, io.EOF) {
			t.Errorf("past the end: %v", err)
		}
	}
}

// A picture read over is the one that Next gives.
func TestSkippedPicturesCanStillBeSeen(t *testing.T) {
	c := probe(t, h264(t))
	r := open(t, c, h264(t))
	ctx := context.Background()
	for i := range len(c.Times) {
		at, err := r.Skip(ctx)
		if err != nil || at != i {
			t.Fatalf("picture %d: %d, %v", i, at, err)
		}
		if i%7 != 3 {
			continue
		}
		for range 2 {
			if f, err := r.Picture(); err != nil || f.Index != i || !isCoded(f.BGR, i) {
				t.Fatalf("picture %d: index %d, mean %v, %v", i, f.Index, f.BGR.Mean(), err)
			}
		}
		m, err := r.Thumb()
		if err != nil || math.Abs(m.Mean().Val1-(codedLevel(i)-16)*255/219) > 4 {
			t.Errorf("thumbnail of picture %d: mean %v, %v", i, m.Mean(), err)
		}
	}
}

package clip

import (
	"context"
	"errors"
	"io"
	"path/filepath"
	"syscall"
	"testing"

	"gocv.io/x/gocv"

	"nightcage/vision"
)

// cpuMs is the CPU time this process has used, ms.
func cpuMs(b *testing.B) float64 {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return float64(u.Utime.Nano()+u.Stime.Nano()) / 1e6
}

func BenchmarkProbe1280x720(b *testing.B) {
	for b.Loop() {
		probe(b, filepath.Join(clips, "s77001_04.mp4"))
	}
}

// grays returns the first n gray pictures of a 1280x720 clip.
func grays(b *testing.B, n int) []gocv.Mat {
	path := filepath.Join(clips, "s77001_00.mp4")
	r := open(b, probe(b, path), path)
	var out []gocv.Mat
	for range n {
		if _, err := r.Next(context.Background()); err != nil {
			b.Fatal(err)
		}
		g := r.Gray()
		out = append(out, g.Clone())
	}
	b.Cleanup(func() {
		for _, m := range out {
			m.Close()
		}
	})
	return out
}

func BenchmarkDecode1280x720(b *testing.B) {
	path := filepath.Join(clips, "s77001_04.mp4")
	c := probe(b, path)
	frames := 0
	before := cpuMs(b)
	for b.Loop() {
		r, err := Open(context.Background(), c, path)
		if err != nil {
			b.Fatal(err)
		}
		for {
			if _, err := r.Next(context.Background()); errors.Is(err, io.EOF) {
				break
			} else if err != nil {
				b.Fatal(err)
			}
			frames++
		}
		r.Close()
	}
	b.ReportMetric((cpuMs(b)-before)/float64(frames), "cpu-ms/picture")
}

// BenchmarkSkip1280x720 reads over pictures that nobody wants to see.
func BenchmarkSkip1280x720(b *testing.B) {
	path := filepath.Join(clips, "s77001_04.mp4")
	c := probe(b, path)
	frames, before := 0, cpuMs(b)
	for b.Loop() {
		r, err := Open(context.Background(), c, path)
		if err != nil {
			b.Fatal(err)
		}
		if err := r.Seek(context.Background(), len(c.Times)); err != nil {
			b.Fatal(err)
		}
		frames += r.decoded
		r.Close()
	}
	b.ReportMetric((cpuMs(b)-before)/float64(frames), "cpu-ms/picture")
}

func BenchmarkStabilise1280x720(b *testing.B) {
	pics := grays(b, 60)
	s := NewStabiliser(vision.Box{X0: 400, Y0: 150, X1: 880, Y1: 650})
	defer s.Close()
	before, n := cpuMs(b), 0
	for b.Loop() {
		if _, err := s.Next(pics[n%60]); err != nil {
			b.Fatal(err)
		}
		n++
	}
	b.ReportMetric((cpuMs(b)-before)/float64(n), "cpu-ms/picture")
}

func BenchmarkScan1280x720(b *testing.B) {
	pics := grays(b, 60)
	s := NewScan(vision.Box{})
	defer s.Close()
	before, n := cpuMs(b), 0
	for b.Loop() {
		if err := s.Add(n, pics[n%60]); err != nil {
			b.Fatal(err)
		}
		n++
	}
	b.ReportMetric((cpuMs(b)-before)/float64(n), "cpu-ms/picture")
}

// BenchmarkCorners1280x720 finds corners in full pictures on a goroutine's own
// thread, which is what glibc's defaults made slow (see native.go).
func BenchmarkCorners1280x720(b *testing.B) {
	pics := grays(b, 2)
	before, n := cpuMs(b), 0
	for b.Loop() {
		c := gocv.NewMat()
		gocv.GoodFeaturesToTrack(pics[n%2], &c, 200, 0.01, 10)
		c.Close()
		n++
	}
	b.ReportMetric((cpuMs(b)-before)/float64(n), "cpu-ms/picture")
}

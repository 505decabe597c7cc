package analysis

import (
	"context"
	"errors"
	"io"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"nightcage/models"
	"nightcage/vision"
	"nightcage/vision/clip"
)

// cpu is the processor time this process has used: it does not count what
// neighbours on the machine take.
func cpu(b *testing.B) time.Duration {
	b.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// floor decodes a clip once and runs the pose network once for each frame: the
// least that measuring it can cost.
func floor(b *testing.B, path string) {
	b.Helper()
	ctx := context.Background()
	c, err := clip.Probe(ctx, path, vision.Subject{})
	if err != nil {
		b.Fatal(err)
	}
	r, err := clip.Open(ctx, c, path)
	if err != nil {
		b.Fatal(err)
	}
	defer r.Close()
	net, err := models.Open(ctx, models.PoseFull)
	if err != nil {
		b.Fatal(err)
	}
	defer net.Close()
	for {
		if _, err := r.Next(ctx); errors.Is(err, io.EOF) {
			return
		} else if err != nil {
			b.Fatal(err)
		}
		if err := net.Run(ctx); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkOursOverFloor gives the whole analysis, networks' loading included,
// as a multiple of the floor, both in CPU time of this process.
func BenchmarkOursOverFloor(b *testing.B) {
	path := filepath.Join(clips, "s77001_04.mp4")
	var ours, least time.Duration
	for b.Loop() {
		t0 := cpu(b)
		floor(b, path)
		t1 := cpu(b)
		a, err := New(b.Context())
		if err != nil {
			b.Fatal(err)
		}
		if _, err := a.Run(b.Context(), path, vision.Subject{HeightIn: 55.5, BatIn: 28.5}, Options{}, nil); err != nil {
			b.Fatal(err)
		}
		a.Close()
		least, ours = least+t1-t0, ours+cpu(b)-t1
	}
	b.ReportMetric(ours.Seconds()/least.Seconds(), "ours/floor")
}

package ball

import (
	"syscall"
	"testing"

	"gocv.io/x/gocv"

	"nightcage/vision"
)

func cpuMs() float64 {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		return 0
	}
	return float64(u.Utime.Sec+u.Stime.Sec)*1000 + float64(u.Utime.Usec+u.Stime.Usec)/1000
}

// BenchmarkAdd720p is one frame of a 1280x720 clip at 240 fps, processor time
// of all threads.
func BenchmarkAdd720p(b *testing.B) {
	f := toss()
	f.fps = 240
	defer f.close()
	frames := make([]gocv.Mat, 24)
	for k := range frames {
		frames[k] = gocv.NewMat()
		defer frames[k].Close()
		f.frame(k, &frames[k])
	}
	finder, err := NewFinder(Setup{filmW, filmH, filmPxPerIn})
	if err != nil {
		b.Fatal(err)
	}
	defer finder.Close()
	start := cpuMs()
	for k := 0; b.Loop(); k++ {
		if err := finder.Add(b.Context(), frames[k%len(frames)], vision.Frame{Index: k, Ms: float64(k) * 1000 / f.fps}, false); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric((cpuMs()-start)/float64(b.N), "cpu-ms/op")
}

package analysis

import (
	"bufio"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"nightcage/vision"
)

var aloneClip = flag.String("clip", filepath.Join(clips, "s77001_00.mp4"), "BenchmarkAlone: the clip to measure")

// BenchmarkAlone measures one clip, networks' loading included, as the first thing that
// this process does: with -benchtime 1x its memory is what one clip needs.
func BenchmarkAlone(b *testing.B) {
	cpu := spent(b)
	for b.Loop() {
		a, err := New(b.Context())
		if err != nil {
			b.Fatal(err)
		}
		if _, err := a.Run(b.Context(), *aloneClip, vision.Subject{}, Options{}, nil); err != nil {
			b.Fatal(err)
		}
		a.Close()
	}
	b.ReportMetric((spent(b)-cpu).Seconds()/float64(b.N), "cpu-s")
	b.ReportMetric(b.Elapsed().Seconds()/float64(b.N), "wall-s")
	b.ReportMetric(resident(b, "VmHWM"), "MB")
}

// alone is what BenchmarkAlone says of a clip measured in a process of its own.
type alone struct {
	cpu, wall float64 // s
	memory    float64 // MB, the most held
}

// startAlone measures the clip at path in a process of its own; wait until it is done.
func startAlone(b *testing.B, path string) (wait func() alone) {
	b.Helper()
	exe, err := os.Executable()
	if err != nil {
		b.Fatal(err)
	}
	var out strings.Builder
	cmd := exec.CommandContext(b.Context(), exe, "-test.run=^$", "-test.bench=^BenchmarkAlone$", "-test.benchtime=1x", "-clip", path)
	cmd.Stdout, cmd.Stderr = &out, &out
	if err := cmd.Start(); err != nil {
		b.Fatal(err)
	}
	return func() (a alone) {
		if err := cmd.Wait(); err != nil {
			b.Fatalf("%v\n%s", err, &out)
		}
		got := map[string]float64{}
		fields := strings.Fields(out.String())
		for i := 1; i < len(fields); i++ {
			var v float64
			if n, _ := fmt.Sscanf(fields[i-1], "%g", &v); n == 1 {
				got[fields[i]] = v
			}
		}
		if a = (alone{got["cpu-s"], got["wall-s"], got["MB"]}); a.cpu*a.wall*a.memory == 0 {
			b.Fatalf("cpu-s, wall-s and MB are not all in\n%s", &out)
		}
		return a
	}
}

// resident reads a line of this process's memory, MB: VmRSS, what it holds, or VmHWM,
// the most it has held.
func resident(t testing.TB, line string) float64 {
	t.Helper()
	f, err := os.Open("/proc/self/status")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for s := bufio.NewScanner(f); s.Scan(); {
		var kB float64
		if n, _ := fmt.Sscanf(s.Text(), line+": %f kB", &kB); n == 1 {
			return kB * 1.024e-3
		}
	}
	t.Fatalf("no %s", line)
	return 0
}

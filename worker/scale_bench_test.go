package worker

import (
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// residentMB is a line of /proc/self/status, in MB: what this process holds in memory
// (VmRSS), or held at most (VmHWM).
func residentMB(b *testing.B, line string) float64 {
	b.Helper()
	status, err := os.ReadFile("/proc/self/status")
	if err != nil {
		b.Fatal(err)
	}
	for l := range strings.Lines(string(status)) {
		var kB float64
		if n, _ := fmt.Sscanf(l, line+": %f kB", &kB); n == 1 {
			return kB * 1.024e-3
		}
	}
	b.Fatalf("no %s", line)
	return 0
}

// processor is the time that this process (RUSAGE_SELF), or those that it started and
// that have ended (RUSAGE_CHILDREN), spent on processors, which other processes of the
// machine do not change.
func processor(b *testing.B, whose int) time.Duration {
	b.Helper()
	var u unix.Rusage
	if err := unix.Getrusage(whose, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// A night of as many clips as -benchtime says, with analyses that take no time: what
// the queue, ledger and stores cost for each clip, whether that grows with the night,
// and the memory of the worker with its server. The growth is in
// processor time. Run by make bench-queue BENCH=all with 10,000.
func BenchmarkNight(b *testing.B) {
	w, jobs := benchNight(b)
	w.Slots = 2
	began := time.Now()
	submitAll(b, w, jobs)
	submitted := time.Since(began)
	b.ResetTimer()
	began = time.Now()
	used := processor(b, unix.RUSAGE_SELF)
	ended := make(chan error, 1)
	go func() { ended <- w.Serve(b.Context(), b.Context(), QueueOptions{Log: w.Log}) }()
	tenths := make([]time.Duration, 11) // processor time when so many tenths were done
	wall := time.Duration(0)
	var atStart, peak float64
	for done, tenth := 0, 1; done < b.N; {
		select {
		case err := <-ended:
			b.Fatalf("ended with %d of %d done: %v", done, b.N, err)
		case <-time.After(500 * time.Millisecond): // a count of the ledger is not free
		}
		t, err := w.Ledger.Tally(b.Context())
		if err != nil {
			b.Fatal(err)
		}
		done = t.Count[StateMeasured]
		now := residentMB(b, "VmRSS")
		peak = max(peak, now)
		for ; tenth <= 10 && done*10 >= tenth*b.N; tenth++ {
			tenths[tenth], wall = processor(b, unix.RUSAGE_SELF)-used, time.Since(began)
			if tenth == 1 {
				atStart = now
			}
		}
	}
	b.StopTimer()
	if err := <-ended; err != nil {
		b.Fatal(err)
	}
	b.ReportMetric(float64(submitted.Milliseconds())/float64(b.N), "submit-ms/clip")
	b.ReportMetric(float64(wall.Milliseconds())/float64(b.N), "work-ms/clip")
	b.ReportMetric(float64(tenths[10].Milliseconds())/float64(b.N), "processor-ms/clip")
	b.ReportMetric(float64((tenths[10]-tenths[9])*1e3/max(tenths[2]-tenths[1], 1))/1e3, "last/second-tenth")
	b.ReportMetric(peak, "peak-MB")
	b.ReportMetric(peak-atStart, "grown-MB")
}

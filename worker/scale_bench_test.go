package worker

import (
	"context"
	"os"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/rs/zerolog"
	"golang.org/x/sys/unix"
)

// residentMB is what this process holds in memory, in MB.
func residentMB(b *testing.B) float64 {
	b.Helper()
	stat, err := os.ReadFile("/proc/self/statm")
	if err != nil {
		b.Fatal(err)
	}
	pages, err := strconv.Atoi(strings.Fields(string(stat))[1])
	if err != nil {
		b.Fatal(err)
	}
	return float64(pages) * float64(os.Getpagesize()) / 1e6
}

// processor is the time that this process has spent on processors, which other
// processes of the machine do not change.
func processor(b *testing.B) time.Duration {
	b.Helper()
	var u unix.Rusage
	if err := unix.Getrusage(unix.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// A night of as many clips as -benchtime says, with analyses that take no time: what
// the queue, ledger and stores cost for each clip, whether that grows with the night,
// and the memory of the worker with its server. The growth is in
// processor time. Run by make bench-queue with 10,000.
func BenchmarkNight(b *testing.B) {
	w, jobs := benchNight(b)
	w.Slots = 2
	began := time.Now()
	submitAll(b, w, jobs)
	submitted := time.Since(began)
	b.ResetTimer()
	began = time.Now()
	used := processor(b)
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
		now := residentMB(b)
		peak = max(peak, now)
		for ; tenth <= 10 && done*10 >= tenth*b.N; tenth++ {
			tenths[tenth], wall = processor(b)-used, time.Since(began)
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

// busy is an analysis that takes its time and no processor.
type busy struct {
	instant
	takes time.Duration
}

func (a busy) Analyze(ctx context.Context, j Job, progress func(done, total int)) (Result, error) {
	time.Sleep(a.takes)
	return a.instant.Analyze(ctx, j, progress)
}

// Two workers of one home against one, in one run: 2 is what could be had at most,
// and what is missing is spent on the queue, the ledger and the disk they share.
// Workers have one slot each; a clip takes 100 ms.
func BenchmarkTwoWorkersOverOne(b *testing.B) {
	var took [3]time.Duration
	for n := 1; n <= 2; n++ {
		w, jobs := benchNight(b)
		w.Analyzer = busy{instant{testSwing(testJob, "")}, 100 * time.Millisecond}
		submitAll(b, w, jobs)
		b.ResetTimer()
		began := time.Now()
		var all sync.WaitGroup
		for range n {
			other, closeAll, err := newWorker(w.Home.Dir(), w.Analyzer)
			if err != nil {
				b.Fatal(err)
			}
			defer closeAll()
			other.Log, other.Drain = zerolog.Nop(), true
			all.Go(func() {
				if err := other.Serve(b.Context(), b.Context(), QueueOptions{Listen: true, Log: other.Log}); err != nil {
					b.Error(err)
				}
			})
		}
		for t := (Tally{}); t.Count[StateMeasured] < b.N && !b.Failed(); time.Sleep(10 * time.Millisecond) {
			var err error
			if t, err = w.Ledger.Tally(b.Context()); err != nil {
				b.Fatal(err)
			}
		}
		took[n] = time.Since(began)
		all.Wait()
	}
	b.ReportMetric(float64(took[1])/float64(took[2]), "two/one")
	b.ReportMetric(0, "ns/op") // means nothing here
}

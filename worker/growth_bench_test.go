package worker

import (
	"bytes"
	"context"
	"flag"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime/debug"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/rs/zerolog"
	"golang.org/x/sys/unix"

	"nightcage/vision"
)

var growthTable = flag.String("table", "", "BenchmarkGrowth: the file to write its table to")

// spent is what something took: processor time of this process, which other processes
// do not change, and time on the clock, most of it waiting for the disk.
type spent struct{ processor, clock time.Duration }

func meter(b *testing.B) func() spent {
	p, c := processor(b, unix.RUSAGE_SELF), time.Now()
	return func() spent { return spent{processor(b, unix.RUSAGE_SELF) - p, time.Since(c)} }
}

func (s spent) each(n int) string {
	ms := func(d time.Duration) float64 { return d.Seconds() * 1e3 / float64(n) }
	return fmt.Sprintf("%.2f / %.2f", ms(s.processor), ms(s.clock))
}

func (s spent) whole() string {
	return fmt.Sprintf("%.2f / %.2f", s.processor.Seconds(), s.clock.Seconds())
}

// counting is an analysis that takes no time and calls at with the number of its job.
type counting struct {
	instant
	n  *atomic.Int64
	at func(n int64)
}

func (a counting) Analyze(ctx context.Context, j Job, progress func(done, total int)) (Result, error) {
	a.at(a.n.Add(1))
	return a.instant.Analyze(ctx, j, progress)
}

// sizeOf is what the files of a folder, or one file, hold on the disk, in bytes.
func sizeOf(b *testing.B, paths ...string) (n int64) {
	b.Helper()
	for _, p := range paths {
		if err := filepath.WalkDir(p, func(_ string, e fs.DirEntry, err error) error {
			if err != nil || e.IsDir() {
				return err
			}
			info, err := e.Info()
			n += info.Size()
			return err
		}); err != nil {
			b.Fatal(err)
		}
	}
	return n
}

// benchJobs makes jobs number from to from+n of one clip, which is read for each.
func benchJobs(b *testing.B, clip string, from, n int) []Job {
	b.Helper()
	jobs := make([]Job, n)
	for i := range jobs {
		var err error
		if jobs[i], err = NewJob(b.Context(), clip, vision.Subject{Hitter: fmt.Sprint(from + i), Team: "Cinder Creek Comets"}, testPipeline, time.Now()); err != nil {
			b.Fatal(err)
		}
	}
	return jobs
}

// growthRows are what is measured with so many jobs waiting. "p / c" is processor time
// of the process and time on the clock.
var growthRows = []string{
	"handed in together, ms a clip", "handed in alone, ms a clip",
	"taken, stored, announced, entered, acknowledged, ms a clip",
	"store opened, s", "the same after a kill, s", "from there to the first clip, s",
	"every job looked for once, s", "ten thousand looked for, as every five minutes, s",
	"status, s", "first page of a list, s",
	"memory with the store open, MB more", "memory at most as every job is looked for, MB more",
	"disk for the queue, bytes a clip", "disk for the ledger, bytes a clip",
}

// growth measures a home with n jobs waiting.
func growth(b *testing.B, n int) (cells []string) {
	b.Helper()
	dir := b.TempDir()
	w, closeAll, err := newWorker(filepath.Join(dir, "home"), nil)
	if err != nil {
		b.Fatal(err)
	}
	defer closeAll()
	w.Log = zerolog.Nop()
	clip := filepath.Join(dir, "a.mp4")
	if err := os.WriteFile(clip, []byte("ok"), 0o600); err != nil {
		b.Fatal(err)
	}
	open := func() *Desk {
		q, err := OpenQueue(b.Context(), w.Home, QueueOptions{Log: w.Log})
		if err != nil {
			b.Fatal(err)
		}
		return &Desk{Ledger: w.Ledger, Records: w.Records, Queue: q}
	}

	d := open()
	var together spent
	for at := 0; at < n; at += 4 * submitBatch {
		jobs := benchJobs(b, clip, at, min(4*submitBatch, n-at))
		took := meter(b)
		_, errs := d.SubmitAll(b.Context(), jobs)
		t := took()
		together.processor, together.clock = together.processor+t.processor, together.clock+t.clock
		for _, err := range errs {
			if err != nil {
				b.Fatal(err)
			}
		}
	}
	const singles = 100
	jobs := benchJobs(b, clip, n, singles)
	took := meter(b)
	for _, j := range jobs {
		if r, err := d.Submit(b.Context(), j); err != nil || r.Outcome != OutcomeQueued {
			b.Fatal(r, err)
		}
	}
	alone := took()
	d.Queue.Close()
	all := int64(n + singles)
	queue, ledger := sizeOf(b, w.Home.queueDir())/all, sizeOf(b, w.Home.LedgerPath())/all

	debug.FreeOSMemory()
	empty := residentMB(b, "VmRSS")
	took = meter(b)
	d = open()
	started := took()
	debug.FreeOSMemory()
	held := residentMB(b, "VmRSS") - empty
	forgetPeak(b)
	took = meter(b)
	r, err := Reconcile(b.Context(), d)
	looked := took()
	if err != nil || r.Open != int(all) || r.Resent != 0 {
		b.Fatalf("%+v, %v", r, err)
	}
	peak := residentMB(b, "VmHWM") - empty
	took = meter(b)
	if _, err := w.reconcile(b.Context(), d.Queue, &place{}); err != nil {
		b.Fatal(err)
	}
	often := took()
	took = meter(b)
	if f, err := w.Ledger.Forecast(b.Context(), time.Now()); err != nil || f.Open != int(all) {
		b.Fatal(f, err)
	}
	status := took()
	took = meter(b)
	if es, total, err := w.Ledger.List(b.Context(), Listing{States: States(), Limit: 50}); err != nil || len(es) != 50 || total != int(all) {
		b.Fatal(len(es), total, err)
	}
	list := took()
	d.Queue.Close()

	// A server that was killed has not written where its messages are.
	indexes, err := filepath.Glob(filepath.Join(w.Home.queueDir(), "jetstream", "*", "streams", jobsStream, "msgs", "index.db"))
	if err != nil || len(indexes) != 1 {
		b.Fatal(indexes, err)
	}
	if err := os.Remove(indexes[0]); err != nil {
		b.Fatal(err)
	}
	took = meter(b)
	d = open()
	killed := took()
	defer func() { d.Queue.Close() }()

	// A whole worker as far as its first clip, then a slot alone: a worker that has just
	// begun looks for every job beside its work.
	until := func(run func(stop context.Context) error, at func(n int64, stop func())) {
		stop, cancel := context.WithCancel(b.Context())
		defer cancel()
		w.Analyzer = counting{instant{testSwing(testJob, "")}, &atomic.Int64{}, func(n int64) { at(n, cancel) }}
		if err := run(stop); err != nil {
			b.Fatal(err)
		}
	}
	var first, work spent
	took = meter(b)
	until(func(stop context.Context) error { return w.Run(stop, b.Context(), d.Queue) }, func(n int64, stop func()) {
		if n == 1 {
			first = took()
			stop()
		}
	})
	p, err := d.Queue.newPuller(b.Context(), true)
	if err != nil {
		b.Fatal(err)
	}
	w.signs().start(d.Queue, 1, w.StallAfter)
	defer w.signs().end()
	const lead, worked = 20, 200
	until(func(stop context.Context) error { return w.slot(stop, stop, b.Context(), p, 0) }, func(n int64, stop func()) {
		switch n {
		case lead:
			took = meter(b)
		case lead + worked:
			work = took()
			stop()
		}
	})
	return []string{together.each(n), alone.each(singles), work.each(worked),
		started.whole(), killed.whole(), first.whole(), looked.whole(), often.whole(), status.whole(), list.whole(),
		fmt.Sprintf("%.0f", held), fmt.Sprintf("%.0f", peak), fmt.Sprint(queue), fmt.Sprint(ledger)}
}

// forgetPeak makes VmHWM begin anew.
func forgetPeak(b *testing.B) {
	b.Helper()
	if err := os.WriteFile("/proc/self/clear_refs", []byte("5"), 0); err != nil {
		b.Fatal(err)
	}
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

// sideBySide returns the clips that n workers of one home, with one slot each, measure
// in a second, when each clip takes so long.
func sideBySide(b *testing.B, n int, takes time.Duration) float64 {
	b.Helper()
	const each = 40
	dir := b.TempDir()
	var all sync.WaitGroup
	var done atomic.Int64
	began := time.Time{}
	var desk *Desk
	for i := range n {
		w, closeAll, err := newWorker(filepath.Join(dir, "home"), busy{instant{testSwing(testJob, "")}, takes})
		if err != nil {
			b.Fatal(err)
		}
		defer closeAll()
		w.Log, w.Drain = zerolog.Nop(), true
		if i == 0 {
			clip := filepath.Join(dir, "a.mp4")
			if err := os.WriteFile(clip, []byte("ok"), 0o600); err != nil {
				b.Fatal(err)
			}
			q, err := OpenQueue(b.Context(), w.Home, QueueOptions{Log: w.Log})
			if err != nil {
				b.Fatal(err)
			}
			desk = &Desk{Ledger: w.Ledger, Records: w.Records, Queue: q}
			if _, errs := desk.SubmitAll(b.Context(), benchJobs(b, clip, 0, each*n)); errs[0] != nil {
				b.Fatal(errs[0])
			}
			desk.Queue.Close()
			began = time.Now()
		}
		all.Go(func() {
			defer done.Add(1)
			if err := w.Serve(b.Context(), b.Context(), QueueOptions{Listen: true, Log: w.Log}); err != nil {
				b.Error(err)
			}
		})
	}
	for measured := 0; measured < each*n; time.Sleep(20 * time.Millisecond) {
		t, err := desk.Ledger.Tally(b.Context())
		if err != nil || done.Load() == int64(n) && t.Count[StateMeasured] < each*n {
			b.Fatal(t, err)
		}
		measured = t.Count[StateMeasured]
	}
	took := time.Since(began)
	all.Wait()
	return each * float64(n) / took.Seconds()
}

// How cost, memory and disk grow with the jobs that wait, and clips a second with the
// workers of a home. Analyses are stubs. A million jobs only with -long.
func BenchmarkGrowth(b *testing.B) {
	depths := []int{1_000, 10_000, 100_000}
	if *long {
		depths = append(depths, 1_000_000)
	}
	for range b.N {
		var out bytes.Buffer
		head, rule := "| jobs waiting |", "|---|"
		lines := make([]string, len(growthRows))
		for _, n := range depths {
			head, rule = head+fmt.Sprintf(" %d |", n), rule+"---|"
			for i, cell := range growth(b, n) {
				lines[i] += " " + cell + " |"
			}
			b.Logf("%d jobs are done", n)
		}
		fmt.Fprintln(&out, "# Queue, ledger and stores by what waits: processor time / time on the clock")
		fmt.Fprintln(&out, head+"\n"+rule)
		for i, row := range growthRows {
			fmt.Fprintf(&out, "| %s |%s\n", row, lines[i])
		}
		fmt.Fprintln(&out, "\n# Workers of one home, one slot each: clips a second, and over one worker's")
		fmt.Fprintln(&out, "| a clip takes | 1 | 2 | 4 | 8 |\n|---|---|---|---|---|")
		for _, takes := range []time.Duration{50 * time.Millisecond, 200 * time.Millisecond} {
			row := fmt.Sprintf("| %v |", takes)
			one := 0.0
			for _, n := range []int{1, 2, 4, 8} {
				rate := sideBySide(b, n, takes)
				if n == 1 {
					one = rate
				}
				row += fmt.Sprintf(" %.1f (%.2f) |", rate, rate/one)
			}
			fmt.Fprintln(&out, row)
		}
		if *growthTable == "" {
			b.Log("\n" + out.String())
		} else if err := os.WriteFile(*growthTable, out.Bytes(), 0o644); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(0, "ns/op") // means nothing here
}

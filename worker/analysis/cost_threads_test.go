package analysis

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	ort "github.com/yalue/onnxruntime_go"

	"nightcage/models"
)

// BenchmarkCostThreads compares the ways to use a machine's processors: one clip after
// the other or as many side by side as there are processors, each in a process of its
// own; and the pose network on one thread or on two. Unlike the rest it goes by time on
// the wall too, and says something only on a machine quiet but for it.
func BenchmarkCostThreads(b *testing.B) {
	path := costClips[0].make(b)
	n := runtime.NumCPU()
	var after, beside, one, two threaded
	for b.Loop() {
		after.add(clipsAtOnce(b, path, n, 1))
		beside.add(clipsAtOnce(b, path, n, n))
		one.add(poseOn(b, 1))
		two.add(poseOn(b, 2))
	}
	var table strings.Builder
	fmt.Fprintf(&table, "\nprocessors: %d; clips of the first kind, each in a process of its own, networks on one thread\n", n)
	for _, row := range []struct {
		name string
		threaded
	}{{"one after the other", after}, {fmt.Sprintf("%d side by side", n), beside}} {
		fmt.Fprintf(&table, "  %-20s clips a minute %s; processor time a clip, s %s\n", row.name,
			spread(row.rates(60), "%.2f"), spread(row.cpu, "%.1f"))
	}
	fmt.Fprintf(&table, "the pose network alone\n")
	for _, row := range []struct {
		name string
		threaded
	}{{"on one thread", one}, {"on two", two}} {
		fmt.Fprintf(&table, "  %-20s pictures a second %s; processor time a picture, ms %s\n", row.name,
			spread(row.rates(1), "%.0f"), spread(row.msCPU(), "%.1f"))
	}
	appendCosts(b, table.String())
	b.ReportMetric(middle(beside.rates(1))/middle(after.rates(1)), "beside/after")
	b.ReportMetric(middle(two.rates(1))/middle(one.rates(1)), "two/one")
}

// threaded is what one of many pieces of work took, s, round by round.
type threaded struct{ cpu, wall []float64 }

func (t *threaded) add(cpu, wall time.Duration) {
	t.cpu, t.wall = append(t.cpu, cpu.Seconds()), append(t.wall, wall.Seconds())
}

// rates are how many pieces are done in so many seconds.
func (t *threaded) rates(seconds float64) (out []float64) {
	for _, w := range t.wall {
		out = append(out, seconds/w)
	}
	return out
}

func (t *threaded) msCPU() (out []float64) {
	for _, c := range t.cpu {
		out = append(out, c*1000)
	}
	return out
}

// clipsAtOnce measures n times the clip at path, atOnce at a time; it gives what each
// took of the processors and of the time until all were done.
func clipsAtOnce(b *testing.B, path string, n, atOnce int) (cpu, wall time.Duration) {
	b.Helper()
	used, began := spent(b), time.Now()
	for range n / atOnce {
		var waits []func() alone
		for range atOnce {
			waits = append(waits, startAlone(b, path))
		}
		for _, wait := range waits {
			wait()
		}
	}
	return (spent(b) - used) / time.Duration(n), time.Since(began) / time.Duration(n)
}

// poseOn runs the pose network as models.Open does but for the number of threads that
// one run is spread over.
func poseOn(b *testing.B, threads int) (cpu, wall time.Duration) {
	b.Helper()
	if err := models.Load(); err != nil {
		b.Fatal(err)
	}
	options, err := ort.NewSessionOptions()
	if err != nil {
		b.Fatal(err)
	}
	defer options.Destroy()
	if err := errors.Join(options.SetIntraOpNumThreads(threads), options.SetInterOpNumThreads(1),
		options.AddSessionConfigEntry("session.intra_op.allow_spinning", "0")); err != nil {
		b.Fatal(err)
	}
	in, err := ort.NewEmptyTensor[float32](ort.NewShape(1, 3, poseSide, poseSide))
	if err != nil {
		b.Fatal(err)
	}
	defer in.Destroy()
	out, err := ort.NewEmptyTensor[float32](ort.NewShape(1, 195))
	if err != nil {
		b.Fatal(err)
	}
	defer out.Destroy()
	session, err := ort.NewAdvancedSession(filepath.Join("..", "..", "models", string(models.PoseFull)+".onnx"),
		[]string{"image"}, []string{"landmarks"}, []ort.Value{in}, []ort.Value{out}, options)
	if err != nil {
		b.Fatal(err)
	}
	defer session.Destroy()
	return price(b, session.Run)
}

// appendCosts adds to the table, below what BenchmarkCost wrote.
func appendCosts(b *testing.B, rows string) {
	b.Helper()
	if *costTable == "" {
		return
	}
	f, err := os.OpenFile(*costTable, os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o644)
	if err != nil {
		b.Fatal(err)
	}
	_, err = f.WriteString(rows)
	if err := errors.Join(err, f.Close()); err != nil {
		b.Fatal(err)
	}
}

package worker

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"nightcage/vision"
)

// BenchmarkForget forgets one hitter of ten, who has a tenth of a home's 1,000
// records and of its 100 waiting jobs.
func BenchmarkForget(b *testing.B) {
	const records, waiting = 1000, 100
	for range b.N {
		b.StopTimer()
		w, _ := benchNight(b)
		var jobs []Job
		for i := range records + waiting {
			clip := filepath.Join(b.TempDir(), "a.mp4")
			if err := os.WriteFile(clip, []byte(fmt.Sprint(i)), 0o600); err != nil {
				b.Fatal(err)
			}
			j, err := NewJob(b.Context(), clip, vision.Subject{Hitter: fmt.Sprint("hitter ", i%10), Team: "Cinder Creek Comets"}, testPipeline, time.Now())
			if err != nil {
				b.Fatal(err)
			}
			jobs = append(jobs, j)
		}
		submitAll(b, w, jobs[:records])
		if err := w.Serve(b.Context(), b.Context(), QueueOptions{Log: w.Log}); err != nil {
			b.Fatal(err)
		}
		submitAll(b, w, jobs[records:])
		q, err := OpenQueue(b.Context(), w.Home, QueueOptions{Log: w.Log})
		if err != nil {
			b.Fatal(err)
		}
		d := &Desk{Ledger: w.Ledger, Records: w.Records, Queue: q}
		b.StartTimer()
		p, err := d.Forget(b.Context(), Hitter{Name: "hitter 3"})
		b.StopTimer()
		if err != nil || p.Jobs != (records+waiting)/10 {
			b.Fatalf("%v %+v", err, p)
		}
		d.Queue.Close()
	}
}

package worker

import (
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// A short night of faults: workers are killed at random moments, clips kill
// them from inside, clips are submitted again and again, and bits flip in the
// queue's store. At the end every clip is accounted for once.
//
// The audit is printed as a line of its own, for `make faults`.
func TestFaults(t *testing.T) {
	t.Parallel()
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 0))
	n := newNight(t)
	var jobs []Job
	for i := range 24 {
		script := "slow 120ms"
		switch {
		case i%8 == 3:
			script = "bad"
		case i%8 == 5:
			script = "nothing"
		case i == 7:
			script = "segv" // takes the worker with it
		}
		jobs = append(jobs, n.clip(fmt.Sprintf("%02d.mp4", i), script))
	}
	n.submit(jobs...)

	kills, flips, own := 0, 0, 0
	for round := 0; ; round++ {
		if round > 60 {
			t.Fatal("the night does not end")
		}
		if round == 2 || round == 4 {
			flips += flipBit(t, r, n.Home)
		}
		cmd, log := n.process("NIGHTCAGE_TEST_DRAIN=1")
		if round < 8 {
			waitUntil(t, func() bool { return strings.Contains(log.String(), `"working"`) })
			time.Sleep(time.Duration(r.IntN(400)) * time.Millisecond)
			n.submit(jobs[r.IntN(len(jobs))]) // through the worker, or beside it when it just died
			if cmd.Process.Kill() == nil {
				kills++
			}
			cmd.Wait()
			continue
		}
		if cmd.Wait() == nil {
			break // drained
		}
		own++
	}
	for j, o := range n.submit(jobs...) {
		if o != OutcomeMeasured && o != OutcomeFailed {
			t.Errorf("clip %d in the morning: %s", j, o)
		}
	}
	n.withQueue(func(d *Desk) {
		a, err := Audit(t.Context(), d)
		if err != nil {
			t.Fatal(err)
		}
		if !a.Balanced() || a.Submitted != 24 || a.Recorded != 20 || a.Dead != 4 {
			t.Errorf("seed %d: %+v", seed, a)
		}
		fmt.Printf("faults: %d kills, %d crashes from inside, %d flipped bits, seed %d\n%s\n", kills, own, flips, seed, a)
	})
}

// flipBit flips one bit somewhere in the stored job messages.
func flipBit(t *testing.T, r *rand.Rand, h Home) int {
	t.Helper()
	blocks, err := filepath.Glob(filepath.Join(h.queueDir(), "jetstream/*/streams", jobsStream, "msgs/*.blk"))
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range blocks {
		b, err := os.ReadFile(p)
		if err != nil {
			t.Fatal(err)
		}
		if len(b) == 0 {
			continue
		}
		b[r.IntN(len(b))] ^= 1 << r.IntN(8)
		if err := os.WriteFile(p, b, 0o600); err != nil {
			t.Fatal(err)
		}
		return 1
	}
	return 0
}

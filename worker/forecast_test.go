package worker

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"gonum.org/v1/gonum/stat/distuv"
)

// One slot and many jobs: the normal prediction interval of a sum of m further
// observations, m x̄ ± t s sqrt(m + m²/n), of which the simulation is a variant (Hahn
// and Meeker, Statistical Intervals, 1991, chapter 4; from memory). The sample 1..9 s has mean 5 and
// standard deviation sqrt(7.5).
func TestAheadIsTheTextbookInterval(t *testing.T) {
	took := []float64{1, 2, 3, 4, 5, 6, 7, 8, 9}
	low, mid, high := ahead(took, 100, 0, 1)
	// Student's t for 8 degrees of freedom at 0.975: 2.306 (NIST/SEMATECH e-Handbook
	// of Statistical Methods, 1.3.6.7.2).
	half := 2.306 * math.Sqrt(7.5*(100+100*100/9.0))
	if math.Abs(mid-500) > 0.1*half || math.Abs(low-(500-half)) > 0.2*half || math.Abs(high-(500+half)) > 0.2*half {
		t.Errorf("%v to %v to %v, want 500 ± %v", low, mid, high, half)
	}
	_, all, _ := ahead(took, 10, 0, 1)
	if _, half, _ := ahead(took, 10, 1, 1); math.Abs(all-half-2.5) > 0.3 {
		t.Errorf("a running job is not taken as half done: %v, %v", all, half)
	}
}

// The interval holds the end of a simulated night, with clip times as skewed as
// real ones, about as often as it says.
func TestAheadHoldsTheTruth(t *testing.T) {
	r := rand.New(rand.NewPCG(52017, 1))
	clip := distuv.Gamma{Alpha: 4, Beta: 4.0 / 25, Src: r} // mean 25 s, deviation 12.5 s
	for _, slots := range []int{1, 2, 8} {
		for _, open := range []int{10, 60, 400} {
			inside, below, above := 0, 0, 0
			const nights = 300
			for range nights {
				took := make([]float64, 20)
				for i := range took {
					took[i] = clip.Rand()
				}
				free := make([]float64, slots)
				for range open {
					next := slices.Index(free, slices.Min(free))
					free[next] += clip.Rand()
				}
				low, _, high := ahead(took, open, 0, slots)
				switch end := slices.Max(free); {
				case end < low:
					below++
				case end > high:
					above++
				default:
					inside++
				}
			}
			share := float64(inside) / nights
			if share < 0.91 || share > 0.995 {
				t.Errorf("%d slots, %d jobs: %.3f of the nights inside, %d earlier, %d later", slots, open, share, below, above)
			}
		}
	}
}

func TestForecast(t *testing.T) {
	t.Parallel()
	n := newNight(t)
	ctx := t.Context()
	now := time.Date(2026, 4, 7, 22, 0, 0, 0, time.UTC)
	n.Ledger.now = func() time.Time { return now }
	ask := func() Forecast {
		t.Helper()
		f, err := n.Ledger.Forecast(ctx, now)
		if err != nil {
			t.Fatal(err)
		}
		return f
	}
	if f := ask(); f.Why != "nothing is left to do" || !f.At.IsZero() {
		t.Errorf("empty: %+v", f)
	}
	must := func(_ any, err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	var jobs []Job
	for _, name := range strings.Split("abcdefghijkl", "") {
		j := n.clip(name, "ok")
		_, _, err := n.Ledger.Add(ctx, j)
		must(nil, err)
		jobs = append(jobs, j)
	}
	if f := ask(); f.Why != "no worker of this home is measuring" || f.Open != 12 {
		t.Errorf("no worker: %+v", f)
	}
	for i, j := range jobs[:6] {
		must(n.Ledger.Start(ctx, j, "77/1"))
		if i == 2 {
			if f := ask(); !strings.Contains(f.Why, "only 2 clips") || f.Slots != 1 {
				t.Errorf("two measured: %+v", f)
			}
		}
		now = now.Add(time.Duration(20+2*i) * time.Second) // 20, 22, ... 30 s: mean 25
		must(nil, n.Ledger.Measured(ctx, j.ID, 1))
	}
	must(n.Ledger.Start(ctx, jobs[6], "77/1"))
	f := ask()
	if f.Why != "" || f.Open != 6 || f.Slots != 1 || f.Sample != 6 {
		t.Fatalf("%+v", f)
	}
	if got := f.At.Sub(now).Seconds(); math.Abs(got-5.5*25) > 5 {
		t.Errorf("done in %v s", got)
	}
	if !f.Low95.Before(f.At) || !f.At.Before(f.High95) || !f.Low95.After(now) {
		t.Errorf("interval %+v", f)
	}
	must(n.Ledger.Start(ctx, jobs[7], "78/1"))
	if g := ask(); g.Slots != 2 || g.At.After(f.At) {
		t.Errorf("a second slot: %+v", g)
	}
	now = now.Add(2 * time.Hour) // both were killed
	if g := ask(); g.Why != "no worker of this home is measuring" {
		t.Errorf("killed workers: %+v", g)
	}
}

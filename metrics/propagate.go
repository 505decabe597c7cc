package metrics

import (
	"context"
	"runtime"
	"sync"
)

// drawsAtLeast is how many draws one goroutine makes, lest it cost more to start.
const drawsAtLeast = 25

// propagate draws every open measure n times, on all processors. A draw rests on
// the seed and its own number alone, so that the sample is the same on any number
// of them.
func propagate(ctx context.Context, all []entry, nominal []float64, open []bool, r *reading, seed uint64, n int, on map[SourceOfError]bool) ([]sampleOf, []*missing, error) {
	parts := min(runtime.GOMAXPROCS(0), max(1, n/drawsAtLeast))
	samples, whys, errs := make([][]sampleOf, parts), make([][]*missing, parts), make([]error, parts)
	var wg sync.WaitGroup
	for k := range parts {
		first, end := k*n/parts, (k+1)*n/parts
		mine := r
		if parts > 1 {
			mine = r.apart()
		}
		wg.Go(func() {
			d := newDraw(seed, mine.m, on)
			d.number = uint64(first)
			outputs := make([]output, len(all))
			for i, e := range all {
				if open[i] {
					outputs[i] = func() (float64, bool, *missing) { return e.drawn(&scene{reading: mine, d: d}, nominal[i]) }
				}
			}
			samples[k], whys[k], errs[k] = repeat(ctx, end-first, func() { d.next(mine) }, outputs)
		})
	}
	wg.Wait()
	for k := range parts {
		if errs[k] != nil {
			return nil, nil, errs[k]
		}
		if k == 0 {
			continue
		}
		for i, s := range samples[k] {
			samples[0][i].values = append(samples[0][i].values, s.values...)
			samples[0][i].other = append(samples[0][i].other, s.other...)
			if whys[k][i] != nil {
				whys[0][i] = whys[k][i]
			}
		}
	}
	return samples[0], whys[0], nil
}

// apart is the same reading, sharing the lines fitted and with nothing recalled, for
// another goroutine.
func (r *reading) apart() *reading {
	c := *r
	c.spots, c.bats = map[spotKey]*heldSpot{}, map[spotKey]*heldBat{}
	c.passes = 0
	c.peaks, c.sweep, c.timing, c.stretch = [numTurners]perDraw[peak]{}, perDraw[*sweep]{}, perDraw[timing]{}, perDraw[stretch]{}
	return &c
}

package sound

import (
	"fmt"
	"math"
	"slices"
)

// Onset is one sharp sound.
type Onset struct {
	Ms       float64 // from the first sample to where it rises out of the background
	SigmaMs  float64 // standard error of Ms
	Strength float64 // dB, see vision.Sound
}

// MinRate is the lowest sample rate whose upper half of hearing can be judged.
const MinRate = 32000

const (
	splitHz, lowestHz = 4000, 1000 // the two bands meet, the lower one begins

	cellMs     = 0.25 // a level is read every so often,
	levelCells = 2    // over so many cells

	// The background is what nine tenths of the time before an onset stay below,
	// read over backMs up to gapMs before its peak.
	backMs, gapMs = 200.0, 3.0
	backShare     = 0.9
	leastBackMs   = 20   // of sound before it, to call it an onset
	quietest      = 1e-8 // mean square, 80 dB under full scale: less is silence
	minDB         = 15   // of strength: noise stands out of its own background by 4 dB now and then, pitch pulses of a voice by up to 10
	riseMs        = 2.0  // in which the level rises
	riseDB        = 10   // by so much at least
	aloneMs       = 4    // peaks nearer to a stronger one belong to it
	startShare    = 0.1  // of the highest amplitude, where it starts

	// onsetSigmaMs: a coder smears a crack back over up to one of its short
	// blocks (AAC: 128 samples, 2.7 ms at 48 kHz, ISO/IEC 14496-3), which as a
	// uniform spread has a deviation of 0.8 ms.
	onsetSigmaMs = 0.8
)

// Onsets returns the sharp onsets in samples taken at rate a second, by time.
// It fails where rate is under MinRate.
func Onsets(samples []int16, rate int) ([]Onset, error) {
	if rate < MinRate {
		return nil, fmt.Errorf("find onsets: %d samples a second, at least %d are needed", rate, MinRate)
	}
	x := make([]float64, len(samples))
	for i, s := range samples {
		x[i] = float64(s) / 32768
	}
	low := filter(highPass(lowestHz, rate), x)
	// Twice, to part the bands by 24 dB an octave: a loud tone in one must not
	// show in the other.
	high, split := low, highPass(splitHz, rate)
	for range 2 {
		high = filter(split, high)
	}
	low = filter(lowPass(splitHz, rate), low)
	cell := int(math.Round(cellMs / 1000 * float64(rate)))
	bands := [2][]float64{levels(low, cell), levels(high, cell)}
	jumps := make([]float64, len(bands[0]))
	for k := range jumps {
		jumps[k] = math.Min(jump(bands[0], k), jump(bands[1], k))
	}
	var out []Onset
	for k := cells(leastBackMs + gapMs); k < len(jumps); k++ {
		if jumps[k] < riseDB || !highest(jumps, k, cells(aloneMs)) {
			continue
		}
		if strength := math.Min(outOf(bands[0], k), outOf(bands[1], k)); strength >= minDB {
			at := start(low, high, k*cell, cell)
			out = append(out, Onset{Ms: 1000 * float64(at) / float64(rate), SigmaMs: onsetSigmaMs, Strength: strength})
		}
	}
	return out, nil
}

func cells(ms float64) int { return int(math.Round(ms / cellMs)) }

// jump is how much higher the level gets within the rise from k than it was
// shortly before k, dB.
func jump(b []float64, k int) float64 {
	before := b[max(k-cells(gapMs+riseMs), 0):max(k-levelCells+1, 0)]
	if len(before) == 0 {
		return 0
	}
	return 10 * math.Log10(top(b, k)/math.Max(slices.Max(before), quietest))
}

// top is the highest level within the rise from k.
func top(b []float64, k int) float64 {
	return math.Max(slices.Max(b[k:min(k+cells(riseMs)-levelCells, len(b))]), quietest)
}

// levels is the mean square over levelCells cells, one value a cell: that from
// the cell on.
func levels(x []float64, cell int) []float64 {
	out := make([]float64, max(len(x)/cell-levelCells+1, 0))
	for k := range out {
		sum := 0.0
		for _, v := range x[k*cell : (k+levelCells)*cell] {
			sum += v * v
		}
		out[k] = sum / float64(levelCells*cell)
	}
	return out
}

// highest reports whether s[k] is the first of the greatest values within reach.
func highest(s []float64, k, reach int) bool {
	for j := max(k-reach, 0); j < min(k+reach+1, len(s)); j++ {
		if s[j] > s[k] || s[j] == s[k] && j < k {
			return false
		}
	}
	return true
}

// outOf is how far the level gets out of the background before it from k, dB.
func outOf(b []float64, k int) float64 {
	end := k - cells(gapMs)
	before := slices.Clone(b[max(end-cells(backMs), 0):end])
	slices.Sort(before)
	back := before[int(backShare*float64(len(before)-1))]
	return 10 * math.Log10(top(b, k)/math.Max(back, quietest))
}

// start is the sample near which the level begins to rise: the first that
// reaches startShare of the highest in the rise and stands out of what was just
// before.
func start(low, high []float64, near, cell int) int {
	amplitude := func(i int) float64 { return math.Abs(low[i]) + math.Abs(high[i]) }
	from, to := max(near-levelCells*cell, 0), min(near+cells(riseMs)*cell, len(low))
	most, back := 0.0, 0.0
	for i := from; i < to; i++ {
		most = math.Max(most, amplitude(i))
	}
	for i := max(from-cells(gapMs)*cell, 0); i < from; i++ {
		back = math.Max(back, amplitude(i))
	}
	bar := math.Max(startShare*most, math.Min(1.5*back, most/2))
	for i := from; i < to; i++ {
		if amplitude(i) >= bar {
			return i
		}
	}
	return near
}

// biquad is a second-order filter, y = b0 x + b1 x' + b2 x" - a1 y' - a2 y".
type biquad struct{ b0, b1, b2, a1, a2 float64 }

// highPass and lowPass are Butterworth filters by the bilinear transform
// (Bristow-Johnson, Cookbook formulae for audio EQ biquad filter coefficients,
// W3C Working Group Note, with Q = 1/sqrt 2).
func highPass(hz float64, rate int) biquad {
	sin, cos := math.Sincos(2 * math.Pi * hz / float64(rate))
	alpha := sin / math.Sqrt2
	a0 := 1 + alpha
	return biquad{(1 + cos) / 2 / a0, -(1 + cos) / a0, (1 + cos) / 2 / a0, -2 * cos / a0, (1 - alpha) / a0}
}

func lowPass(hz float64, rate int) biquad {
	sin, cos := math.Sincos(2 * math.Pi * hz / float64(rate))
	alpha := sin / math.Sqrt2
	a0 := 1 + alpha
	return biquad{(1 - cos) / 2 / a0, (1 - cos) / a0, (1 - cos) / 2 / a0, -2 * cos / a0, (1 - alpha) / a0}
}

func filter(f biquad, x []float64) []float64 {
	out := make([]float64, len(x))
	var x1, x2, y1, y2 float64
	for i, v := range x {
		y := f.b0*v + f.b1*x1 + f.b2*x2 - f.a1*y1 - f.a2*y2
		out[i] = y
		x1, x2, y1, y2 = v, x1, y, y1
	}
	return out
}

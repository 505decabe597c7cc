package judge

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// claim is one error set against the standard uncertainty it was given with.
type claim struct {
	err   float64 // measured minus true, in the measure's unit
	sigma float64 // as the record states it
	raw   float64 // the same before calibration
	size  float64 // sigma over the measure's useful bound: what unlike units share
}

// Reliability sets what error bars claim against what errors were.
type Reliability struct {
	ID      string  `json:"id"` // of a measure, or "all"
	N       int     `json:"n"`
	Claimed float64 `json:"claimed"` // root mean square of the standard uncertainties; of "all": over each measure's useful bound
	Actual  float64 `json:"actual"`  // root mean square error, likewise
	// Ratio is the root mean square of error over standard uncertainty: 1 when
	// bars are right, above 1 when they are too short.
	Ratio   float64 `json:"ratio"`
	Within1 float64 `json:"within1"` // share of errors within one standard uncertainty; 68 % of a normal's
	Within2 float64 `json:"within2"` // within two; 95 %
	// Slope is that of |error| against standard uncertainty through the origin,
	// over a normal's sqrt(2/pi): whether wide bars go with large errors.
	Slope float64 `json:"slope"`
	// Transform is the share of truths in each tenth of the predicted normal
	// distribution, lowest first (probability integral transform: Dawid 1984; a
	// level line when bars are right, a U when too short, a hump when too wide).
	Transform [10]float64 `json:"transform"`
	Bins      []Bin       `json:"bins"` // by standard uncertainty, smallest first, of equal counts
	// Raw is what calibration rests on: the mean square of error over the
	// uncalibrated standard uncertainty, each held to heldZ so that one wrong
	// reading does not stretch every bar.
	Raw float64 `json:"raw"`
}

// Bin is the errors whose bars claimed about as much.
type Bin struct {
	From    float64 `json:"from"`
	To      float64 `json:"to"`
	N       int     `json:"n"`
	Claimed float64 `json:"claimed"` // root mean square
	Actual  float64 `json:"actual"`
	Within2 float64 `json:"within2"`
}

// heldZ bounds a single error's weight. A normal variable held to +-3 loses
// 0.5 % of its variance.
const heldZ = 3

// Bins hold at least minBin errors, at most maxBins of them.
const (
	minBin  = 4
	maxBins = 5
)

func reliability(id string, claims []claim, size func(claim) float64) Reliability {
	r := Reliability{ID: id, N: len(claims), Bins: []Bin{}}
	n := float64(len(claims))
	var top, bottom float64
	for _, c := range claims {
		z := math.Abs(c.err / c.sigma)
		unit := size(c) / c.sigma
		e := math.Abs(c.err) * unit
		r.Claimed += size(c) * size(c) / n
		r.Actual += e * e / n
		r.Ratio += z * z / n
		raw := min(math.Abs(c.err/c.raw), heldZ)
		r.Raw += raw * raw / n
		if z <= 1 {
			r.Within1 += 1 / n
		}
		if z <= 2 {
			r.Within2 += 1 / n
		}
		top, bottom = top+e*size(c), bottom+size(c)*size(c)
		p := distuv.UnitNormal.CDF(-c.err / c.sigma) // of the truth, under the claim
		r.Transform[min(int(10*p), 9)] += 1 / n
	}
	r.Claimed, r.Actual, r.Ratio = math.Sqrt(r.Claimed), math.Sqrt(r.Actual), math.Sqrt(r.Ratio)
	r.Slope = top / bottom / math.Sqrt(2/math.Pi)
	r.Bins = bins(claims, size)
	return r
}

func bins(claims []claim, size func(claim) float64) []Bin {
	sorted := slices.SortedFunc(slices.Values(claims), func(a, b claim) int { return cmp.Compare(size(a), size(b)) })
	count := min(maxBins, len(sorted)/minBin)
	out := []Bin{}
	for k := range count {
		part := sorted[k*len(sorted)/count : (k+1)*len(sorted)/count]
		b := Bin{From: size(part[0]), To: size(part[len(part)-1]), N: len(part)}
		for _, c := range part {
			e := c.err * size(c) / c.sigma
			b.Claimed += size(c) * size(c) / float64(len(part))
			b.Actual += e * e / float64(len(part))
			if math.Abs(c.err) <= 2*c.sigma {
				b.Within2 += 1 / float64(len(part))
			}
		}
		b.Claimed, b.Actual = math.Sqrt(b.Claimed), math.Sqrt(b.Actual)
		out = append(out, b)
	}
	return out
}

// reliabilities is the table: all measures together, in shares of their useful
// bounds, then each in its own unit.
func (ts *tallies) reliabilities() []Reliability {
	var all []claim
	out := []Reliability{{}}
	for _, id := range ts.order {
		if c := ts.byID[id].claims; len(c) > 0 {
			all = append(all, c...)
			out = append(out, reliability(id, c, func(c claim) float64 { return c.sigma }))
		}
	}
	if len(all) == 0 {
		return []Reliability{}
	}
	out[0] = reliability("all", all, func(c claim) float64 { return c.size })
	return out
}

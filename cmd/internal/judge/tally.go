package judge

import (
	"math"
	"sort"
)

// Quantity is the judgement of one measured quantity over all clips.
type Quantity struct {
	ID          string   `json:"id"`
	Unit        string   `json:"unit"`
	N           int      `json:"n"`           // values measured and compared
	Median      float64  `json:"median"`      // of the absolute error
	P95         float64  `json:"p95"`         // of the absolute error
	MedianRel   *float64 `json:"median_rel"`  // of |error|/|truth|; null where truth has no natural zero
	Bias        *float64 `json:"bias"`        // mean signed error; null for distances
	Unavailable int      `json:"unavailable"` // values that truth has and the record does not
	Coverage95  *float64 `json:"coverage95"`  // share of 95 % intervals that hold the truth; null without intervals
}

// sample is one comparison of a measured value with its truth.
type sample struct {
	err   float64 // signed, or a distance
	truth float64
	held  bool // the 95 % interval holds the truth
}

// tally gathers the samples of one quantity.
type tally struct {
	id, unit    string
	kind        kind
	samples     []sample
	claims      []claim // of measures, which state a standard uncertainty
	unavailable int
}

type kind int

const (
	distance kind = iota // errors are lengths >= 0: no bias, no relative error
	interval             // signed errors on a scale without a natural zero: angles, times
	ratio                // signed errors of a quantity whose relative error means something: speeds, lengths
)

func (t *tally) add(s sample) { t.samples = append(t.samples, s) }
func (t *tally) absent(n int) { t.unavailable += n }
func (t *tally) judge() Quantity {
	q := Quantity{ID: t.id, Unit: t.unit, N: len(t.samples), Unavailable: t.unavailable}
	if q.N == 0 {
		return q
	}
	abs := make([]float64, 0, q.N)
	var rel []float64
	var sum, held float64
	for _, s := range t.samples {
		abs = append(abs, math.Abs(s.err))
		sum += s.err
		if s.truth != 0 {
			rel = append(rel, math.Abs(s.err/s.truth))
		}
		if s.held {
			held++
		}
	}
	q.Median, q.P95 = quantile(abs, 0.5), quantile(abs, 0.95)
	cover := held / float64(q.N)
	q.Coverage95 = &cover
	if t.kind != distance {
		bias := sum / float64(q.N)
		q.Bias = &bias
	}
	if t.kind == ratio && len(rel) > 0 {
		m := quantile(rel, 0.5)
		q.MedianRel = &m
	}
	return q
}

// quantile is the linear-interpolation sample quantile (definition 7 of
// Hyndman and Fan, The American Statistician 50 (1996) 361-365). It sorts x.
func quantile(x []float64, p float64) float64 {
	sort.Float64s(x)
	h := p * float64(len(x)-1)
	i := int(h)
	if i+1 >= len(x) {
		return x[len(x)-1]
	}
	return x[i] + (h-float64(i))*(x[i+1]-x[i])
}

// tallies keeps quantities in the order in which they first appear.
type tallies struct {
	order []string
	byID  map[string]*tally
}

func newTallies() *tallies { return &tallies{byID: map[string]*tally{}} }

func (ts *tallies) get(id, unit string, k kind) *tally {
	t, ok := ts.byID[id]
	if !ok {
		t = &tally{id: id, unit: unit, kind: k}
		ts.byID[id] = t
		ts.order = append(ts.order, id)
	}
	return t
}

func (ts *tallies) quantities() []Quantity {
	out := make([]Quantity, 0, len(ts.order))
	for _, id := range ts.order {
		out = append(out, ts.byID[id].judge())
	}
	return out
}

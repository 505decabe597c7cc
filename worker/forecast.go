package worker

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
)

// Forecast is when the open jobs of a ledger will be done, if they are like those
// measured last and the slots now at work stay at it.
type Forecast struct {
	Open   int       `json:"open"`              // jobs that are not done
	Slots  int       `json:"slots"`             // that are at work in this home
	Sample int       `json:"sample"`            // analyses that it rests on
	At     time.Time `json:"at,omitzero"`       // zero when Unknown is not empty
	Low95  time.Time `json:"low_95,omitzero"`   // 95 % prediction interval
	High95 time.Time `json:"high_95,omitzero"`  //
	Why    string    `json:"unknown,omitempty"` // why there is no forecast
}

const (
	forecastSample = 100
	// forecastLeast analyses make a spread worth the name: with fewer, Student's t is
	// above 3 and the interval tells nothing (common practice, no source).
	forecastLeast = 5
)

// Forecast works it out from the ledger's history at the time now.
func (l *Ledger) Forecast(ctx context.Context, now time.Time) (Forecast, error) {
	var f Forecast
	fail := func(err error) (Forecast, error) { return f, fmt.Errorf("%w: ledger: forecast: %w", ErrStorage, err) }
	t, err := l.Tally(ctx)
	if err != nil {
		return f, err
	}
	for _, s := range States() {
		if !s.Final() {
			f.Open += t.Count[s]
		}
	}
	rows, err := l.db.QueryContext(ctx, `SELECT c.at_ms, c.at_ms-r.at_ms, r.why FROM changes c JOIN changes r
		ON r.n=(SELECT max(n) FROM changes WHERE id=c.id AND n<c.n AND became=?)
		WHERE c.was=? AND c.became IN (?,?,?) ORDER BY c.n DESC LIMIT ?`, string(StateRunning), string(StateRunning),
		string(StateMeasured), string(StateUnmeasured), string(StateDead), forecastSample)
	if err != nil {
		return fail(err)
	}
	defer rows.Close()
	var took []float64
	var ended []time.Time
	var by []string
	for rows.Next() {
		var at, ms int64
		var who string
		if err := rows.Scan(&at, &ms, &who); err != nil {
			return fail(err)
		}
		took, ended, by = append(took, float64(ms)/1000), append(ended, time.UnixMilli(at)), append(by, who)
	}
	if err := rows.Err(); err != nil {
		return fail(err)
	}
	rows.Close() // the ledger has one connection
	f.Sample = len(took)
	// A slot is at work when it has a job, or had one so lately that it is between
	// two.
	lately := time.Duration(2*stat.Mean(took, nil)*float64(time.Second)) + 10*time.Second
	atWork := map[string]bool{}
	for i, who := range by {
		if now.Sub(ended[i]) < lately {
			atWork[who] = true
		}
	}
	running, err := l.db.QueryContext(ctx, `SELECT c.why FROM changes c JOIN jobs j ON j.id=c.id AND j.state=c.became
		WHERE j.state=? AND j.changed_ms>? AND c.n=(SELECT max(n) FROM changes WHERE id=j.id)`,
		string(StateRunning), now.Add(-DefaultLimits().Wall).UnixMilli())
	if err != nil {
		return fail(err)
	}
	defer running.Close()
	for running.Next() {
		var who string
		if err := running.Scan(&who); err != nil {
			return fail(err)
		}
		atWork[who] = true
	}
	if err := running.Err(); err != nil {
		return fail(err)
	}
	f.Slots = len(atWork)
	switch {
	case f.Open == 0:
		f.Why = "nothing is left to do"
	case f.Slots == 0:
		f.Why = "no worker of this home is measuring"
	case f.Sample < forecastLeast:
		f.Why = fmt.Sprintf("only %d clips have been measured", f.Sample)
	default:
		after := func(s float64) time.Time { return now.Add(time.Duration(max(s, 0) * float64(time.Second))) }
		low, mid, high := ahead(took, f.Open, t.Count[StateRunning], f.Slots)
		f.At, f.Low95, f.High95 = after(mid), after(low), after(high)
	}
	return f, nil
}

// forecastNights are simulated for one forecast: the 2.5 % points then rest on ten
// nights each, and move by less than a tenth of the interval from seed to seed.
const forecastNights = 400

// ahead predicts how many seconds open jobs take on so many slots, of which some
// jobs run already, from a sample of n times: median and 95 % interval of simulated
// nights. For each night the sample is drawn anew with replacement, a gamma
// distribution with its mean and standard deviation gives the times (which are
// skewed: no clip takes less than nothing), and each slot takes the next job when it
// is free. Running jobs are taken as half done. The interval is stretched about the
// median by t(0.975, n-1)/1.96, because a drawn sample shows too little of how wrong
// a small one is. Jobs that will be tried again are left out.
func ahead(took []float64, open, running, slots int) (low, mid, high float64) {
	r := rand.New(rand.NewPCG(1, uint64(len(took)))) // the same answer when asked twice
	ends := make([]float64, forecastNights)
	again, free := make([]float64, len(took)), make([]float64, slots)
	for night := range ends {
		for i := range again {
			again[i] = took[r.IntN(len(took))]
		}
		m, s := stat.MeanStdDev(again, nil)
		m, s = max(m, 1e-3), max(s, 1e-3*m, 1e-6)
		clip := distuv.Gamma{Alpha: m * m / (s * s), Beta: m / (s * s), Src: r}
		// All but the last rounds keep every slot busy, so only their sum matters.
		last := min(open, 4*slots)
		bulk := float64(open - last)
		start := max(0, bulk*m+math.Sqrt(bulk)*s*r.NormFloat64()) / float64(slots)
		for i := range free {
			free[i] = start
			if i < min(running, open) {
				free[i] -= m / 2
			}
		}
		for range last {
			free[slices.Index(free, slices.Min(free))] += clip.Rand()
		}
		ends[night] = slices.Max(free)
	}
	slices.Sort(ends)
	at := func(p float64) float64 { return stat.Quantile(p, stat.LinInterp, ends, nil) }
	mid = at(0.5)
	t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: float64(len(took) - 1)}.Quantile(0.975) / distuv.UnitNormal.Quantile(0.975)
	return mid - t*(mid-at(0.025)), mid, mid + t*(at(0.975)-mid)
}

package judge

import (
	"errors"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strings"
	"time"

	"nightcage/metrics"
)

// claimWeight is how many errors the claim itself counts for: the factor of a
// measure seen n times is the root of (claimWeight*1 + n*raw)/(claimWeight + n),
// the posterior mean of its squared factor under a conjugate prior about 1
// (Gelman et al., Bayesian Data Analysis, section 2.6). 20 because renders are
// not film: less than 20 of them move a bar by little. Judgement.
const claimWeight = 20

// A bar that renders call too wide is narrowed as if a third of them had said
// so: a rendered hitter is sharper than film, and moves as one family of motions
// does, which a prior of hitters' means fits better than it fits people.
// Judgement.
const narrowingShare = 1. / 3

// judging names the seeds whose clips judge the pipeline. Bars fitted to them
// would prove nothing.
var judging = regexp.MustCompile(`^s(31|77001|99\d\d\d)_`)

// ErrJudgingClips is returned for a judgement of clips that must stay unseen.
var ErrJudgingClips = errors.New("these clips judge the pipeline and may not calibrate it")

// Calibrate makes a calibration from judgements of separate sets of clips.
func Calibrate(reports []Report, now time.Time) (metrics.Calibration, error) {
	c := metrics.Calibration{RestsOn: "rendered clips with exact truth; no film of people", Made: now.UTC().Format(time.DateOnly),
		Names: []string{}, Factors: map[string]metrics.Factor{}}
	sum, count := map[string]float64{}, map[string]int{}
	for i, r := range reports {
		if i > 0 && r.Pipeline != reports[0].Pipeline {
			return c, fmt.Errorf("calibrate: judgements of pipelines %s and %s", reports[0].Pipeline, r.Pipeline)
		}
		for _, name := range r.Names {
			name = strings.TrimSuffix(name, ".mp4")
			switch {
			case judging.MatchString(name):
				return c, fmt.Errorf("calibrate: clip %s: %w", name, ErrJudgingClips)
			case slices.Contains(c.Names, name):
				return c, fmt.Errorf("calibrate: clip %s is judged twice", name)
			}
			c.Names = append(c.Names, name)
		}
		c.Pipeline, c.Clips = r.Pipeline, c.Clips+r.Clips-len(r.Failed)
		for _, q := range r.Reliability {
			id, isMeasure := strings.CutPrefix(q.ID, measurePrefix)
			if isMeasure {
				sum[id], count[id] = sum[id]+float64(q.N)*q.Raw, count[id]+q.N
			}
		}
	}
	if len(sum) == 0 {
		return c, errors.New("calibrate: no measure was compared with truth")
	}
	slices.Sort(c.Names)
	for id, s := range sum {
		c.Factors[id] = factor(s, count[id])
	}
	return c, nil
}

// factor is kept to three decimals, far finer than its own error.
func factor(sum float64, n int) metrics.Factor {
	thousandths := func(v float64) float64 { return math.Round(1000*v) / 1000 }
	weight := float64(n)
	raw := sum / weight
	if raw < 1 {
		weight *= narrowingShare
	}
	f := math.Sqrt((claimWeight + weight*raw) / (claimWeight + weight))
	f = max(metrics.LeastFactor, min(metrics.MostFactor, f))
	return metrics.Factor{Factor: thousandths(f), N: n, Raw: thousandths(raw)}
}

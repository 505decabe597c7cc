package metrics

import "context"

// budget fills the share of each measure's variance by source: the variance
// when that source alone is on, over the sum of those variances. For a measure
// that is not linear in its errors the parts need not add up to the whole; the
// shares then say which part matters most.
func budget(ctx context.Context, out []Result, all []entry, nominal []float64, open []bool, r *reading, seed uint64, draws int) error {
	total := make([]float64, len(all))
	parts := make([]map[SourceOfError]float64, len(all))
	for i := range parts {
		parts[i] = map[SourceOfError]float64{}
	}
	for _, source := range SourcesOfError() {
		samples, _, err := propagate(ctx, all, nominal, open, r, seed, draws, map[SourceOfError]bool{source: true})
		if err != nil {
			return err
		}
		for i, s := range samples {
			if !open[i] || len(s.values) < 2 {
				continue
			}
			v := s.sd() * s.sd()
			parts[i][source] = v
			total[i] += v
		}
	}
	for i := range out {
		if out[i].Grade == GradeUnavailable || !(total[i] > 0) {
			continue
		}
		out[i].Budget = map[SourceOfError]float64{}
		for s, v := range parts[i] {
			out[i].Budget[s] = round(v / total[i])
		}
	}
	return nil
}

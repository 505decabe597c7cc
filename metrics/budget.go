package metrics

import "context"

// sampler draws all outputs with some sources on and the others at their
// expected values.
type sampler func(on map[SourceOfError]bool) ([]sampleOf, error)

// budgets is what each output's variance comes from: for every source the
// variance when it alone is on. In a model linear in its inputs those are the
// terms c_i^2 u(x_i)^2 of JCGM 100:2008, 5.1.2, and add up to the whole; where it
// is not, they leave out what sources do together. Outputs without two draws
// have no budget.
func budgets(sources []SourceOfError, outputs int, draw sampler) ([]map[SourceOfError]float64, error) {
	parts := make([]map[SourceOfError]float64, outputs)
	for _, source := range sources {
		samples, err := draw(map[SourceOfError]bool{source: true})
		if err != nil {
			return nil, err
		}
		for i, s := range samples {
			if len(s.values) < 2 {
				continue
			}
			if parts[i] == nil {
				parts[i] = map[SourceOfError]float64{}
			}
			parts[i][source] = s.sd() * s.sd()
		}
	}
	return parts, nil
}

// shares takes the variances of sources to shares of the whole. What the whole
// has beyond their sum is FromTogether's; where they overlap and sum to more,
// they are shares of the sum. nil when there is no variance.
func shares(parts map[SourceOfError]float64, whole float64) map[SourceOfError]float64 {
	sum := 0.0
	for _, v := range parts {
		sum += v
	}
	if !(sum > 0) {
		return nil
	}
	total := max(sum, whole)
	out := map[SourceOfError]float64{FromTogether: round((total - sum) / total)}
	for s, v := range parts {
		out[s] = round(v / total)
	}
	return out
}

// budget fills the budgets of a record.
func budget(ctx context.Context, out []Result, all []entry, nominal []float64, open []bool, r *reading, seed uint64, draws int) error {
	parts, err := budgets(SourcesOfError(), len(all), func(on map[SourceOfError]bool) ([]sampleOf, error) {
		samples, _, err := propagate(ctx, all, nominal, open, r, seed, draws, on)
		return samples, err
	})
	if err != nil {
		return err
	}
	for i := range out {
		if open[i] && out[i].Grade != GradeUnavailable {
			drawn := *out[i].Sigma / out[i].CalibrationFactor()
			out[i].Budget = shares(parts[i], drawn*drawn)
		}
	}
	return nil
}

package correct

import (
	"context"

	"nightcage/metrics"
	"nightcage/phases"
	"nightcage/vision"
)

// Carry takes a swing's last correction along to a job whose record is made from the
// same track and timeline: it is measured anew and kept as that job's first. Nothing
// changes where nobody corrected the swing, or the other job's has a correction
// already. Errors: those of List, Measure and Add.
func (s *Store) Carry(ctx context.Context, from, to string, swing int, track vision.Track, tl phases.Timeline, o metrics.Options) error {
	was, err := s.List(from, swing)
	if err != nil || len(was) == 0 {
		return err
	}
	is, err := s.List(to, swing)
	if err != nil || len(is) > 0 {
		return err
	}
	k := was[len(was)-1]
	k.Upon = 0 // those before it stay with the old job
	if _, _, k.Record, err = Measure(ctx, track, tl, k.Correction, o); err != nil {
		return err
	}
	k.Pipeline = k.Record.Pipeline
	_, err = s.Add(to, swing, k)
	return err
}

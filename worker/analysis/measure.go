package analysis

import (
	"context"

	"nightcage/metrics"
	"nightcage/metrics/rules"
	"nightcage/phases"
	"nightcage/vision"
	"nightcage/vision/solve"
)

// Measure makes the record of one swing from what was seen of it. It is the one
// way from a Track and a Timeline to a Swing, whether they come from a clip that
// was just read or from a store; the same two always give the same record. Whoever
// corrects one of them calls it again.
//
// track is as Run has it in Result.Seen. The track that is returned is the one
// that the record was read from: the bat's path around contact is that of a bat
// that was struck. Without o.Rules the record is held against those that ship.
//
// It fails when ctx ends, or when track and timeline do not belong together.
func Measure(ctx context.Context, track vision.Track, tl phases.Timeline, o metrics.Options) (vision.Track, metrics.Swing, error) {
	for _, e := range tl.Events {
		if e.ID == phases.Contact && e.Found && tl.Timed && track.Subject.Ball != vision.FromNone && (tl.Result == phases.ResultHit || tl.Result == phases.ResultUnknown) {
			// A path smoothed through the blow reads slow; now its instant is known.
			var err error
			if track, err = solve.Struck(ctx, track, e.Ms, e.SigmaMs); err != nil {
				return track, metrics.Swing{}, err
			}
		}
	}
	o.Pipeline, o.Calibration = PipelineVersion, metrics.ShippedCalibration()
	if o.Rules == nil {
		o.Rules = rules.Shipped()
	}
	s, err := metrics.Measure(ctx, track, tl, o)
	return track, s, err
}

package judge

import (
	"context"
	"fmt"

	"nightcage/metrics"
	"nightcage/phases"
	"nightcage/vision/truth"
)

// exactDraws is the fewest that give a value a standard deviation worth
// dividing by; the error bars of an exact reading are not looked at.
const exactDraws = 20

// exact is what every measure is on the clip's true places and event times: the
// numbers of the truth file where it has them (TruthOf), our own formulas on its
// joints and events where it has none. The latter judge what the pipeline sees,
// not what the formulas say; those are judged by the former.
func exact(ctx context.Context, t *truth.File) (map[string]float64, error) {
	tr, err := truth.Track(t, truth.Options{})
	if err != nil {
		return nil, fmt.Errorf("exact track of %s: %w", t.Name, err)
	}
	if tr.Ball, err = t.BallFlight(); err != nil {
		return nil, fmt.Errorf("exact flight of %s: %w", t.Name, err)
	}
	tl := phases.Timeline{Kind: phases.KindSwing, Timed: true}
	for _, id := range phases.Events() {
		ms, ok := t.EventMs(string(id))
		tl.Events = append(tl.Events, phases.Event{ID: id, Found: ok, Ms: ms, SigmaMs: exactSigmaMs, Confidence: 1})
	}
	s, err := metrics.Measure(ctx, *tr, tl, metrics.Options{Joints: metrics.JointErrors{}, Draws: exactDraws})
	if err != nil {
		return nil, fmt.Errorf("exact measures of %s: %w", t.Name, err)
	}
	out := map[string]float64{}
	for _, m := range s.Measures {
		if want, ok := TruthOf(m.ID, t); ok {
			out[m.ID] = want
		} else if m.Value != nil {
			out[m.ID] = *m.Value
		}
	}
	return out, nil
}

// exactSigmaMs is the rounding of event times in a truth file, with room.
const exactSigmaMs = .01

package metrics

import (
	"math"
	"slices"
	"testing"

	"nightcage/phases"
	"nightcage/vision"
	"nightcage/vision/truth"
)

// TestRemovingASourceRemovesItsShare: a measure loses, with a source, its share
// of the variance (JCGM 100:2008, 5.1.2) and at most what sources do together,
// and the shares add up to all of it. Both rest on draws of the same numbers, so
// what is left to chance is their products, 2 sqrt(part*rest/n).
func TestRemovingASourceRemovesItsShare(t *testing.T) {
	const draws = 1500
	f, err := truth.Read("../testdata/clips/s77001_09.json.gz")
	if err != nil {
		t.Fatal(err)
	}
	tr, err := truth.Track(f, truth.Options{})
	if err != nil {
		t.Fatal(err)
	}
	sol := tr.Solution
	sol.ScaleSigmaRel, sol.BatScaleSigmaRel, sol.YawSigmaDeg, sol.TiltSigmaDeg = .02, .03, 4, 1.2
	sol.Camera.TiltSigmaDeg, sol.BodyDepthSigmaIn, sol.BatDepthSigmaIn = 2, 2, 2
	tr.Clip.Clock.SigmaRel = .02
	for i := range sol.Frames {
		q := &sol.Frames[i]
		for _, p := range append([]*vision.Point3{&q.Head, &q.Knob, &q.Tip}, pointers(q.Body)...) {
			p.SX, p.SY, p.SZ = .4, .4, 1
		}
	}
	tl := phases.Timeline{Kind: phases.KindSwing, Timed: true}
	for _, id := range phases.Events() {
		ms, ok := f.EventMs(string(id))
		tl.Events = append(tl.Events, phases.Event{ID: id, Found: ok, Ms: ms, SigmaMs: 4, Confidence: 1})
	}
	r, why, err := newReading(tr, tl, Options{})
	if err != nil || why != nil {
		t.Fatal(err, why)
	}
	looked := []string{"base_width_toe_touch", "stride_length_toe_touch", "head_forward_contact", "spine_tilt_contact",
		"bat_speed_contact", "bat_tilt_contact", "barrel_depth_bat_parallel", "swing_time_contact"}
	all := entries()
	nominal, open := make([]float64, len(all)), make([]bool, len(all))
	for i, e := range all {
		if open[i] = slices.Contains(looked, e.ID); open[i] {
			nominal[i] = e.formula(&scene{reading: r})
		}
	}
	draw := func(on map[SourceOfError]bool) ([]sampleOf, error) {
		s, _, err := propagate(t.Context(), all, nominal, open, r, 7, draws, on)
		return s, err
	}
	parts, err := budgets(SourcesOfError(), len(all), draw)
	if err != nil {
		t.Fatal(err)
	}
	whole, err := draw(everySource())
	if err != nil {
		t.Fatal(err)
	}
	for i, e := range all {
		// Only the bat's reading at contact, between two frames, is far from linear.
		if together := shares(parts[i], sq(whole[i].sd()))[FromTogether]; open[i] && together > .05 && e.Group != GroupBat {
			t.Errorf("%s: %.2f of the variance is of no source alone", e.ID, together)
		}
	}
	moved := map[SourceOfError]bool{}
	for _, source := range SourcesOfError() {
		on := everySource()
		delete(on, source)
		without, err := draw(on)
		if err != nil {
			t.Fatal(err)
		}
		for i, e := range all {
			if !open[i] {
				continue
			}
			v, rest, part := sq(whole[i].sd()), sq(without[i].sd()), parts[i][source]
			chance := 4*2*math.Sqrt(part*rest/draws)/v + .02
			share := shares(parts[i], v)
			if fall := 1 - rest/v; fall < share[source]-chance || fall > share[source]+share[FromTogether]+chance {
				t.Errorf("%s: without %s the variance falls by %.4f of itself, its share is %.4f, together %.4f", e.ID, source, fall, share[source], share[FromTogether])
			}
			moved[source] = moved[source] || part > .05*v
		}
	}
	for i, e := range all {
		if !open[i] {
			continue
		}
		sum := 0.0
		for _, share := range shares(parts[i], sq(whole[i].sd())) {
			sum += share
		}
		if math.Abs(sum-1) > .001 {
			t.Errorf("%s: shares sum to %.4f", e.ID, sum)
		}
	}
	for _, source := range []SourceOfError{FromLandmarks, FromBat, FromEvents, FromScale, FromClock, FromCamera, FromJoints} {
		if !moved[source] {
			t.Errorf("%s is a twentieth of no measure's variance: nothing was tested of it", source)
		}
	}
}

func pointers(p []vision.Point3) (out []*vision.Point3) {
	for i := range p {
		out = append(out, &p[i])
	}
	return out
}

func sq(x float64) float64 { return x * x }

package judge

import (
	"math"

	"nightcage/metrics"
	"nightcage/phases"
	"nightcage/vision"
	"nightcage/vision/truth"
)

// The swing window of design targets, ms around true contact.
const (
	windowBeforeMs = 150
	windowAfterMs  = 60
)

// chi2Two95 is the 95 % point of chi-squared with two degrees of freedom
// (-2 ln 0.05): a point's error ellipse holds the truth when |err|^2 <=
// chi2Two95 * sigma^2.
const chi2Two95 = 5.991

// z95 is the two-sided 95 % point of the standard normal.
const z95 = 1.960

// compare adds everything that one clip's result can be compared in; exact holds
// what its measures should be.
func (ts *tallies) compare(m Measured, t *truth.File, exact map[string]float64) {
	ts.compareTrack(m.Track, t)
	ts.compareEvents(m.Timeline, t)
	ts.compareMeasures(m.Swing, exact)
	ts.compareSide(m.Track, t)
}

// compareTrack adds the image errors of knob, tip, bat angle and landmarks.
// Each picture of the truth is held against what the track tells of it, looked at or not
// (vision.Track.At); one of which it tells nothing counts as unavailable for every
// quantity.
func (ts *tallies) compareTrack(tr vision.Track, t *truth.File) {
	contact, hasContact := t.EventMs(string(phases.Contact))
	for i, want := range t.Frames {
		got, _ := tr.At(i)
		inSwing := hasContact && want.Ms >= contact-windowBeforeMs && want.Ms <= contact+windowAfterMs
		ts.point("tip_in", got.Tip, want.Tip, want.P)
		ts.point("knob_in", got.Knob, want.Knob, want.P)
		if inSwing {
			ts.point("tip_swing_in", got.Tip, want.Tip, want.P)
			ts.point("knob_swing_in", got.Knob, want.Knob, want.P)
			ts.batAngle(&got, want)
		}
		for l := vision.Landmark(0); int(l) < vision.NumLandmarks; l++ {
			p, ok := t.Landmark(i, l)
			if !ok {
				continue
			}
			var m vision.Mark
			if len(got.Body) == vision.NumLandmarks {
				m = got.Body[l]
			}
			if usedByMeasures(l) {
				ts.point("landmark_in", m, p, want.P)
			}
			ts.point("landmark."+l.String()+"_in", m, p, want.P)
		}
	}
}

// usedByMeasures leaves out the face, which no measure reads by itself, and the
// fists, which truth has only as places on the bat.
func usedByMeasures(l vision.Landmark) bool {
	return l >= vision.LeftShoulder && l != vision.LeftHand && l != vision.RightHand
}

// compareSide judges which side the hitter bats from and where the camera
// stands: the error is 0 when right, 1 when wrong.
func (ts *tallies) compareSide(tr vision.Track, t *truth.File) {
	side := vision.SideRight
	if t.Handedness == "L" {
		side = vision.SideLeft
	}
	verdict := func(id string, known, right bool) {
		ta := ts.get(id, "1", distance)
		switch {
		case !known:
			ta.absent(1)
		case right:
			ta.add(sample{held: true})
		default:
			ta.add(sample{err: 1})
		}
	}
	verdict("hand_wrong", tr.Hand.Bats == vision.SideLeft || tr.Hand.Bats == vision.SideRight, tr.Hand.Bats == side)
	verdict("view_wrong", tr.Sighting.View != "" && tr.Sighting.View != vision.ViewUnknown, tr.Sighting.View == t.View)
}

// point compares one mark with its truth; truth outside the picture is no
// fault of the tracker and is left out.
func (ts *tallies) point(id string, got vision.Mark, want truth.Point, p truth.Projection) {
	if !want.InFrame {
		return
	}
	t := ts.get(id, "[in_i]", distance)
	if !got.Found() {
		t.absent(1)
		return
	}
	px := math.Hypot(got.X-want.X, got.Y-want.Y)
	t.add(sample{err: px / p.PxPerIn(want.XYZ), held: px*px <= chi2Two95*got.SigmaPx*got.SigmaPx})
}

func (ts *tallies) batAngle(got *vision.Frame, want truth.Frame) {
	if !want.Knob.InFrame || !want.Tip.InFrame {
		return
	}
	t := ts.get("bat_angle_deg", "deg", interval)
	if !got.Knob.Found() || !got.Tip.Found() {
		t.absent(1)
		return
	}
	a := math.Atan2(got.Tip.Y-got.Knob.Y, got.Tip.X-got.Knob.X)
	b := math.Atan2(want.Tip.Y-want.Knob.Y, want.Tip.X-want.Knob.X)
	err := math.Remainder(a-b, 2*math.Pi) * 180 / math.Pi
	t.add(sample{err: err, held: math.Abs(err) <= z95*got.BatAngleSigmaDeg})
}

// compareEvents adds event errors in frames of the capture rate. Ground events
// are also judged against the time at which a picture can first show them.
func (ts *tallies) compareEvents(tl phases.Timeline, t *truth.File) {
	for _, e := range tl.Events {
		ts.event(e, string(e.ID), t)
		ts.event(e, string(e.ID)+"_quarter_inch", t)
	}
}

func (ts *tallies) event(e phases.Event, name string, t *truth.File) {
	want, ok := t.EventMs(name)
	if !ok {
		return
	}
	ta := ts.get("event."+name+"_frames", "1", interval)
	if !e.Found {
		ta.absent(1)
		return
	}
	ta.add(sample{err: (e.Ms - want) * t.FPS / 1000, held: math.Abs(e.Ms-want) <= z95*e.SigmaMs})
}

// measurePrefix stands before a measure's id in a quantity's.
const measurePrefix = "measure."

// compareMeasures adds every measure that has an exact value.
func (ts *tallies) compareMeasures(s metrics.Swing, exact map[string]float64) {
	got := make(map[string]metrics.Result, len(s.Measures))
	for _, m := range s.Measures {
		got[m.ID] = m
	}
	for _, d := range metrics.Catalogue() {
		want, ok := exact[d.ID]
		if !ok {
			continue
		}
		k := interval
		if ratioUnit(d.UCUM) {
			k = ratio
		}
		ta := ts.get(measurePrefix+d.ID, d.UCUM, k)
		m := got[d.ID]
		if m.Value == nil {
			ta.absent(1)
			continue
		}
		ta.add(sample{err: *m.Value - want, truth: want, held: *m.Low95 <= want && want <= *m.High95})
		// What a flat picture's bars are worth says nothing of a solution's.
		if *m.Sigma > 0 && m.View != metrics.HowPlanar {
			ta.claims = append(ta.claims, claim{err: *m.Value - want, sigma: *m.Sigma, raw: *m.Sigma / m.CalibrationFactor(), size: *m.Sigma / d.UsefulSigma})
		}
	}
}

// ratioUnit says whether a unit's quantities have a natural zero worth
// dividing by.
func ratioUnit(ucum string) bool { return ucum != "deg" }

package metrics_test

import (
	"math"
	"strings"
	"testing"

	"nightcage/metrics"
	"nightcage/phases"
	"nightcage/vision"
	"nightcage/vision/truth"
)

// carried is a hitter who stands as at contact and is carried along the line to
// the pitcher, x inches at ms.
func carried(t *testing.T, f *truth.File, x func(ms float64) float64) vision.Track {
	tr := track(t, f, truth.Options{})
	contact, _ := f.EventMs("contact")
	at := 0
	for i, fr := range tr.Frames {
		if fr.Ms < contact {
			at = i
		}
	}
	stance := tr.Solution.Frames[at]
	for i := range tr.Solution.Frames {
		p := &tr.Solution.Frames[i]
		by := x(tr.Frames[i].Ms)
		p.Body = append([]vision.Point3(nil), stance.Body...)
		for j := range p.Body {
			p.Body[j].X += by
		}
		p.Head = stance.Head
		p.Head.X += by
	}
	return tr
}

// TestWeightGoesAndComes: a body that goes forward at 10 in/s from 250 ms before
// contact has gone an inch 150 ms before it; one that goes back at 20 in/s from 40 ms
// after contact has come back an inch 50 ms later.
func TestWeightGoesAndComes(t *testing.T) {
	f := readTruth(t, "s77001_00")
	contact, _ := f.EventMs("contact")
	tl := timeline(f, .01)
	for i := range tl.Events {
		if tl.Events[i].ID == phases.HeelPlant {
			tl.Events[i].Ms = contact - 100
		}
	}
	forward := func(ms float64) float64 { return 10 * math.Max(0, math.Min(ms, contact)-(contact-250)) / 1000 }
	back := func(ms float64) float64 { return forward(ms) - 20*math.Max(0, ms-contact-40)/1000 }
	exact := metrics.Options{Draws: 50, Joints: metrics.JointErrors{}}
	s := measure(t, carried(t, f, back), tl, exact)
	for _, c := range []struct {
		id        string
		want, tol float64
	}{
		{"weight_leaves_time_contact", 150, 3},
		{"weight_returns_time_finish", 90, 5},
		{"pelvis_forward_speed_peak", 10 * 3600.0 / 63360, .03},
	} {
		m, _ := s.Find(c.id)
		if m.Value == nil {
			t.Errorf("%s: %s", c.id, m.ReasonText)
		} else if math.Abs(*m.Value-c.want) > c.tol {
			t.Errorf("%s = %.2f, want %.2f within %.2f", c.id, *m.Value, c.want, c.tol)
		}
	}
	still := measure(t, carried(t, f, func(float64) float64 { return 0 }), tl, exact)
	for id, why := range map[string]string{"weight_leaves_time_contact": "does not go forward", "weight_returns_time_finish": "does not come back"} {
		if m, _ := still.Find(id); m.Reason != metrics.ReasonUndefined || !strings.Contains(m.ReasonText, why) {
			t.Errorf("standing still, %s: %s, %q", id, m.Reason, m.ReasonText)
		}
	}
}

// TestPlace: where the ball was met is named by the part of the body beside it.
func TestPlace(t *testing.T) {
	f := readTruth(t, "s77001_00")
	tl := timeline(f, .01)
	var ankle float64
	var joint func(name string) float64
	contact, _ := f.EventMs("contact")
	for i := range f.Frames {
		if f.Frames[i].Ms < contact {
			fr := &f.Frames[i]
			joint = func(name string) float64 { return fr.Joints[name].XYZ.X }
			ankle = joint(f.LeadSide + "_ankle")
		}
	}
	rear := map[string]string{"left": "right", "right": "left"}[f.LeadSide]
	s := measure(t, track(t, f, truth.Options{}), tl, metrics.Options{Draws: 50, Joints: metrics.JointErrors{}})
	m, _ := s.Find("contact_depth_contact")
	if m.Value == nil {
		t.Fatal(m.ReasonText)
	}
	best, far := "", math.Inf(1)
	for name, x := range map[string]float64{
		"the back foot":   joint(rear + "_ankle"),
		"the belly":       (joint("left_hip") + joint("right_hip")) / 2,
		"the front thigh": (joint(f.LeadSide+"_hip") + joint(f.LeadSide+"_knee")) / 2,
		"the front ankle": ankle,
		"the front foot":  joint(f.LeadSide + "_toe"),
	} {
		if d := math.Abs(x - ankle - *m.Value); d < far {
			best, far = name, d
		}
	}
	t.Logf("met %.1f in from the front ankle, %q", *m.Value, m.Place)
	if first, _, _ := strings.Cut(m.Place, ";"); first != "beside "+best && !strings.Contains(first, "front of") && !strings.HasPrefix(first, "behind") {
		t.Errorf("met %.1f in from the front ankle, %q; nearest is %s", *m.Value, m.Place, best)
	}
	if m, _ := s.Find("bat_speed_contact"); m.Place != "" {
		t.Errorf("a speed has a place, %q", m.Place)
	}
}

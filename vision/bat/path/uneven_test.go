package path

import "testing"

// TestSmoothUneven: frames taken out away from the swing must not make the path
// about it worse.
func TestSmoothUneven(t *testing.T) {
	var all, some score
	for _, f := range rendered(t) {
		most := max(1, int(f.FPS/60))
		s := see(f, 1)
		r, err := Smooth(s.sights, s.options)
		if err != nil {
			t.Fatal(err)
		}
		all.add(s, r, -150, 60)
		g := clone(f)
		less := *s
		less.file, less.sights, g.Frames = g, nil, nil
		for i := range f.Frames {
			if i%most == 0 || s.during(i, -400, 250) {
				less.sights, g.Frames = append(less.sights, s.sights[i]), append(g.Frames, f.Frames[i])
			}
		}
		if n := len(f.Frames); most > 1 && len(less.sights) > 3*n/4 {
			t.Fatalf("%s: %d of %d frames left: the track is hardly uneven", f.Name, len(less.sights), n)
		}
		if r, err = Smooth(less.sights, s.options); err != nil {
			t.Fatal(err)
		}
		some.add(&less, r, -150, 60)
	}
	for _, c := range []struct {
		what       string
		want, have []float64
	}{{"tip", all.tip, some.tip}, {"knob", all.knob, some.knob}, {"angle", all.angle, some.angle}} {
		for _, q := range []float64{0.5, 0.95} {
			w, h := quantile(c.want, q), quantile(c.have, q)
			t.Logf("%s, quantile %v: %.3f with all frames, %.3f with some", c.what, q, w, h)
			if h > 1.05*w {
				t.Errorf("%s, quantile %v: %.3f, with all frames %.3f", c.what, q, h, w)
			}
		}
	}
	for _, over := range [][]float64{some.tipOver, some.knobOver, some.angleOver} {
		if h := held(over); h < 0.9 {
			t.Errorf("%.0f %% of sigmas hold the truth, want 90", 100*h)
		}
	}
}

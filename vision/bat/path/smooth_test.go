package path

import (
	"errors"
	"math"
	"reflect"
	"slices"
	"testing"

	"nightcage/vision"
)

// bound is what a quantity of a case may come to: inches or degrees.
type bound struct{ median, p95 float64 }

// TestSmoothRecovers runs the smoother over the sights of rendered swings with
// one thing gone wrong each. Bounds are the targets (tip and knob 0.7 /
// 2.5 in, angle 1.5 / 4 deg between -150 and +60 ms) where the evidence is
// there; where it is taken away they are what was measured, with room.
func TestSmoothRecovers(t *testing.T) {
	target := [3]bound{{0.7, 2.5}, {0.7, 2.5}, {1.5, 4}}
	files := rendered(t)
	for _, c := range []struct {
		name     string
		why      string
		from, to float64 // ms from contact that are scored
		spoil    func(s *shot, i int)
		want     [3]bound // tip, knob, angle
		held     float64  // least share of sigmas that hold, each of the three
		absent   float64  // most share of frames without a bat
	}{
		{"plain", "nothing wrong beyond see", -150, 60, func(*shot, int) {}, target, 0.9, 0},
		{"second bat", "a bat on the ground outscores the real one in every frame", -150, 60, func(s *shot, i int) {
			h, g := s.sights[0].Hands[0], &s.sights[i]
			for j := range g.Tips {
				g.Tips[j].Score *= 0.4
			}
			for j := range g.Knobs {
				g.Knobs[j].Score *= 0.4
			}
			at := func(x, y float64) Peak {
				return Peak{h.X + (x+0.2*s.rng.NormFloat64())*s.scale, h.Y + (y+0.2*s.rng.NormFloat64())*s.scale, 0.2 * s.scale, 0.55}
			}
			g.Tips, g.Knobs = append([]Peak{at(40, 40)}, g.Tips...), append([]Peak{at(20, 15)}, g.Knobs...)
		}, target, 0.9, 0},
		{"swapped", "knob taken for tip and tip for knob for 40 ms before and 160 ms after the hit", -150, 60, func(s *shot, i int) {
			if s.during(i, -100, -60) || s.during(i, 40, 200) {
				g := &s.sights[i]
				g.Tips, g.Knobs = g.Knobs, g.Tips
			}
		}, target, 0.9, 0},
		{"rail", "for 80 ms the tip is seen on a fence rail; the motion shows the bat", -60, 20, func(s *shot, i int) {
			if !s.during(i, -60, 20) {
				return
			}
			h, g := s.sights[0].Hands[0], &s.sights[i]
			g.Tips = []Peak{{h.X + (25+0.2*s.rng.NormFloat64())*s.scale, h.Y + (10+0.2*s.rng.NormFloat64())*s.scale, 0.3 * s.scale, 0.6}}
			if l, ok := s.line(i); ok {
				g.Lines = append(g.Lines, l)
			}
		}, [3]bound{{1, 3}, {0.7, 2.5}, {2, 8}}, 0.9, 0},
		{"lines only", "no peaks at all: streaks of motion, one in seven missing, two wrong ones beside each", -150, 60, func(s *shot, i int) {
			g := &s.sights[i]
			g.Tips, g.Knobs = nil, nil
			l, ok := s.line(i)
			if !ok || s.rng.Float64() < 0.15 {
				return
			}
			g.Lines = []Line{l}
			for range 2 {
				turn := 7 * s.rng.Float64()
				w := l
				w.X, w.Y, w.DX, w.DY, w.Score = l.X+5*s.scale*s.rng.NormFloat64(), l.Y+5*s.scale*s.rng.NormFloat64(), math.Cos(turn), math.Sin(turn), 0.1
				g.Lines = append(g.Lines, w)
			}
		}, [3]bound{{1, 3}, {2, 5}, {1.5, 8}}, 0.85, 0},
		{"dropped", "every third frame dropped, every seventh a repeat of the one before", -150, 60, func(s *shot, i int) {
			if i%3 == 1 {
				s.sights[i] = Sight{Index: i, Ms: s.sights[i].Ms}
			}
			if i%7 == 3 {
				ms := s.sights[i].Ms
				s.sights[i] = s.sights[i-1]
				s.sights[i].Index, s.sights[i].Ms, s.sights[i].Repeat = i, ms, true
			}
		}, [3]bound{{0.7, 2.5}, {0.7, 2.5}, {1.5, 5}}, 0.9, 0},
		{"no hands", "the pose network lost them", -150, 60, func(s *shot, i int) {
			s.sights[i].Hands = [2]vision.Mark{}
		}, target, 0.9, 0},
		{"one hand", "the other stays behind at the hip after contact", -150, 300, func(s *shot, i int) {
			if s.during(i, 0, 1e9) {
				p, _ := s.file.Landmark(i, vision.RightHip)
				s.sights[i].Hands[1].X, s.sights[i].Hands[1].Y = p.X, p.Y
			}
		}, target, 0.9, 0},
		{"shaking camera", "held in the hand, following the hitter, some 2 px off from frame to frame", -150, 60, func(s *shot, i int) {
			g := &s.sights[i]
			x, y, turn := float64(i)*0.7+2*s.rng.NormFloat64(), 2*s.rng.NormFloat64(), 0.003*s.rng.NormFloat64()
			m := vision.Affine{A: math.Cos(turn), B: -math.Sin(turn), C: math.Sin(turn), D: math.Cos(turn), TX: x, TY: y}
			for _, peaks := range [][]Peak{g.Tips, g.Knobs} {
				for j := range peaks {
					peaks[j].X, peaks[j].Y = m.Undo(peaks[j].X, peaks[j].Y)
				}
			}
			for j := range g.Hands {
				g.Hands[j].X, g.Hands[j].Y = m.Undo(g.Hands[j].X, g.Hands[j].Y)
			}
			t := &s.file.Frames[i]
			t.Knob.X, t.Knob.Y = m.Undo(t.Knob.X, t.Knob.Y)
			t.Tip.X, t.Tip.Y = m.Undo(t.Tip.X, t.Tip.Y)
			g.Shift = vision.Affine(m)
		}, target, 0.9, 0},
		{"wrong scale", "8 % too large", -150, 60, func(s *shot, i int) {
			if i == 0 {
				s.options.PxPerIn *= 1.08
				s.options.ScaleSigmaRel = 0.05
			}
		}, target, 0.9, 0},
		{"bat unknown", "its length was not told", -150, 60, func(s *shot, i int) { s.options.BatIn = 0 }, target, 0.9, 0},
		{"bridge", "nothing but hands for 40 ms before contact", -40, 0, func(s *shot, i int) {
			if s.during(i, -40, 0) {
				s.sights[i].Tips, s.sights[i].Knobs = nil, nil
			}
		}, [3]bound{{2.5, 8}, {2, 5}, {6, 25}}, 0.85, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			var got score
			for _, f := range files {
				f := clone(f) // a spoiler may move the truth
				s := see(f, 1)
				for i := range s.sights {
					c.spoil(s, i)
				}
				r, err := Smooth(s.sights, s.options)
				if err != nil {
					t.Fatal(err)
				}
				got.add(s, r, c.from, c.to)
			}
			for q, v := range []struct {
				what     string
				in, over []float64
			}{{"tip", got.tip, got.tipOver}, {"knob", got.knob, got.knobOver}, {"angle", got.angle, got.angleOver}} {
				m, p, h := quantile(v.in, 0.5), quantile(v.in, 0.95), held(v.over)
				t.Logf("%s: median %.2f, p95 %.2f, %.0f %% of sigmas hold (n %d)", v.what, m, p, 100*h, len(v.in))
				if m > c.want[q].median || p > c.want[q].p95 {
					t.Errorf("%s (%s): %s is off by %.2f at the median and %.2f at the 95th percentile, want %.2f and %.2f", c.name, c.why, v.what, m, p, c.want[q].median, c.want[q].p95)
				}
				if h < c.held {
					t.Errorf("%s: %.0f %% of the %s's sigmas hold the truth, want %.0f", c.name, 100*h, v.what, 100*c.held)
				}
			}
			if share := float64(got.absent) / float64(got.absent+len(got.tip)); share > c.absent {
				t.Errorf("%s: no bat in %.0f %% of frames", c.name, 100*share)
			}
		})
	}
}

// TestSmoothBeatsItsSights: the path must be better than the finder's best
// guess frame by frame, or it is not worth having.
func TestSmoothBeatsItsSights(t *testing.T) {
	var path, raw score
	for _, f := range rendered(t) {
		s := see(f, 3)
		r, err := Smooth(s.sights, s.options)
		if err != nil {
			t.Fatal(err)
		}
		var first Result
		for _, g := range s.sights {
			k, p := g.Knobs[0], g.Tips[0]
			first.Frames = append(first.Frames, Frame{Index: g.Index, AngleSigmaDeg: 1,
				Knob: vision.Mark{X: k.X, Y: k.Y, SigmaPx: k.SigmaPx, How: vision.HowNetwork},
				Tip:  vision.Mark{X: p.X, Y: p.Y, SigmaPx: p.SigmaPx, How: vision.HowNetwork}})
		}
		path.add(s, r, -150, 60)
		raw.add(s, first, -150, 60)
	}
	for _, q := range []float64{0.5, 0.95, 0.99} {
		if p, w := quantile(path.tip, q), quantile(raw.tip, q); p >= w {
			t.Errorf("tip, quantile %v: %.2f in, first peaks alone %.2f", q, p, w)
		}
		if p, w := quantile(path.knob, q), quantile(raw.knob, q); p >= w {
			t.Errorf("knob, quantile %v: %.2f in, first peaks alone %.2f", q, p, w)
		}
	}
}

func TestSmoothLosesWhatIsGone(t *testing.T) {
	f := rendered(t)[0]
	s := see(f, 1)
	for i := range s.sights {
		if s.during(i, 100, 1e9) {
			s.sights[i] = Sight{Index: i, Ms: s.sights[i].Ms} // it left the picture
		}
	}
	r, err := Smooth(s.sights, s.options)
	if err != nil {
		t.Fatal(err)
	}
	last, grew := 0.0, true
	for i, fr := range r.Frames {
		switch {
		case s.during(i, -50, 95):
			if !fr.Tip.Found() || !fr.Knob.Found() {
				t.Errorf("frame %d: seen, yet not found", i)
			}
		case s.during(i, 105, 120):
			if fr.Tip.How != vision.HowModel {
				t.Errorf("frame %d, just after it was seen last: How = %q, want model", i, fr.Tip.How)
			}
			grew = grew && fr.Tip.SigmaPx > last
			last = fr.Tip.SigmaPx
		case s.during(i, 400, 1e9):
			if fr.Tip.Found() || fr.AngleSigmaDeg != 0 {
				t.Errorf("frame %d, 300 ms after it was seen last: tip %+v", i, fr.Tip)
			}
		}
	}
	if !grew {
		t.Error("the tip's sigma does not grow from frame to frame once it is out of sight")
	}
}

// TestSmoothTipOutOfPicture: where the picture cuts the bat, the network's tip
// is at the border; the path must not take that for the tip without saying how
// unsure it is.
func TestSmoothTipOutOfPicture(t *testing.T) {
	var got score
	for _, f := range rendered(t) {
		s := see(f, 1)
		var right float64
		for i := range f.Frames {
			right = math.Max(right, f.Frames[i].Tip.X)
		}
		right -= 6 * s.scale
		for i := range s.sights {
			g := &s.sights[i]
			g.Width = right
			fr := &f.Frames[i]
			if fr.Tip.X > right && fr.Knob.X < right {
				over := (fr.Tip.X - right) / (fr.Tip.X - fr.Knob.X)
				g.Tips = []Peak{{X: right - 1, Y: fr.Tip.Y - over*(fr.Tip.Y-fr.Knob.Y), SigmaPx: 0.3 * s.scale, Score: 0.8}}
			}
		}
		r, err := Smooth(s.sights, s.options)
		if err != nil {
			t.Fatal(err)
		}
		got.add(s, r, -150, 150)
	}
	if h := held(got.tipOver); h < 0.9 {
		t.Errorf("%.0f %% of the tip's sigmas hold the truth, want 90", 100*h)
	}
	if p := quantile(got.tip, 0.95); p > 4 {
		t.Errorf("tip off by %.1f in at the 95th percentile", p)
	}
}

func TestSmoothAngleOfAShortBat(t *testing.T) {
	// A bat that points at the camera: both ends in one place.
	var sights []Sight
	for i := range 40 {
		p := Peak{X: 300, Y: 200, SigmaPx: 1, Score: 0.9}
		sights = append(sights, Sight{Index: i, Ms: float64(i) * 1000 / 120, Knobs: []Peak{p}, Tips: []Peak{p}})
	}
	r, err := Smooth(sights, Options{PxPerIn: 5, BatIn: 33})
	if err != nil {
		t.Fatal(err)
	}
	if a := r.Frames[20].AngleSigmaDeg; a < 60 {
		t.Errorf("angle sigma of a bat without length in the picture: %.1f deg, want near %.0f", a, anyAngle)
	}
	if !r.Frames[20].Tip.Found() {
		t.Error("its tip is seen well, yet not found")
	}
}

func TestSmoothRefuses(t *testing.T) {
	one := []Sight{{Index: 0, Ms: 0}, {Index: 1, Ms: 4}}
	for _, scale := range []float64{0, -1, math.NaN(), math.Inf(1)} {
		if _, err := Smooth(one, Options{PxPerIn: scale}); !errors.Is(err, ErrNoScale) {
			t.Errorf("scale %v: error %v, want ErrNoScale", scale, err)
		}
	}
	if _, err := Smooth([]Sight{{Ms: 4}, {Ms: 4}}, Options{PxPerIn: 5}); err == nil {
		t.Error("two frames at one time: no error")
	}
	r, err := Smooth(nil, Options{PxPerIn: 5})
	if err != nil || len(r.Frames) != 0 {
		t.Errorf("no sights: %v, %v", r, err)
	}
	r, err = Smooth(one, Options{PxPerIn: 5})
	if err != nil || len(r.Frames) != 2 || r.Frames[0].Tip.Found() || r.Frames[1].Knob.Found() || r.Kink.Found {
		t.Errorf("sights of nothing: %+v, %v", r, err)
	}
}

func TestSmoothKeepsItsInput(t *testing.T) {
	s := see(rendered(t)[0], 1)
	before := slices.Clone(s.sights)
	for i := range before {
		before[i].Tips, before[i].Knobs = slices.Clone(before[i].Tips), slices.Clone(before[i].Knobs)
	}
	a, err := Smooth(s.sights, s.options)
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(before, s.sights) {
		t.Error("the sights were changed")
	}
	b, _ := Smooth(s.sights, s.options)
	if !reflect.DeepEqual(a, b) {
		t.Error("a second run differs")
	}
}

func BenchmarkSmooth(b *testing.B) {
	t := &testing.T{}
	s := see(rendered(t)[0], 1)
	for b.Loop() {
		if _, err := Smooth(s.sights, s.options); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Microseconds())/float64(b.N)/float64(len(s.sights)), "µs/frame")
}

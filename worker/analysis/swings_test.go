package analysis

import (
	"errors"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"nightcage/phases"
	"nightcage/vision"
	"nightcage/vision/clip"
)

// Two swings of two hitters, with a pause and a cut between them.
func TestTwoSwingsAndACut(t *testing.T) {
	const fps, pause = 30, 1.5
	first, second := readTruth(t, "s77001_04"), readTruth(t, "s77001_06")
	path := made(t, "-i", filepath.Join(clips, "s77001_04.mp4"), "-i", filepath.Join(clips, "s77001_06.mp4"),
		"-filter_complex", "[0:v]fps=30,scale=640:-2,tpad=stop_mode=clone:stop_duration=1.5[a];[1:v]fps=30,scale=640:-2[b];[a][b]concat=n=2:v=1:a=0[o]", "-map", "[o]")
	var done, total []int
	found, err := analyser(t).Run(t.Context(), path, vision.Subject{}, Options{NoStills: true}, func(d, n int) { done, total = append(done, d), append(total, n) })
	if err != nil {
		t.Fatal(err)
	}
	if len(found) != 2 {
		t.Fatalf("%d swings, want 2", len(found))
	}
	cut := float64(len(first.Frames))/first.FPS + pause
	a, _ := first.EventMs(string(phases.Contact))
	b, _ := second.EventMs(string(phases.Contact))
	for i, contact := range []float64{a, 1000*cut + b} {
		c := found[i].Swing.Clip
		if c.Swing != i+1 || c.Swings != 2 || found[i].Timeline.Kind != phases.KindSwing {
			t.Errorf("swing %d: number %d of %d, kind %s", i+1, c.Swing, c.Swings, found[i].Timeline.Kind)
		}
		if c.FromMs > contact-300 || c.ToMs < contact+200 {
			t.Errorf("swing %d: window %.0f to %.0f ms, contact at %.0f", i+1, c.FromMs, c.ToMs, contact)
		}
		if c.FromMs < 1000*cut-500/fps && c.ToMs > 1000*cut {
			t.Errorf("swing %d: window %.0f to %.0f ms crosses the cut at %.0f", i+1, c.FromMs, c.ToMs, 1000*cut)
		}
		for _, e := range found[i].Timeline.Events {
			if e.ID == phases.Contact && (!e.Found || e.Ms < contact-3000/fps || e.Ms > contact+3000/fps) {
				t.Errorf("swing %d: contact found %v at %.0f ms, want %.0f", i+1, e.Found, e.Ms, contact)
			}
		}
		if !slices.ContainsFunc(found[i].Swing.Notes, func(n string) bool { return strings.Contains(n, "cut in 1 place") }) {
			t.Errorf("swing %d: no note of the cut: %q", i+1, found[i].Swing.Notes)
		}
	}
	known := slices.IndexFunc(total, func(n int) bool { return n > 0 })
	last := len(done) - 1
	if !slices.IsSorted(done) || known < 0 || slices.Min(total[known:]) != slices.Max(total[known:]) || done[last] != total[last] {
		t.Errorf("progress: %v of %v", done, total)
	}
}

func TestFindings(t *testing.T) {
	c := vision.Clip{Name: "made.mp4", Times: make([]vision.FrameTime, 100)}
	for i := range c.Times {
		c.Times[i].Ms = 100 * float64(i)
	}
	window := func(first int, kind phases.Kind) seen {
		return seen{vision.Track{Clip: c, Window: [2]int{first, first + 21}}, phases.Timeline{Kind: kind, Why: "the bat hangs"}}
	}
	t.Run("what holds no swing is counted, not kept", func(t *testing.T) {
		f := findings{clip: c, swings: []seen{window(0, phases.KindTake), window(30, phases.KindNone), window(60, phases.KindSwing)}, plan: plan{refused: 5, unlooked: 7}}
		f.miss([2]int{70, 91}, &Error{Kind: NoBat, Clip: c.Name, Reason: "No bat was found."})
		f.dropEmpty()
		if len(f.swings) != 2 || f.swings[0].timeline.Kind != phases.KindTake || f.swings[1].timeline.Kind != phases.KindSwing {
			t.Errorf("kept %+v", f.swings)
		}
		n := f.notes()
		if len(n) != 2 {
			t.Fatalf("notes %q", n)
		}
		for _, want := range []string{"7 other bursts", "at 4.0 s: No swing was found in the clip: the bat hangs", "5 at which nobody"} {
			if !strings.Contains(n[0], want) {
				t.Errorf("no %q in %q", want, n[0])
			}
		}
		if !strings.Contains(n[1], "7 weaker ones") {
			t.Errorf("note %q", n[1])
		}
	})
	t.Run("nothing to tell", func(t *testing.T) {
		if n := (&findings{clip: c, swings: []seen{window(0, phases.KindSwing)}}).notes(); n != nil {
			t.Errorf("notes %q", n)
		}
	})
	t.Run("the reason of the window that came farthest", func(t *testing.T) {
		bug := errors.New("a fault")
		for _, w := range []struct {
			errs []error
			want error
		}{
			{[]error{&Error{Kind: NoPerson}, &Error{Kind: NoSwing}, &Error{Kind: NoBat}}, NoSwing},
			{[]error{&Error{Kind: NoPerson}, &Error{Kind: NoBat}}, NoBat},
			{[]error{&Error{Kind: NoSwing}, bug}, bug},
		} {
			f := findings{clip: c}
			for _, err := range w.errs {
				f.miss([2]int{0, 10}, err)
			}
			if got := f.why(); !errors.Is(got, w.want) {
				t.Errorf("why of %v = %v, want %v", w.errs, got, w.want)
			}
		}
	})
}

// Two swings of one scene are apart; swings before and after a cut are not two
// of one scene.
func TestSurvey(t *testing.T) {
	s := &survey{cuts: []int{100}, clip: vision.Clip{Times: make([]vision.FrameTime, 400)}}
	var ms []float64
	for i := range 200 {
		s.at = append(s.at, 2*i) // every second picture is lost
		ms = append(ms, 20*float64(i))
	}
	burst := func(at int) clip.Burst { return clip.Burst{At: at, Ms: 20 * float64(at)} }
	for _, c := range []struct {
		name    string
		bursts  []clip.Burst
		several bool
		scenes  [][2]int
	}{
		{"none", nil, false, [][2]int{{0, 199}}},
		{"one", []clip.Burst{burst(150)}, false, [][2]int{{200, 399}}},
		{"one on either side of the cut", []clip.Burst{burst(20), burst(150)}, false, [][2]int{{0, 199}, {200, 399}}},
		{"load and swing", []clip.Burst{burst(20), burst(60)}, false, [][2]int{{0, 199}}},
		{"two swings", []clip.Burst{burst(5), burst(90)}, true, [][2]int{{0, 199}}},
	} {
		if got := s.several(c.bursts); got != c.several {
			t.Errorf("%s: several = %v", c.name, got)
		}
		var got [][2]int
		for _, w := range s.scenes(c.bursts, nil, ms) {
			got = append(got, w.frames)
			if w.look[0] != w.frames[0] || w.look[len(w.look)-1] >= w.frames[1] || !slices.IsSorted(w.look) {
				t.Errorf("%s: %v looked at of %v", c.name, w.look, w.frames)
			}
		}
		if !slices.Equal(got, c.scenes) {
			t.Errorf("%s: scenes %v, want %v", c.name, got, c.scenes)
		}
	}
}

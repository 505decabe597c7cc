package phases

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"nightcage/vision"
	"nightcage/vision/truth"
)

// The speed of sound: 343.2 m/s in dry air of 20 degrees Celsius and 331.5 at 0
// (CRC Handbook of Chemistry and Physics, from memory), so a degree changes it
// by 0.18 %.
func TestSpeedOfSound(t *testing.T) {
	if got := soundInS * 0.0254; math.Abs(got-343.2) > 0.5 {
		t.Errorf("%.1f m/s at 20 degrees, want 343.2", got)
	}
	if got := 20 / airS * soundS; math.Abs(got-(343.2-331.5)/343.2) > 0.002 {
		t.Errorf("20 degrees change it by %.4f of itself, want .0341", got)
	}
}

// listen puts sounds under a track, each told as from the bat at ms, and off by
// what the camera's clocks are out of step.
func listen(tr *vision.Track, f *truth.File, outOfStep float64, from map[float64]float64) {
	tr.Sounds = nil
	c := f.Camera.Centre
	for ms, strength := range from {
		k := 0
		for k < len(f.Frames)-1 && f.Frames[k].Ms < ms {
			k++
		}
		p := f.Frames[k].Tip.XYZ
		away := math.Sqrt((p.X-c.X)*(p.X-c.X) + (p.Y-c.Y)*(p.Y-c.Y) + (p.Z-c.Z)*(p.Z-c.Z))
		tr.Sounds = append(tr.Sounds, vision.Sound{Ms: ms + 1000*away/(337/0.0254) + outOfStep, SigmaMs: 10, Strength: strength}) // 337 m/s: a fresh evening
	}
	slices.SortFunc(tr.Sounds, func(a, b vision.Sound) int { return int(math.Copysign(1, a.Ms-b.Ms)) })
}

// blind takes bat and ball away: only the hands tell when the ball is met.
func blind(tr *vision.Track) {
	for i := range tr.Frames {
		tr.Frames[i].Knob, tr.Frames[i].Tip, tr.Frames[i].Ball = vision.Mark{}, vision.Mark{}, vision.Mark{}
	}
}

func TestCrack(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 0x637261636b))
	var with, without tally
	for _, f := range committed(t) {
		contact := eventMs(t, f, Contact)
		for seed := range uint64(6) {
			tr, err := truth.Track(f, truth.Options{Seed: seed, NoisePx: 1, No3D: true})
			if err != nil {
				t.Fatal(err)
			}
			blind(tr)
			dumb, err := Find(*tr)
			if err != nil {
				t.Fatal(err)
			}
			listen(tr, f, 10*rng.NormFloat64(), map[float64]float64{contact: 30, contact + 28: 22, contact - 620: 18})
			got, err := Find(*tr)
			if err != nil {
				t.Fatal(err)
			}
			e, d := eventOf(got, Contact), eventOf(dumb, Contact)
			t.Logf("%s %.1f±%.1f -> %.1f±%.1f", f.Name, d.Ms-contact, d.SigmaMs, e.Ms-contact, e.SigmaMs)
			with.add(e, contact, f.FPS)
			without.add(d, contact, f.FPS)
			if dumb.Result != ResultUnknown {
				t.Errorf("%s: result %s without ball or sound", f.Name, dumb.Result)
			}
			heard := strings.Contains(strings.Join(e.Evidence, ";"), "crack")
			if heard != (got.Result == ResultHit) {
				t.Errorf("%s: result %s (%s) from %q", f.Name, got.Result, got.ResultWhy, e.Evidence)
			}
			if !heard && math.Abs(tr.Sounds[1].Ms-d.Ms) < crackReachMs {
				t.Errorf("%s: the crack was not heard: contact at %.0f ± %.0f, sounds %v", f.Name, d.Ms, d.SigmaMs, tr.Sounds)
			}
		}
	}
	t.Logf("bat not seen, no sound: %v", &without)
	t.Logf("bat not seen, sound:    %v", &with)
	if mean(abs(with.ms)) > 0.8*mean(abs(without.ms)) {
		t.Error("the crack helps little")
	}
	if with.covered() < 0.9 {
		t.Errorf("95 %% intervals hold the truth in %.0f %%", 100*with.covered())
	}
}

func abs(x []float64) []float64 {
	out := slices.Clone(x)
	for i := range out {
		out[i] = math.Abs(out[i])
	}
	return out
}

// Sounds that are not the bat's change nothing.
func TestOtherSounds(t *testing.T) {
	for _, f := range committed(t) {
		contact := eventMs(t, f, Contact)
		for _, c := range []struct {
			name   string
			sounds map[float64]float64
		}{
			{"the mitt's pop", map[float64]float64{contact + 55: 30}},
			{"a clap before", map[float64]float64{contact - 200: 35}},
			{"hammering", map[float64]float64{contact - 700: 30, contact - 550: 30, contact - 410: 30, contact - 260: 30, contact - 130: 30,
				contact + 5: 30, contact + 160: 30, contact + 300: 30, contact + 440: 30}},
		} {
			tr, err := truth.Track(f, truth.Options{Seed: 2, NoisePx: 1, BatNoisePx: 1, No3D: true})
			if err != nil {
				t.Fatal(err)
			}
			watch(t, tr, f, 1, func(float64) bool { return false })
			want, err := Find(*tr)
			if err != nil {
				t.Fatal(err)
			}
			listen(tr, f, 0, c.sounds)
			got, err := Find(*tr)
			if err != nil {
				t.Fatal(err)
			}
			if a, b := eventOf(want, Contact), eventOf(got, Contact); got.Result != ResultUnknown || a.Ms != b.Ms || a.SigmaMs != b.SigmaMs {
				t.Errorf("%s, %s: %s (%s), contact from %.2f ± %.2f to %.2f ± %.2f", f.Name, c.name, got.Result, got.ResultWhy, a.Ms, a.SigmaMs, b.Ms, b.SigmaMs)
			}
		}
	}
}

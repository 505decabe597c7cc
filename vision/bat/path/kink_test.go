package path

import (
	"math"
	"math/rand/v2"
	"testing"
)

// turned is a bat of 33 in that turns in the picture plane about the knob, up
// to 35 rad/s, and at 100 ms loses a share of its turn; ends are seen with a
// fifth of an inch of noise, 5 px per inch.
func turned(loss float64, seed uint64) []Sight {
	const fps, scale, hit = 240.0, 5.0, 0.1
	rng := rand.New(rand.NewPCG(seed, 2))
	var sights []Sight
	turn := -2.0
	for i := range 60 {
		for range 20 { // steps of a twentieth of a frame
			t := (float64(i) - 30) / fps
			rate := 35 * math.Exp(-t*t/0.05/0.05/2)
			if float64(i)/fps > hit {
				rate *= 1 - loss
			}
			turn += rate / fps / 20
		}
		see := func(r float64) []Peak {
			x, y := 400+r*scale*math.Cos(turn), 300+r*scale*math.Sin(turn)
			return []Peak{{X: x + 0.2*scale*rng.NormFloat64(), Y: y + 0.2*scale*rng.NormFloat64(), SigmaPx: 0.2 * scale, Score: 0.95}}
		}
		sights = append(sights, Sight{Index: i, Ms: float64(i) / fps * 1000, Knobs: see(0), Tips: see(33)})
	}
	return sights
}

func TestKink(t *testing.T) {
	var held, hits, alarms int
	const n = 40
	for seed := range uint64(n) {
		o := Options{PxPerIn: 5, BatIn: 33}
		hit, err := Smooth(turned(0.45, seed), o)
		if err != nil {
			t.Fatal(err)
		}
		miss, err := Smooth(turned(0, seed), o)
		if err != nil {
			t.Fatal(err)
		}
		if !hit.Kink.Found || !miss.Kink.Found {
			t.Fatalf("seed %d: not looked for: %+v, %+v", seed, hit.Kink, miss.Kink)
		}
		if hit.Kink.LogLR > 3 {
			hits++
		}
		if miss.Kink.LogLR > 3 {
			alarms++
		}
		if math.Abs(hit.Kink.Ms-100) < 1.96*hit.Kink.SigmaMs {
			held++
		}
	}
	t.Logf("a loss of 45 %% seen in %d of %d, one of nothing in %d; time within its sigma %d", hits, n, alarms, held)
	if hits < n/2 {
		t.Errorf("a bat that loses 45 %% of its turn: likelier than not by e³ in %d of %d, want 20", hits, n)
	}
	if alarms > n/10 {
		t.Errorf("a bat that loses nothing: likelier than not by e³ in %d of %d, want 4 at most", alarms, n)
	}
	if held < n*9/10 {
		t.Errorf("the time's 95 %% interval holds %d of %d", held, n)
	}
}

func TestKinkNeedsASwing(t *testing.T) {
	var sights []Sight
	for i := range 100 {
		sights = append(sights, Sight{Index: i, Ms: float64(i) * 4, Knobs: []Peak{{X: 300, Y: 200, SigmaPx: 1, Score: 0.9}},
			Tips: []Peak{{X: 300, Y: 60, SigmaPx: 1, Score: 0.9}}})
	}
	r, err := Smooth(sights, Options{PxPerIn: 5, BatIn: 33})
	if err != nil {
		t.Fatal(err)
	}
	if r.Kink.Found {
		t.Errorf("a bat held still has a kink: %+v", r.Kink)
	}
}

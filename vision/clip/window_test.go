package clip

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// film is made-up change: noise, with what is added at known times.
type film struct{ ms, energy []float64 }

func newFilm(seconds, fps float64, seed uint64) film {
	rng := rand.New(rand.NewPCG(seed, 0))
	var f film
	for i := range int(seconds * fps) {
		f.ms = append(f.ms, float64(i)*1000/fps)
		f.energy = append(f.energy, 0.02*rng.Float64())
	}
	return f
}

// hump adds change that rises and falls about a time, by width ms each way.
func (f film) hump(centre, height, width float64) film {
	for i, ms := range f.ms {
		f.energy[i] += height * math.Exp(-0.5*math.Pow((ms-centre)/width, 2))
	}
	return f
}

// walk adds somebody who walks through from one time to another.
func (f film) walk(from, to, height float64) film {
	for i, ms := range f.ms {
		if ms >= from && ms < to {
			f.energy[i] += height * (1 + 0.2*math.Sin(ms/90))
		}
	}
	return f
}

func TestBursts(t *testing.T) {
	for _, c := range []struct {
		name string
		film film
		cuts []int
		want []float64 // ms, the strongest bursts, in any order
	}{
		{"a swing in ten seconds", newFilm(10, 240, 1).hump(6000, 0.5, 60), nil, []float64{6000}},
		{"at 30 pictures a second", newFilm(10, 30, 2).hump(6000, 3, 60), nil, []float64{6000}},
		{"walking up takes longer and moves more in all", newFilm(10, 60, 3).hump(2000, 2.2, 900).hump(7000, 3, 60), nil, []float64{7000}},
		{"somebody walks past all the while", newFilm(20, 60, 4).walk(0, 20e3, 1).hump(5000, 1, 60).hump(12000, 1, 60), nil, []float64{5000, 12000}},
		{"five swings of different speed", newFilm(60, 30, 5).hump(8e3, 2, 60).hump(15e3, 1, 70).hump(22e3, 3, 50).hump(33e3, 1.5, 60).hump(50e3, 2, 60), nil,
			[]float64{8e3, 15e3, 22e3, 33e3, 50e3}},
		{"swings in short scenes", newFilm(6, 60, 6).hump(1000, 2, 60).hump(3000, 0.5, 60).hump(5000, 1, 60), []int{120, 240}, []float64{1000, 3000, 5000}},
		{"the jump at a cut is no motion", newFilm(8, 60, 7).hump(2000, 1, 60).hump(4000, 300, 1), []int{240}, []float64{2000}},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := Bursts(c.film.energy, c.film.ms, c.cuts)
			if len(got) < len(c.want) {
				t.Fatalf("%d bursts, want %d: %+v", len(got), len(c.want), got)
			}
			strong := got[:len(c.want)]
			for _, want := range c.want {
				if !slices.ContainsFunc(strong, func(b Burst) bool { return math.Abs(b.Ms-want) < 60 && c.film.ms[b.At] == b.Ms }) {
					t.Errorf("no burst at %.0f ms among the strongest: %+v", want, strong)
				}
			}
			if !slices.IsSortedFunc(got, func(a, b Burst) int { return int(math.Copysign(1, b.Strength-a.Strength)) }) {
				t.Errorf("not the strongest first: %+v", got)
			}
			for i, b := range got {
				if i >= len(c.want) && b.Strength > strong[len(strong)-1].Strength/3 {
					t.Errorf("burst at %.0f ms, strength %.3g, beside %.3g", b.Ms, b.Strength, strong[len(strong)-1].Strength)
				}
			}
		})
	}
	still := make([]float64, 600)
	if got := Bursts(still, newFilm(10, 60, 0).ms, nil); len(got) != 0 {
		t.Errorf("nothing moves: %+v", got)
	}
	for n := range 3 {
		if got := Bursts(make([]float64, n), make([]float64, n), nil); len(got) != 0 {
			t.Errorf("%d pictures: %+v", n, got)
		}
	}
}

func TestWindows(t *testing.T) {
	ms := newFilm(20, 100, 0).ms
	at := func(times ...float64) (out []Burst) {
		for _, x := range times {
			out = append(out, Burst{At: int(x / 10), Ms: x})
		}
		return out
	}
	for _, c := range []struct {
		name   string
		bursts []Burst
		cuts   []int
		want   [][2]int
	}{
		{"alone", at(6000), nil, [][2]int{{440, 680}}},
		{"in order of time", at(12000, 6000), nil, [][2]int{{440, 680}, {1040, 1280}}},
		{"at the ends", at(1000, 19900), nil, [][2]int{{0, 180}, {1830, 2000}}},
		{"close together", at(6000, 7500), nil, [][2]int{{440, 650}, {650, 830}}},
		{"a cut before and one after", at(6000), []int{500, 640}, [][2]int{{500, 640}}},
		{"a cut elsewhere", at(6000), []int{100, 1500}, [][2]int{{440, 680}}},
	} {
		if got := Windows(c.bursts, ms, c.cuts); fmt.Sprint(got) != fmt.Sprint(c.want) {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
}

// The burst is at contact: within 0.1 s of it on the rendered swings, with
// quiet seconds around them.
func TestBurstIsAtContact(t *testing.T) {
	for _, name := range []string{"s77001_00", "s77001_04", "s77001_06"} {
		path, f, _, _ := fullOf(t, name)
		c, s := scanned(t, path)
		step := 1000 / f.FPS
		quiet := s.Energy()[1 : len(c.Times)/5]
		var e []float64
		for float64(len(e))*step < 4000 {
			e = append(e, quiet...)
		}
		before := len(e)
		e = append(e, s.Energy()...)
		for range int(4000/step)/len(quiet) + 1 {
			e = append(e, quiet...)
		}
		ms := make([]float64, len(e))
		for i := range ms {
			ms[i] = float64(i) * step
		}
		contact, ok := f.EventMs("contact")
		if !ok {
			t.Fatal("no contact")
		}
		got := Bursts(e, ms, nil)
		if len(got) == 0 || math.Abs(got[0].Ms-ms[before]-contact) > 100 {
			t.Errorf("%s: contact at %.0f ms, bursts %+v", name, ms[before]+contact, got)
		}
	}
}

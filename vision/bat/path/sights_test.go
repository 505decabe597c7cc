package path

import (
	"math"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"testing"

	"nightcage/vision"
	"nightcage/vision/truth"
)

// rendered are the truth files of the repository's clips.
func rendered(t *testing.T) []*truth.File {
	t.Helper()
	names, err := filepath.Glob("../../../testdata/clips/*.json.gz")
	if err != nil || len(names) == 0 {
		t.Fatalf("no truth files: %v", err)
	}
	var files []*truth.File
	for _, n := range names {
		f, err := truth.Read(n)
		if err != nil {
			t.Fatal(err)
		}
		files = append(files, f)
	}
	return files
}

// clone is a truth file whose frames may be changed.
func clone(f *truth.File) *truth.File {
	c := *f
	c.Frames = slices.Clone(f.Frames)
	return &c
}

// shot is one clip's made-up sights with the truth they came from.
type shot struct {
	file    *truth.File
	rng     *rand.Rand
	scale   float64 // px per inch at the body
	contact float64 // ms
	sights  []Sight
	options Options
}

// during says whether frame i lies between a and b ms from contact.
func (s *shot) during(i int, a, b float64) bool {
	ms := s.file.Frames[i].Ms - s.contact
	return ms >= a && ms <= b
}

// see makes sights as a finder would have: ends within a fifth of an inch when
// sharp, a knob's error that stays for 30 ms, errors and losses that grow with
// the blur, a weak wrong peak in every frame, and a pose network's hands, off
// by 1.5 % of body height at rest and 6.5 % at full speed. A lost end is a
// wrong peak: mostly with a large sigma, one in seven with a small one, half of
// the time with the true place second. The numbers are those of a first
// experiment with such a network.
func see(f *truth.File, seed uint64) *shot {
	s := &shot{file: f, rng: rand.New(rand.NewPCG(seed, 1))}
	s.contact, _ = f.EventMs("contact")
	s.scale = f.PxPerIn(0, f.Frames[0].Joints["pelvis_centre"].XYZ) * (1 + 0.02*s.rng.NormFloat64())
	s.options = Options{BatIn: f.Bat.LengthIn, PxPerIn: s.scale, ScaleSigmaRel: 0.02}
	keep := math.Exp(-1 / f.FPS / 0.03)
	var slow [4]float64
	for i := range f.Frames {
		fr := &f.Frames[i]
		speed := 0.0 // in/s
		if i > 0 {
			before := &f.Frames[i-1]
			speed = math.Hypot(fr.Tip.X-before.Tip.X, fr.Tip.Y-before.Tip.Y) / s.scale * f.FPS
		}
		for j := range slow {
			slow[j] = keep*slow[j] + math.Sqrt(1-keep*keep)*s.rng.NormFloat64()
		}
		hand := (0.015 + 0.05*math.Min(1, speed/700)) * f.Hitter.HeightIn * s.scale
		g := Sight{Index: i, Ms: fr.Ms, Width: float64(f.Width), Height: float64(f.Height)}
		for side, l := range []vision.Landmark{vision.LeftHand, vision.RightHand} {
			p, _ := f.Landmark(i, l)
			g.Hands[side] = vision.Mark{X: p.X + slow[0]*hand, Y: p.Y + slow[1]*hand, SigmaPx: hand, Seen: 1, How: vision.HowNetwork}
		}
		lost, sigma := 0.005, 0.18
		switch blur := speed * f.ShutterS; {
		case blur > 6:
			lost, sigma = 0.2, 0.9
		case blur > 3:
			lost, sigma = 0.06, 0.5
		case blur > 1:
			lost, sigma = 0.015, 0.3
		}
		g.Tips = s.peaks(fr.Tip, g.Hands[0], sigma, lost, 0, 0)
		g.Knobs = s.peaks(fr.Knob, g.Hands[0], 0.25+0.3*sigma, 0.02+lost/2, 0.4*slow[2], 0.4*slow[3])
		s.sights = append(s.sights, g)
	}
	return s
}

func (s *shot) peaks(p truth.Point, near vision.Mark, sigma, lost, biasX, biasY float64) []Peak {
	good := Peak{X: p.X + (s.rng.NormFloat64()*sigma+biasX)*s.scale, Y: p.Y + (s.rng.NormFloat64()*sigma+biasY)*s.scale,
		SigmaPx: sigma * s.scale * math.Exp(0.3*s.rng.NormFloat64()) / 1.3, Score: 0.8 + 0.15*s.rng.Float64()}
	bad := Peak{X: near.X + (s.rng.Float64()-0.5)*80*s.scale, Y: near.Y + (s.rng.Float64()-0.5)*80*s.scale, SigmaPx: 2 * s.scale, Score: 0.05}
	if s.rng.Float64() >= lost {
		return []Peak{good, bad}
	}
	bad.Score, bad.SigmaPx = 0.5+0.3*s.rng.Float64(), 5*s.scale*s.rng.Float64()
	if s.rng.Float64() < 0.15 {
		bad.SigmaPx = 0.3 * s.scale
	}
	if s.rng.Float64() < 0.5 {
		good.Score = 0.15
		return []Peak{bad, good}
	}
	return []Peak{bad}
}

// line is the bat's axis in frame i as the motion between frames shows it; ok
// is false for a bat too short in the picture.
func (s *shot) line(i int) (l Line, ok bool) {
	fr := &s.file.Frames[i]
	x, y := fr.Tip.X-fr.Knob.X, fr.Tip.Y-fr.Knob.Y
	long := math.Hypot(x, y)
	if long < 8*s.scale {
		return Line{}, false
	}
	turn, off := math.Atan2(y, x)+0.02*s.rng.NormFloat64(), 0.5*s.scale*s.rng.NormFloat64()
	return Line{X: fr.Knob.X + 0.55*x - y/long*off, Y: fr.Knob.Y + 0.55*y + x/long*off, DX: math.Cos(turn), DY: math.Sin(turn),
		SigmaPx: 0.5 * s.scale, SigmaDeg: 1.5, ReachPx: 0.45*long + s.scale*s.rng.NormFloat64(), Score: 0.6, How: vision.HowEdges}, true
}

// score gathers errors: inches at the end's own scale, degrees, and per
// coordinate over the stated sigma.
type score struct {
	tip, knob, angle             []float64
	tipOver, knobOver, angleOver []float64
	absent                       int
}

func (c *score) add(s *shot, r Result, from, to float64) {
	for i, fr := range r.Frames {
		if !s.during(i, from, to) {
			continue
		}
		if !fr.Tip.Found() || !fr.Knob.Found() {
			c.absent++
			continue
		}
		t := &s.file.Frames[i]
		for _, e := range []struct {
			at       truth.Point
			m        vision.Mark
			in, over *[]float64
		}{{t.Tip, fr.Tip, &c.tip, &c.tipOver}, {t.Knob, fr.Knob, &c.knob, &c.knobOver}} {
			x, y := e.m.X-e.at.X, e.m.Y-e.at.Y
			*e.in = append(*e.in, math.Hypot(x, y)/s.file.PxPerIn(i, e.at.XYZ))
			*e.over = append(*e.over, math.Abs(x)/e.m.SigmaPx, math.Abs(y)/e.m.SigmaPx)
		}
		a := math.Atan2(fr.Tip.Y-fr.Knob.Y, fr.Tip.X-fr.Knob.X) - math.Atan2(t.Tip.Y-t.Knob.Y, t.Tip.X-t.Knob.X)
		a = math.Abs(math.Remainder(a, 2*math.Pi)) * 180 / math.Pi
		c.angle = append(c.angle, a)
		c.angleOver = append(c.angleOver, a/fr.AngleSigmaDeg)
	}
}

func quantile(v []float64, q float64) float64 {
	v = slices.Sorted(slices.Values(v))
	return v[int(q*float64(len(v)-1)+0.5)]
}

// held is the share within 1.96 of the stated sigma.
func held(over []float64) float64 {
	in := 0
	for _, z := range over {
		if z <= 1.96 {
			in++
		}
	}
	return float64(in) / float64(len(over))
}

package path

import (
	"math"
	"slices"

	"nightcage/vision"
)

// Measurement errors of a peak the network is sure of, inches. The network's
// own sigma serves only to tell a doubtful peak (a first experiment: fed
// literally it made the path worse than a constant 0.2-0.3 in, while as a gate
// at 1 in it caught every lost tip).
const (
	tipErrorIn  = 0.25
	knobErrorIn = 0.4
	doubtIn     = 0.7 // sigma beyond which a peak counts as doubtful
	doubtGrowth = 1.5 // the network's sigmas are a third to a half too small

	// A tip that stays within stillTipIn for up to stillMs while the hands go
	// stillHandsIn and more is believed by stillShare of its score.
	stillTipIn   = 0.8
	stillHandsIn = 4.0
	stillMs      = 100.0
	stillShare   = 0.15

	borderIn = 1.5 // nearer the border than this a tip may be where the picture cuts the bat

	reachErrorIn = 3.0 // of the far end of a line: blur and clutter shorten and lengthen it

	// swapShare is the belief, as a share of its score, that a peak of one end
	// is really the other end: seen in one-handed finishes.
	swapShare = 0.04

	// Errors that stay for a while count once per while, not once per frame.
	// A pose network's hands are off for some 30 ms on end through blur, and
	// how much a line is foreshortened changes with the turn of the bat.
	handHoldS = 0.03
	lineHoldS = 0.05

	// lineShare is how long a bat that shows as a line looks against its
	// length: anything from a third to a tenth more.
	lineShare      = 0.7
	lineShareSigma = 0.35
)

// scene is the clip's sights in inches with what is known of the bat.
type scene struct {
	sights []Sight
	scale  float64   // px per inch
	bat    float64   // length, inches
	batMax float64   // longest the bat may look, inches
	gaps   []float64 // seconds: how far apart the frames about each one lie

	// Per frame: candidates for either end, swapped ones last, and for the axis.
	tips, knobs [][]Peak
	lines       [][]Line
}

func newScene(sights []Sight, o Options) scene {
	s := scene{sights: sights, scale: o.PxPerIn, bat: o.BatIn}
	spread := 0.0
	if !(s.bat > 0) {
		s.bat, spread = 33, 2.0/33
	}
	s.batMax = s.bat * nearGain * (1 + 2*math.Hypot(spread, o.ScaleSigmaRel))
	for i := range sights {
		g := &sights[i]
		s.tips = append(s.tips, withSwapped(g.Tips, g.Knobs))
		s.knobs = append(s.knobs, withSwapped(g.Knobs, g.Tips))
		s.lines = append(s.lines, slices.Clone(g.Lines))
		s.cutLines(i)
		s.cutTips(i)
		lo, hi := max(i-1, 0), min(i+1, len(sights)-1)
		s.gaps = append(s.gaps, (sights[hi].Ms-sights[lo].Ms)/1000/max(1, float64(hi-lo)))
	}
	s.steady()
	s.stillTips()
	return s
}

// steady takes everything seen to the still background's px, so that a camera
// that shakes or follows the hitter does not shake the path.
func (s *scene) steady() {
	s.sights = slices.Clone(s.sights)
	for i := range s.sights {
		g := &s.sights[i]
		m, moved := camera(g.Shift)
		if !moved {
			continue
		}
		for _, peaks := range [][]Peak{s.tips[i], s.knobs[i]} {
			for j := range peaks {
				peaks[j].X, peaks[j].Y = m.Apply(peaks[j].X, peaks[j].Y)
			}
		}
		for j := range s.lines[i] {
			l := &s.lines[i][j]
			l.X, l.Y = m.Apply(l.X, l.Y)
			x, y := m.A*l.DX+m.B*l.DY, m.C*l.DX+m.D*l.DY
			long := math.Hypot(x, y)
			l.DX, l.DY = x/long, y/long
		}
		for j := range g.Hands {
			g.Hands[j].X, g.Hands[j].Y = m.Apply(g.Hands[j].X, g.Hands[j].Y)
		}
	}
}

// stillTips doubts tips that stay where they are while the hands go elsewhere:
// a fence rail's end, a second bat.
func (s *scene) stillTips() {
	still := make([][]bool, len(s.sights))
	for f := range s.sights {
		still[f] = make([]bool, len(s.sights[f].Tips))
	}
	for f := range s.sights {
		here := s.hands(f)
		for g := f + 1; here != nil && g < len(s.sights) && s.sights[g].Ms-s.sights[f].Ms <= stillMs; g++ {
			there := s.hands(g)
			if there == nil {
				continue
			}
			gone := math.Hypot(there[0].z-here[0].z, there[1].z-here[1].z)
			if gone < stillHandsIn || gone < 3*math.Sqrt(here[0].r+there[0].r) {
				continue
			}
			for a := range still[f] {
				for b := range still[g] {
					p, q := s.tips[f][a], s.tips[g][b]
					if math.Hypot(p.X-q.X, p.Y-q.Y) < stillTipIn*s.scale {
						still[f][a], still[g][b] = true, true
					}
				}
			}
		}
	}
	for f := range still {
		for a, yes := range still[f] {
			if yes {
				s.tips[f][a].Score *= stillShare
			}
		}
	}
}

// cutLines forgets how far a line reaches where the picture's border ends it.
func (s *scene) cutLines(f int) {
	for j := range s.lines[f] {
		if l := &s.lines[f][j]; l.ReachPx > 0 && s.cut(f, l.X+l.DX*l.ReachPx, l.Y+l.DY*l.ReachPx) {
			l.ReachPx = 0
		}
	}
}

// cutTips makes axes of the tips of frame f that lie where the picture may have
// cut the bat off: such a tip lies on the bat, but not at its end. The axis runs
// from the likeliest knob, or from the hands.
func (s *scene) cutTips(f int) {
	g := &s.sights[f]
	from, sigma, ok := Peak{}, 0.0, false
	if len(g.Knobs) > 0 {
		from, sigma, ok = g.Knobs[0], math.Sqrt(s.endVar(g.Knobs[0], ofKnob))*s.scale, true
	} else if h := s.hands(f); h != nil {
		from, sigma, ok = Peak{X: h[0].z * s.scale, Y: h[1].z * s.scale}, math.Sqrt(h[0].r)*s.scale, true
	}
	for j := range g.Tips {
		p := &s.tips[f][j]
		if !s.cut(f, p.X, p.Y) {
			continue
		}
		x, y := p.X-from.X, p.Y-from.Y
		if long := math.Hypot(x, y); ok && long > 3*sigma {
			own := math.Sqrt(s.endVar(*p, ofTip)) * s.scale
			s.lines[f] = append(s.lines[f], Line{X: p.X, Y: p.Y, DX: x / long, DY: y / long, SigmaPx: own,
				SigmaDeg: math.Hypot(sigma, own) / long * 180 / math.Pi, Score: p.Score, How: vision.HowNetwork})
		}
		p.Score = 0
	}
}

func withSwapped(own, other []Peak) []Peak {
	all := slices.Clone(own)
	for _, p := range other {
		p.Score *= swapShare
		all = append(all, p)
	}
	return all
}

// shared says whether a tip and a knob of frame f are one and the same peak.
func (s *scene) shared(f, tip, knob int) bool {
	if tip < 0 || knob < 0 {
		return false
	}
	g := &s.sights[f]
	return tip-len(g.Tips) == knob || knob-len(g.Knobs) == tip
}

// held is by how much to grow the variance of an error of frame f that stays for
// about hold seconds, so that many frames of it say no more than they do.
func (s *scene) held(f int, hold float64) float64 {
	if s.gaps[f] <= 0 {
		return 1
	}
	return 1 + 2*hold/s.gaps[f]
}

// pick says which candidates of a frame are taken for the bat; -1: none.
type pick struct{ tip, knob, line int }

var nothing = pick{-1, -1, -1}

// kind is what a row measures.
type kind int

const (
	ofTip kind = iota
	ofKnob
	ofLine
	ofReach
	ofHands
	ofLength
)

// endRows measures one end of the bat: K for the knob, K + D for the tip.
func (s *scene) endRows(p Peak, k kind) [2]row {
	r := s.endVar(p, k)
	c := 0.0
	if k == ofTip {
		c = 1
	}
	return [2]row{
		{at: [4]int{kx, dx}, co: [4]float64{1, c}, z: p.X / s.scale, r: r},
		{at: [4]int{ky, dy}, co: [4]float64{1, c}, z: p.Y / s.scale, r: r},
	}
}

func (s *scene) endVar(p Peak, k kind) float64 {
	base := knobErrorIn
	if k == ofTip {
		base = tipErrorIn
	}
	doubt := math.Max(0, p.SigmaPx/s.scale-doubtIn) * doubtGrowth
	return base*base + doubt*doubt
}

// cut says whether a place lies where the picture may have cut the bat off.
func (s *scene) cut(f int, x, y float64) bool {
	g, m := &s.sights[f], borderIn*s.scale
	return g.Width > 0 && (x < m || y < m || x > g.Width-1-m || y > g.Height-1-m)
}

// along is the direction in which to linearise a line, and the length of D
// there. It is the state's own, not the line's: a noisy normal times D would
// pull D toward nothing (the bias of bearings-only tracking). Only a state that
// has no direction yet, or quite another one, takes the line's.
func (s *scene) along(l Line, x *vec) (ux, uy, long float64) {
	long = math.Hypot(x[dx], x[dy])
	if long > s.bat/4 && (x[dx]*l.DX+x[dy]*l.DY)/long > 0.5 {
		return x[dx] / long, x[dy] / long, long
	}
	return l.DX, l.DY, math.Max(long, s.bat/4)
}

// axisRows measures that the axis passes through the line's point and that the
// bat points along it, linearised at x.
func (s *scene) axisRows(l Line, x *vec) []row {
	ux, uy, long := s.along(l, x)
	px, py := l.X/s.scale, l.Y/s.scale
	t := ((px-x[kx])*ux + (py-x[ky])*uy) / long
	t = math.Min(math.Max(t, 0), 1)
	across, turn := l.SigmaPx/s.scale, l.SigmaDeg*math.Pi/180*long
	off := long * math.Atan2(ux*l.DY-uy*l.DX, ux*l.DX+uy*l.DY)
	return []row{
		{at: [4]int{kx, ky, dx, dy}, co: [4]float64{-uy, ux, -t * uy, t * ux}, z: -uy*px + ux*py, r: across * across},
		{at: [4]int{dx, dy}, co: [4]float64{-uy, ux}, z: off, r: turn * turn},
	}
}

// reachRows measures how long the bat may look in frame f and, where the line has
// an end, that the tip is there. They are for frames in which the tip itself was
// not seen: blur and a barrel of the background's colour shorten a line.
func (s *scene) reachRows(f int, l Line, x *vec, p *cov) []row {
	ux, uy, _ := s.along(l, x)
	base := sq(lineShareSigma * s.bat)
	known := ux*ux*p[dx][dx] + 2*ux*uy*p[dx][dy] + uy*uy*p[dy][dy]
	rows := []row{{at: [4]int{dx, dy}, co: [4]float64{ux, uy}, z: lineShare * s.bat,
		r: base * (1 + (s.held(f, lineHoldS)-1)*math.Min(1, base/known))}}
	if l.ReachPx > 0 {
		rows = append(rows, row{at: [4]int{kx, ky, dx, dy}, co: [4]float64{ux, uy, ux, uy},
			z: (ux*l.X + uy*l.Y + l.ReachPx) / s.scale, r: sq(reachErrorIn)})
	}
	return rows
}

// handRows measures the middle of the hands; none when neither is found. Their
// error stays for a while.
func (s *scene) handRows(f int) []row {
	rows := s.hands(f)
	for i := range rows {
		rows[i].r *= s.held(f, handHoldS)
	}
	return rows
}

// hands is handRows for a frame on its own.
func (s *scene) hands(f int) []row {
	var x, y, v, m float64
	for _, h := range s.sights[f].Hands {
		if h.Found() {
			x, y, v, m = x+h.X, y+h.Y, v+h.SigmaPx*h.SigmaPx, m+1
		}
	}
	if m == 0 {
		return nil
	}
	sigma := math.Hypot(math.Sqrt(v)/m/s.scale, gripSigmaIn)
	if m == 1 {
		sigma = math.Hypot(sigma, fistIn/2)
	}
	r := sigma * sigma
	return []row{
		{at: [4]int{kx, dx}, co: [4]float64{1, gripShare}, z: x / m / s.scale, r: r},
		{at: [4]int{ky, dy}, co: [4]float64{1, gripShare}, z: y / m / s.scale, r: r},
	}
}

// lengthRow draws a bat that looks longer than it can be back to its bound;
// ok is false when x needs none.
func (s *scene) lengthRow(x *vec) (w row, ok bool) {
	long := math.Hypot(x[dx], x[dy])
	if long <= s.batMax {
		return row{}, false
	}
	return row{at: [4]int{dx, dy}, co: [4]float64{x[dx] / long, x[dy] / long}, z: s.batMax, r: 0.5 * 0.5}, true
}

// turnRow does the same for the speed of D.
func (s *scene) turnRow(x *vec) (w row, ok bool) {
	v := math.Hypot(x[dx+1], x[dy+1])
	most := maxTurn * s.batMax
	if v <= most {
		return row{}, false
	}
	return row{at: [4]int{dx + 1, dy + 1}, co: [4]float64{x[dx+1] / v, x[dy+1] / v}, z: most, r: 0.01 * most * most}, true
}

// fistIn is the distance between the middles of two fists on a handle.
const fistIn = 3.35

func sq(x float64) float64 { return x * x }

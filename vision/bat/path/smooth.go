package path

import (
	"math"

	"nightcage/vision"
)

const (
	// lostIn is the standard error of an end, inches, from which it counts as
	// not found: a third of a bat.
	lostIn = 10.0

	// Errors that do not average out over frames, inches, and the share of a
	// peak's own sigma that does not: while the picture hardly changes, nor
	// does what the network makes of it. A knob under a fist stays under it.
	tipBiasIn     = 0.15
	knobBiasIn    = 0.25
	tipBiasShare  = 0.6
	knobBiasShare = 0.8

	// biasReachS is how far around a frame (s) peaks count for its bias.
	biasReachS = 0.04

	// anyAngle is the standard deviation of a direction of which nothing is
	// known, degrees: 360/√12.
	anyAngle = 103.9
)

// Smooth makes one path of the clip's sights, which must be in ascending time.
// It keeps nothing and changes nothing it was given. Frames in which neither
// their own sights nor the neighbours' say where an end is have that end not
// found (vision.HowNone).
//
// An end's How is that of the frame's own evidence if the path rests on it:
// HowNetwork for a peak, HowEdges or what the line says for a line, and
// HowModel for a frame bridged from its neighbours.
func Smooth(sights []Sight, o Options) (Result, error) {
	if err := check(sights, o); err != nil {
		return Result{}, err
	}
	if len(sights) == 0 {
		return Result{}, nil
	}
	s := newScene(sights, o)
	f := s.fit(s.follow())
	return s.result(f), nil
}

func (s *scene) result(f fitted) Result {
	var r Result
	for i := range s.sights {
		x, p := &f.x[i], &f.p[i]
		fr := Frame{Index: s.sights[i].Index, Ms: s.sights[i].Ms}
		t := f.trust[i]
		knobBias, tipBias, wildKnob, wildTip := s.bias(&f, i)
		fr.Knob = s.mark(i, x[kx], x[ky], wildKnob*((p[kx][kx]+p[ky][ky])/2+knobBias*knobBias), s.how(i, f.picks[i].knob, t.knob, f.picks[i].line, t.line), t.knob)
		fr.Tip = s.mark(i, x[kx]+x[dx], x[ky]+x[dy], wildTip*((tipVar(p, 0)+tipVar(p, 3))/2+tipBias*tipBias), s.how(i, f.picks[i].tip, t.tip, f.picks[i].line, t.line), t.tip)
		if fr.Knob.Found() && fr.Tip.Found() {
			fr.AngleSigmaDeg = angleSigma(x, p, math.Hypot(knobBias, tipBias), math.Max(wildKnob, wildTip))
		}
		if v := tipSpeed(x); fr.Tip.Found() && v > r.FastestInS {
			r.FastestInS, r.FastestMs = v, fr.Ms
		}
		r.Frames = append(r.Frames, fr)
	}
	r.Kink = s.kink(&f)
	return r
}

// bias is the error of frame i's knob and tip, inches, that their neighbours
// share: the finder's own sigma near there, averaged by how far the fit
// believed it. wild is by how much the picks near there scatter about the path
// beyond what was expected of them (mean square, at least 1): where they do, on
// poor video, everything else about them is worse as well.
func (s *scene) bias(f *fitted, i int) (knob, tip, wildKnob, wildTip float64) {
	var ks, kw, kr, kn, ts, tw, tr, tn float64
	take := func(j int) {
		p, t, r := f.picks[j], f.trust[j], f.rest[j]
		if p.knob >= 0 {
			ks, kw, kr, kn = ks+t.knob*s.knobs[j][p.knob].SigmaPx, kw+t.knob, kr+r.knob, kn+1
		}
		if p.tip >= 0 {
			ts, tw, tr, tn = ts+t.tip*s.tips[j][p.tip].SigmaPx, tw+t.tip, tr+r.tip, tn+1
		}
	}
	const ms = biasReachS * 1000
	for j := i; j >= 0 && s.sights[i].Ms-s.sights[j].Ms <= ms; j-- {
		take(j)
	}
	for j := i + 1; j < len(s.sights) && s.sights[j].Ms-s.sights[i].Ms <= ms; j++ {
		take(j)
	}
	knob, tip, wildKnob, wildTip = knobBiasIn, tipBiasIn, 1, 1
	if kw > 0 {
		knob, wildKnob = math.Hypot(knob, knobBiasShare*ks/kw/s.scale), math.Max(1, kr/kn)
	}
	if tw > 0 {
		tip, wildTip = math.Hypot(tip, tipBiasShare*ts/tw/s.scale), math.Max(1, tr/tn)
	}
	return knob, tip, wildKnob, wildTip
}

// tipVar is the variance of K + D along one axis (0: x, 3: y).
func tipVar(p *cov, axis int) float64 {
	a, b := kx+axis, dx+axis
	return p[a][a] + 2*p[a][b] + p[b][b]
}

func (s *scene) mark(i int, x, y, v float64, how vision.How, seen float64) vision.Mark {
	sigma := math.Sqrt(v)
	if !(sigma < lostIn) {
		return vision.Mark{}
	}
	m, _ := camera(s.sights[i].Shift)
	x, y = m.Undo(x*s.scale, y*s.scale)
	return vision.Mark{X: x, Y: y, SigmaPx: sigma * s.scale, Seen: seen, How: how}
}

// how says what an end rests on: a pick the fit believed at least a third.
func (s *scene) how(i, end int, endTrust float64, line int, lineTrust float64) vision.How {
	const believed = 1.0 / 3
	switch {
	case end >= 0 && endTrust > believed:
		return vision.HowNetwork
	case line >= 0 && lineTrust > believed:
		return s.lines[i][line].How
	}
	return vision.HowModel
}

// angleSigma is the standard error, degrees, of the picture direction of D.
// For a vector long against its error across that is error over length; a
// vector shorter than that has no direction, and the error grows to that of
// none (JCGM 102 warns of the linear formula there).
func angleSigma(x *vec, p *cov, bias, wild float64) float64 {
	long := math.Hypot(x[dx], x[dy])
	nx, ny := -x[dy]/long, x[dx]/long
	v := nx*nx*p[dx][dx] + 2*nx*ny*p[dx][dy] + ny*ny*p[dy][dy]
	across := math.Sqrt(wild * (v + bias*bias))
	if !(long > across) {
		return anyAngle
	}
	return math.Min(anyAngle, 180/math.Pi*math.Asin(across/long))
}

package phases

import (
	"math"
	"math/rand/v2"

	"nightcage/vision"
	"nightcage/vision/truth"
)

// rough returns the track that a pose network, a bat tracker and a camera
// steadier of ordinary quality would give of a truth clip:
//
//   - body marks scatter by 0.35 % of body height in quiet frames (0.7 px on a
//     200 px body), half of that variance correlated from frame to frame, plus
//     12 % of the mark's own blur, three times as much at hands and wrists;
//   - every body mark sits off its joint by a slowly wandering amount;
//   - bat marks scatter by 0.2 in plus 7 % of their blur, one in 20 is
//     missing, and one stretch of 12 ms somewhere near the swing is;
//   - the camera's motion is known to 0.2 px.
//
// Stated sigmas are the marginal truth, a fifth too small. The ball is taken
// away. With solved, the three-dimensional solution scatters by 0.3 in across
// and 0.9 in along the line of sight and is turned by up to 4 degrees.
func rough(f *truth.File, seed uint64, solved bool) (*vision.Track, error) {
	tr, err := truth.Track(f, truth.Options{Seed: seed, No3D: !solved})
	if err != nil {
		return nil, err
	}
	rng := rand.New(rand.NewPCG(seed, 0x726f756768))
	scale := tr.Scale.PxPerIn
	bodyPx := scale * f.Hitter.HeightIn
	n := len(tr.Frames)
	blur := func(get func(int) vision.Mark, i int) float64 {
		a, b := max(i-1, 0), min(i+1, n-1)
		p, q := get(a), get(b)
		if !p.Found() || !q.Found() || a == b {
			return 0
		}
		return math.Hypot(q.X-p.X, q.Y-p.Y) / (tr.Frames[b].Ms - tr.Frames[a].Ms) * f.ShutterS * 1000
	}
	clean := make([]vision.Frame, n)
	for i := range clean {
		clean[i] = tr.Frames[i]
		clean[i].Body = append([]vision.Mark(nil), tr.Frames[i].Body...)
	}
	dt := 1000 / f.FPS
	rho := math.Exp(-dt / 12) // correlation dies over 12 ms
	for l := range vision.NumLandmarks {
		var ar, slow [2]float64
		slowStep := 0.004 * bodyPx * math.Sqrt(dt/300)
		for k := range slow {
			slow[k] = rng.NormFloat64() * 0.01 * bodyPx
		}
		hand := vision.Landmark(l) >= vision.LeftWrist && vision.Landmark(l) <= vision.RightHand
		for i := range tr.Frames {
			m := &tr.Frames[i].Body[l]
			b := blur(func(j int) vision.Mark { return clean[j].Body[l] }, i)
			share := 0.12
			if hand {
				share = 0.36
			}
			sd := 0.0035*bodyPx + share*b
			d := [2]float64{}
			for k := range d {
				ar[k] = rho*ar[k] + math.Sqrt(1-rho*rho)*rng.NormFloat64()
				slow[k] += slowStep * rng.NormFloat64()
				d[k] = sd*(ar[k]+rng.NormFloat64())/math.Sqrt2 + slow[k]
			}
			if m.Found() {
				m.X, m.Y, m.SigmaPx = m.X+d[0], m.Y+d[1], sd/1.2
			}
		}
	}
	hole := -1.0
	if c, ok := f.EventMs("contact"); ok {
		hole = c - 150 + 250*rng.Float64()
	}
	for i := range tr.Frames {
		fr := &tr.Frames[i]
		for k, get := range []func(*vision.Frame) *vision.Mark{
			func(f *vision.Frame) *vision.Mark { return &f.Knob },
			func(f *vision.Frame) *vision.Mark { return &f.Tip },
		} {
			_ = k
			m := get(fr)
			sd := 0.2*scale + 0.07*blur(func(j int) vision.Mark { return *get(&clean[j]) }, i)
			dx, dy, lost := rng.NormFloat64(), rng.NormFloat64(), rng.Float64() < 0.05
			m.X, m.Y, m.SigmaPx = m.X+sd*dx, m.Y+sd*dy, sd/1.2
			if lost || math.Abs(fr.Ms-hole) < 6 {
				*m = vision.Mark{}
			}
		}
		fr.Ball = vision.Mark{}
		fr.Shift.TX += 0.2 * rng.NormFloat64()
		fr.Shift.TY += 0.2 * rng.NormFloat64()
	}
	if solved {
		roughen3(tr.Solution, rng)
	}
	return tr, nil
}

// smoothTracked replaces the bat's marks by local parabolas over 15 ms to either
// side, as a smoother over the whole clip leaves them: errors that run together
// from frame to frame, and the kink at contact rounded off. Sigmas are what
// such a smoother would state.
func smoothTracked(tr *vision.Track) {
	half := math.Max(15, 2.5*(tr.Frames[1].Ms-tr.Frames[0].Ms))
	for _, get := range []func(*vision.Frame) *vision.Mark{
		func(f *vision.Frame) *vision.Mark { return &f.Knob },
		func(f *vision.Frame) *vision.Mark { return &f.Tip },
	} {
		var x, y series
		for i := range tr.Frames {
			if m := get(&tr.Frames[i]); m.Found() {
				t := tr.Frames[i].Ms
				x.t, x.x, x.sd = append(x.t, t), append(x.x, m.X), append(x.sd, m.SigmaPx)
				y.t, y.x, y.sd = append(y.t, t), append(y.x, m.Y), append(y.sd, m.SigmaPx)
			}
		}
		for i := range tr.Frames {
			vx, _, sx, _, ok1 := x.local(tr.Frames[i].Ms, half, 2)
			vy, _, _, _, ok2 := y.local(tr.Frames[i].Ms, half, 2)
			if ok1 && ok2 {
				*get(&tr.Frames[i]) = vision.Mark{X: vx, Y: vy, SigmaPx: sx, Seen: 1, How: vision.HowNetwork}
			}
		}
	}
}

// roughen3 scatters a solution and turns it about the vertical.
func roughen3(s *vision.Solution, rng *rand.Rand) {
	const across, deep, turnDeg = 0.3, 0.9, 4
	turn := rng.NormFloat64() * turnDeg * math.Pi / 180
	s.YawSigmaDeg = turnDeg
	put := func(p *vision.Point3) {
		p.X, p.Y, p.Z = p.X+across*rng.NormFloat64(), p.Y+across*rng.NormFloat64(), p.Z+deep*rng.NormFloat64()
		p.X, p.Z = p.X*math.Cos(turn)+p.Z*math.Sin(turn), -p.X*math.Sin(turn)+p.Z*math.Cos(turn)
		p.SX, p.SY, p.SZ = across, across, deep
	}
	for i := range s.Frames {
		for l := range s.Frames[i].Body {
			put(&s.Frames[i].Body[l])
		}
		put(&s.Frames[i].Knob)
		put(&s.Frames[i].Tip)
	}
}

package main

import (
	"math"
	"math/rand"
)

// BatLook is one bat's shape and paint.
type BatLook struct {
	HandleR, KnobR, KnobLen, Flare float64 // inches
	TaperA, TaperB, EndLen         float64 // fractions of length; end rounding in inches
	Kind                           int
	Base, Second, Grip, Knob, Cap  RGB
	GripTo, Split, Freq, Twist     float64
	Bands                          [][2]float64
	BandC                          []RGB
	Spec, Shine                    float64
	seed                           int32
}

func (b *BatLook) radius(s, L, rb float64) float64 {
	switch {
	case s < b.KnobLen:
		return b.KnobR * (0.82 + 0.18*smooth(0, 0.3*b.KnobLen, s))
	case s < b.KnobLen+b.Flare:
		return lerp(b.KnobR, b.HandleR, smooth(b.KnobLen, b.KnobLen+b.Flare, s))
	case s < b.TaperA*L:
		return b.HandleR
	case s < b.TaperB*L:
		return lerp(b.HandleR, rb, smooth(b.TaperA*L, b.TaperB*L, s))
	case s < L-b.EndLen:
		return rb
	}
	q := clamp((s-(L-b.EndLen))/b.EndLen, 0, 1)
	return rb * math.Sqrt(math.Max(0, 1-q*q*0.98))
}

func (b *BatLook) colour(p V3, L float64) RGB {
	s := p.Y
	ang := math.Atan2(p.Z, p.X)
	if s < b.KnobLen+0.2 {
		return b.Knob
	}
	if s < b.GripTo*L {
		k := 1.0
		if math.Mod(s+ang*0.16+10, 0.9) < 0.12 { // the wrap's edge
			k = 0.75
		}
		return b.Grip.mul(k)
	}
	if s > L-0.9 {
		return b.Cap
	}
	for i, e := range b.Bands {
		if s > e[0]*L && s < e[1]*L {
			return b.BandC[i]
		}
	}
	c := b.Base
	switch b.Kind {
	case 1: // wood grain
		g := noise3(V3{p.X * 3, s * 0.13, p.Z * 3}, b.seed)
		c = b.Base.mix(b.Second, 0.75*g*g)
		if s > b.Split*L && b.Twist > 0.5 {
			c = b.Second.mix(b.Base, 0.15*g)
		}
	case 2: // stripes, along or spiral
		if math.Sin(ang*math.Round(b.Freq)+s*b.Twist*1.5) > 0.2 {
			c = b.Second
		}
	case 3: // blocks, as large lettering
		if s > b.Split*L && hash3(int32(s*b.Freq*0.5), int32((ang+4)*1.6), b.seed) > 0.55 {
			c = b.Second
		}
	case 4: // fade
		c = b.Base.mix(b.Second, smooth(b.Split-0.25, b.Split+0.25, s/L))
	case 5: // two tones
		if s > b.Split*L {
			c = b.Second
		}
	case 6: // camouflage
		if noise3(V3{p.X * 0.9, s * 0.45, p.Z * 0.9}, b.seed) > 0.5 {
			c = b.Second
		}
	}
	return c
}

type dice struct{ *rand.Rand }

func (d dice) u(a, b float64) float64 { return a + (b-a)*d.Float64() }
func (d dice) p(x float64) bool       { return d.Float64() < x }
func (d dice) of(l ...RGB) RGB        { return l[d.Intn(len(l))] }
func (d dice) ball() V3               { return V3{d.NormFloat64(), d.NormFloat64(), d.NormFloat64()} }
func (d dice) grey(a, b float64) RGB {
	v := d.u(a, b)
	return rgb(v+d.u(-6, 6), v+d.u(-6, 6), v+d.u(-6, 6))
}
func (d dice) near(c RGB, k float64) RGB {
	for i := range c {
		c[i] *= float32(math.Exp(k * d.NormFloat64()))
		c[i] = min(c[i], 0.95)
	}
	return c
}

// any is an arbitrary paint: greys and strong colours more often than chance.
func (d dice) any() RGB {
	switch {
	case d.p(0.2):
		return d.grey(10, 50)
	case d.p(0.2):
		return d.grey(200, 245)
	case d.p(0.15):
		return d.grey(50, 200)
	}
	h, s, v := d.u(0, 6), d.u(0.3, 1), d.u(0.2, 1)
	i := int(h)
	f := h - float64(i)
	p, q, t := v*(1-s), v*(1-s*f), v*(1-s*(1-f))
	w := [][3]float64{{v, t, p}, {q, v, p}, {p, v, t}, {p, q, v}, {t, p, v}, {v, p, q}}[i%6]
	return rgb(255*w[0], 255*w[1], 255*w[2])
}

func newBatLook(d dice) *BatLook {
	b := &BatLook{HandleR: d.u(0.40, 0.62), KnobR: d.u(0.75, 1.2), KnobLen: d.u(0.4, 1.0), Flare: d.u(0.3, 1.0),
		TaperA: d.u(0.25, 0.45), TaperB: d.u(0.6, 0.82), EndLen: d.u(0.3, 1.8), seed: d.Int31n(1 << 20), Kind: d.Intn(7)}
	if d.p(0.2) { // cone knob
		b.Flare = d.u(1.5, 4)
	}
	if d.p(0.4) {
		b.Kind = 1
	}
	b.GripTo, b.Split, b.Freq, b.Twist = d.u(0.2, 0.42), d.u(0.4, 0.75), d.u(1, 6), d.u(0, 1)
	b.Base, b.Second, b.Grip, b.Knob, b.Cap = d.any(), d.any(), d.any(), d.any(), d.any()
	if d.p(0.5) {
		b.Grip = d.grey(12, 60)
	}
	b.Spec, b.Shine = d.u(0, 0.5), d.u(10, 60)
	if b.Kind == 1 {
		wood := []RGB{rgb(206, 164, 108), rgb(226, 194, 146), rgb(150, 100, 56), rgb(96, 58, 34), rgb(34, 28, 26), rgb(120, 36, 28), rgb(190, 140, 84)}
		b.Base = d.near(d.of(wood...), 0.12)
		b.Second = b.Base.mul(d.u(0.45, 0.8))
		if b.Twist > 0.5 {
			b.Second = d.near(d.of(wood...), 0.12)
		}
		b.Knob, b.Cap = b.Base, b.Base
		if d.p(0.4) {
			b.Cap = b.Second
		}
		b.GripTo = 0
		if d.p(0.5) {
			b.GripTo = d.u(0.2, 0.42)
		}
		b.Spec = d.u(0, 0.25)
	} else {
		if d.p(0.4) { // bare metal or black
			b.Base = d.of(d.grey(150, 225), d.grey(14, 40), d.grey(80, 140), rgb(d.u(220, 250), d.u(220, 250), d.u(215, 250)), rgb(d.u(225, 250), d.u(90, 140), d.u(10, 50)))
			b.Spec = d.u(0.2, 0.9)
		}
		if d.p(0.4) {
			b.Knob = b.Grip
		}
		if d.p(0.4) {
			b.Cap = d.grey(10, 50)
		}
	}
	for k := d.Intn(4); k > 0; k-- {
		a := d.u(0.4, 0.95)
		b.Bands = append(b.Bands, [2]float64{a, a + d.u(0.01, 0.12)})
		b.BandC = append(b.BandC, d.any())
	}
	return b
}

func newWildLook(d dice) Look {
	l := newLook(d.Rand)
	skin := rgb(242, 206, 182).mix(rgb(74, 46, 32), math.Pow(d.Float64(), 0.9))
	l.Skin = d.near(skin, 0.1)
	l.Hair = d.near(d.of(rgb(30, 22, 18), rgb(60, 42, 28), rgb(110, 80, 48), rgb(190, 150, 90), rgb(120, 118, 116)), 0.2)
	for _, c := range []*RGB{&l.Jersey, &l.Trim, &l.Sock, &l.Shoe, &l.Glove, &l.Helmet} {
		if d.p(0.6) {
			*c = d.any()
		}
	}
	if d.p(0.35) {
		l.Pants = d.any()
	}
	l.Belt = d.any()
	if d.p(0.1) {
		l.Jersey = d.near(skin, 0.08)
	}
	l.HelmetOn = d.p(0.7)
	l.Gloves = d.p(0.6)
	l.Bat = newBatLook(d)
	return l
}

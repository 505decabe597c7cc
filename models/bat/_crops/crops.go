package main

import (
	"bytes"
	"encoding/binary"
	"flag"
	"fmt"
	"math"
	"math/rand"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"
)

// Training crops: squares round the hands with separate alpha, three frames
// each, every look drawn at random. One file holds the samples of one body:
// per sample cropPlanes planes of cropS x cropS bytes (straight gamma 2.2
// colour, alpha), then one RGB picture of the renderer's own scene; beside it
// a .lab file of cropLabels float32 a sample.
const (
	cropS      = 352 // px; a hitter's standing height is cropS/1.71875
	cropPx     = 256 / 1.25
	cropPlanes = 13 // now R G B A batA, before R G B A, after R G B A
	cropLabels = 24
)

// swing is one body in one motion, to be filmed many times.
type swing struct {
	rig  *rig
	mot  *Motion
	sp   BodySpec
	kind string
}

func newSwing(d dice, assets string) (*swing, error) {
	kinds := []string{"man", "woman", "teen_boy", "man", "teen_girl", "child"}
	s := &swing{kind: kinds[d.Intn(len(kinds))]}
	sp := BodySpec{Sleeve: d.u(0.2, 0.45), Loose: d.u(0.6, 2.2), Muscle: d.u(-0.6, 0.9), Weight: d.u(-0.8, 0.9)}
	if d.p(0.3) {
		sp.Sleeve = d.u(0.7, 0.97)
	}
	switch s.kind {
	case "man":
		sp.Height, sp.HeightK = d.u(65, 78), d.u(-0.2, 0.6)
	case "woman":
		sp.Female, sp.Height, sp.HeightK = 1, d.u(60, 72), d.u(-0.2, 0.5)
	case "teen_boy":
		sp.Child, sp.Height = d.u(0.3, 0.5), d.u(60, 70)
	case "teen_girl":
		sp.Female, sp.Child, sp.Height = 1, d.u(0.3, 0.5), d.u(57, 66)
	default:
		sp.Female, sp.Child, sp.Height = float64(d.Intn(2)), d.u(0.7, 0.98), d.u(46, 60)
	}
	q := [3]float64{d.Float64(), d.Float64(), d.Float64()}
	n := q[0] + q[1] + q[2]
	sp.Race = [3]float64{q[0] / n, q[1] / n, q[2] / n}
	b, err := LoadBody(assets, sp)
	if err != nil {
		return nil, err
	}
	s.sp, s.rig = sp, newRig(b)
	s.mot = NewMotion(d.Rand, s.rig, d.u(0, 1))
	return s, nil
}

// vary bends the motion away from the swing's own: mode 0 plain, 1 the bat
// turned and hands shifted, 2 the bat anywhere at any turn rate.
func (s *swing) vary(d dice, t0 float64) (func(t float64) Target, int) {
	mode := 0
	switch x := d.Float64(); {
	case x > 0.85:
		mode = 2
	case x > 0.6:
		mode = 1
	}
	turn := AxisAngle(d.ball().Unit(), d.u(0, 35)*deg)
	off := V3{d.u(-0.12, 0.12), d.u(-0.15, 0.15), d.u(-0.08, 0.12)}
	dir := d.ball()
	dir.Y = dir.Y*0.8 + 0.2
	dir = dir.Unit()
	axis := d.ball().Perp(dir)
	rate := 46 * math.Pow(d.Float64(), 2)
	hand := V3{d.u(-0.45, 0.4), d.u(-0.65, 0.35), d.u(0.28, 0.75)}
	hv := d.ball().Mul(d.u(0, 2))
	free := d.p(0.13) && (t0 > 0.05 || mode == 2)
	top := V3{d.u(-0.5, 0.5), d.u(-0.9, 0.5), d.u(0.1, 0.6)}
	return func(t float64) Target {
		g := s.mot.At(t)
		switch mode {
		case 1:
			g.Bat = turn.V(g.Bat)
			g.HandL, g.HandU, g.HandF = g.HandL+off.X, g.HandU+off.Y, g.HandF+off.Z
		case 2:
			R := AxisAngle(axis, rate*(t-t0))
			g.Bat = R.V(dir)
			g.HandL, g.HandU, g.HandF = hand.X+hv.X*(t-t0), hand.Y+hv.Y*(t-t0), hand.Z+hv.Z*(t-t0)
		}
		if free {
			v := g.ChestR.V(top.Mul(s.rig.reach))
			g.TopHand = &v
		}
		return g
	}, mode
}

func wildLight(d dice) *Backdrop {
	b := newBackdrop(d.Rand)
	az, el := d.u(-180, 180)*deg, d.u(12, 85)*deg
	b.Sun = V3{math.Cos(az) * math.Cos(el), math.Sin(el), math.Sin(az) * math.Cos(el)}
	hard := math.Pow(d.Float64(), 0.7)
	warm := d.u(-0.12, 0.2)
	b.SunC = RGB{float32(1.35 * hard * (1 + warm)), float32(1.3 * hard), float32(1.3 * hard * (1 - warm))}
	a := d.u(0.3, 0.9) * (1.2 - 0.6*hard)
	b.AmbU = RGB{float32(a * d.u(0.85, 1.1)), float32(a), float32(a * d.u(0.9, 1.25))}
	b.AmbD = b.AmbU.mul(d.u(0.25, 0.8))
	b.PlateX, b.PlateZ = d.u(-10, 10), d.u(18, 34)
	cx := b.PlateX + 8.5
	b.BoxX0, b.BoxX1, b.BoxZ1 = cx-36, cx+36, b.PlateZ-16
	b.BoxZ0 = b.BoxZ1 - 48
	return b
}

func (r *rig) handsAt(o *Posed) V3 {
	var m V3
	for s := 0; s < 2; s++ {
		m = m.Add(o.P[r.wrist[s]].Lerp(o.P[r.fing[s][3][0]], 0.6))
	}
	return m.Mul(0.5)
}

// filmer holds one worker's buffers.
type filmer struct {
	r                    *Renderer
	s                    *scratch
	col                  [][]float32
	cov                  [][]uint8
	z                    [][]float32
	acc, cv, bat         []float32
	batPx, knobPx, tipPx int
}

func newFilmer() *filmer {
	f := &filmer{r: &Renderer{}}
	n := cropS * cropS
	f.acc, f.cv, f.bat = make([]float32, 3*n), make([]float32, n), make([]float32, n)
	for i := 0; i < 8; i++ {
		f.col = append(f.col, make([]float32, 3*n))
		f.cov = append(f.cov, make([]uint8, n))
		f.z = append(f.z, make([]float32, n))
	}
	return f
}

func (f *filmer) sun(build func(float64, *World), t float64) sunFrame {
	s := f.s
	build(t, &s.w)
	var sf sunFrame
	sf.d = f.r.Back.Sun.Mul(-1)
	sf.r = sf.d.Cross(V3{0.2, 1, 0.1}).Unit()
	sf.u = sf.d.Cross(sf.r)
	sf.c = V3{5, 36, 8}
	sf.k = smN / 150.0
	for i := range s.sm {
		s.sm[i] = 1e9
	}
	for i := range s.w.P {
		x, y, z := sf.at(s.w.P[i])
		s.sx[i], s.sy[i], s.sz[i] = float32(x), float32(y), float32(z)
	}
	fill(f.r.Geo.Tris, s.sx, s.sy, s.sz, smN, smN, s.sm, nil, nil, false)
	return sf
}

// expose draws one exposure: the body at m instants, the bat and ball at n.
func (f *filmer) expose(sw *swing, pose func(float64) *Posed, ball func(float64) V3, sf *sunFrame, tMid, shutter float64, m, n int) {
	r, s, g := f.r, f.s, f.r.Geo
	dyn := 0
	for dyn < len(g.Tris) && g.Tris[dyn].Mat != matBat {
		dyn++
	}
	const W = cropS
	for i := range f.cv {
		f.cv[i], f.bat[i] = 0, 0
	}
	for i := range f.acc {
		f.acc[i] = 0
	}
	f.batPx, f.knobPx, f.tipPx = 0, 0, 0
	project := func(lo, hi int, jx, jy float32) {
		for i := lo; i < hi; i++ {
			x, y, z := r.Cam.raw(s.w.P[i])
			s.sx[i], s.sy[i], s.sz[i] = float32(x)+jx, float32(y)+jy, float32(z)
		}
	}
	done := 0
	for k := 0; k < m; k++ {
		t := tMid + shutter*((float64(k)+0.5)/float64(m)-0.5)
		jx := float32(math.Mod(float64(k)*0.7548776662+0.5, 1) - 0.5)
		jy := float32(math.Mod(float64(k)*0.5698402910+0.5, 1) - 0.5)
		g.Build(pose(t), ball(t), &s.w)
		project(0, len(s.w.P), jx, jy)
		for i := range s.z {
			s.z[i], s.id[i] = 0, -1
		}
		bb := [4]int{W, W, -1, -1}
		fill(g.Tris[:dyn], s.sx, s.sy, s.sz, W, W, s.z, s.id, &bb, true)
		if bb[2] >= 0 {
			r.shade(s, &r.Cam, sf, bb, jx, jy)
		}
		copy(f.col[k], s.acc)
		copy(f.cov[k], s.cov)
		copy(f.z[k], s.z)
		clear(s.acc)
		clear(s.cov)
		for i := range s.id {
			s.id[i] = -1
		}
		upto := (k + 1) * n / m
		cnt := float32(upto - done)
		for i, c := range f.cov[k] {
			if c > 0 {
				f.cv[i] += cnt
				f.acc[3*i] += cnt * f.col[k][3*i]
				f.acc[3*i+1] += cnt * f.col[k][3*i+1]
				f.acc[3*i+2] += cnt * f.col[k][3*i+2]
			}
		}
		for ; done < upto; done++ {
			t := tMid + shutter*((float64(done)+0.5)/float64(n)-0.5)
			jx := float32(math.Mod(float64(done)*0.7548776662+0.5, 1) - 0.5)
			jy := float32(math.Mod(float64(done)*0.5698402910+0.5, 1) - 0.5)
			g.buildBat(pose(t), ball(t), &s.w)
			project(g.bat0, len(s.w.P), jx, jy)
			bb := [4]int{W, W, -1, -1}
			fill(g.Tris[dyn:], s.sx, s.sy, s.sz, W, W, s.z, s.id, &bb, true)
			if bb[2] < 0 {
				continue
			}
			for j := bb[1]; j <= bb[3]; j++ {
				for i := bb[0]; i <= bb[2]; i++ {
					if q := j*W + i; s.id[q] >= 0 {
						s.id[q] += int32(dyn)
					}
				}
			}
			r.shade(s, &r.Cam, sf, bb, jx, jy)
			mid := done == n/2
			for j := bb[1]; j <= bb[3]; j++ {
				for i := bb[0]; i <= bb[2]; i++ {
					q := j*W + i
					if s.id[q] < 0 {
						continue
					}
					tr := &g.Tris[s.id[q]]
					for c := 0; c < 3; c++ {
						f.acc[3*q+c] += s.acc[3*q+c] - f.col[k][3*q+c]
						s.acc[3*q+c] = 0
					}
					if f.cov[k][q] == 0 {
						f.cv[q]++
					}
					if tr.Mat == matBat {
						f.bat[q]++
						if mid {
							y := g.Rest[tr.A].Y
							f.batPx++
							if y < 1.2 {
								f.knobPx++
							} else if y > g.grip.BatLen-2.5 {
								f.tipPx++
							}
						}
					}
					s.cov[q], s.id[q] = 0, -1
					s.z[q] = f.z[k][q]
				}
			}
		}
	}
	inv := 1 / float32(n)
	for i := range f.cv {
		f.cv[i] *= inv
		f.bat[i] *= inv
	}
	for i := range f.acc {
		f.acc[i] *= inv
	}
}

// buildBat poses only bat and ball.
func (g *Geo) buildBat(o *Posed, ball V3, w *World) {
	br := Frame2(V3{0, 1, 0}, V3{1, 0, 0}, o.BatDir, V3{0.3, 0.2, 1})
	for i := g.bat0; i < g.bat0+g.batN; i++ {
		w.P[i] = o.Knob.Add(br.V(g.Rest[i]))
		w.N[i] = br.V(g.extN[i-g.NB])
	}
	for i := g.ball0; i < g.ball0+g.ballN; i++ {
		w.P[i] = ball.Add(g.Rest[i])
	}
}

func tone(x float32) byte {
	if x > 0.8 {
		x = 0.8 + (x-0.8)/(1+(x-0.8)*3)
	}
	return byte(255*math.Pow(float64(min(max(x, 0), 1)), 1/2.2) + 0.5)
}

func plane(dst []byte, v []float32) {
	for i, x := range v {
		dst[i] = byte(min(max(x, 0), 1)*255 + 0.5)
	}
}

// straight writes the colour planes (divided by coverage) and the alpha.
func (f *filmer) straight(dst []byte, ex float32) {
	n := cropS * cropS
	for i := 0; i < n; i++ {
		if f.cv[i] < 1e-4 {
			dst[i], dst[n+i], dst[2*n+i] = 0, 0, 0
			continue
		}
		k := ex / f.cv[i]
		dst[i], dst[n+i], dst[2*n+i] = tone(f.acc[3*i]*k), tone(f.acc[3*i+1]*k), tone(f.acc[3*i+2]*k)
	}
	plane(dst[3*n:4*n], f.cv)
}

func pickView(d dice) (float64, string) {
	switch x := d.Float64(); {
	case x < 0.42:
		return d.u(-25, 25), "open"
	case x < 0.54:
		return 180 + d.u(-35, 35), "closed"
	case x < 0.68:
		return -90 + d.u(-20, 20), "rear"
	case x < 0.80:
		return 90 + d.u(-20, 20), "front"
	}
	return d.u(0, 360), "oblique"
}

var viewCode = map[string]float32{"open": 0, "closed": 1, "rear": 2, "front": 3, "oblique": 4}

// sample films one training sample; false when the hands or bat are behind the camera.
func (f *filmer) sample(d dice, sw *swing, px []byte, lab []float32) bool {
	T := sw.mot.T
	var t float64
	switch x := d.Float64(); {
	case x < 0.48:
		t = d.u(-0.17, 0.06)
	case x < 0.66:
		t = d.u(T.Load-0.2, T.Stride)
	case x < 0.82:
		t = d.u(T.Stride, -0.15)
	default:
		t = d.u(0.05, T.Fin+0.25)
	}
	soft := d.p(0.3)
	ballR := 1.45
	barrel := d.u(1.12, 1.40)
	if soft {
		ballR, barrel = 1.91, d.u(1.05, 1.18)
	}
	look := newWildLook(d)
	hw := sw.rig.b.Height / 72
	gr := Grip{BatLen: clamp(d.u(0.43, 0.50)*sw.rig.b.Height, 24, 35), HandleR: look.Bat.HandleR, Spread: 3.35 * hw}
	gr.BottomAt = 0.75 + 1.75*hw + d.u(-0.4, 1.2)
	if d.p(0.12) { // choked up
		gr.BottomAt += d.u(0.5, 3)
	}
	motion, mode := sw.vary(d, t)
	pose := func(t float64) *Posed {
		g := motion(t)
		return sw.rig.Solve(&g, gr)
	}
	fps := []float64{25, 30, 50, 60, 60, 120, 120, 240, 240}[d.Intn(9)]
	shutter := 1 / math.Exp(d.u(math.Log(60), math.Log(4000)))
	shutter = min(shutter, 0.97/fps)
	if d.p(0.45) { // as open as the rate allows
		shutter = min(0.97/fps, 1.0/60)
	}
	o := pose(t)
	hands := sw.rig.handsAt(o)
	// the ball, somewhere near the bat around contact
	o0 := pose(0)
	spot := o0.Tip.Sub(o0.BatDir.Mul(sweetFromTip)).Add(V3{d.u(-4, 4), d.u(-3, 3), d.u(-3, 3)})
	bv := V3{-d.u(700, 1600), -d.u(50, 250), d.u(-80, 80)}
	bx := V3{d.u(300, 2000), d.u(-300, 900), d.u(-900, 900)}
	ball := func(t float64) V3 {
		if t < 0 {
			return spot.Add(bv.Mul(t))
		}
		return spot.Add(bx.Mul(t))
	}
	if d.p(0.3) {
		ball = func(float64) V3 { return V3{0, -500, 0} }
	}
	// camera
	az, view := pickView(d)
	dist := math.Exp(d.u(math.Log(85), math.Log(600)))
	height := d.u(14, 90)
	if d.p(0.1) {
		height = d.u(90, 200)
	}
	pel := o.P[sw.rig.root]
	pos := V3{math.Sin(az*deg)*dist + pel.X, height, math.Cos(az*deg)*dist + pel.Z}
	aim := hands.Add(d.ball().Mul(0.25 * sw.rig.b.Height))
	cam := Camera{W: cropS, H: cropS, C: pos}
	cam.R = lookAt(pos, aim, d.NormFloat64()*1.5*deg)
	zp := cam.R.V(pel.Sub(pos)).Z
	cam.F = cropPx / sw.rig.b.Height * zp
	h := cam.R.V(hands.Sub(pos))
	cam.CX, cam.CY = cropS/2-cam.F*h.X/h.Z, cropS/2-cam.F*h.Y/h.Z
	for _, p := range []V3{o.Knob, o.Tip, hands} {
		if cam.R.V(p.Sub(pos)).Z < 20 {
			return false
		}
	}
	back := wildLight(d)
	geo := NewGeo(sw.rig, look, gr, barrel, ballR, d.Int31n(1000))
	f.r.Geo, f.r.Cam, f.r.Back = geo, cam, back
	nv := len(geo.Rest)
	if f.s == nil || len(f.s.sx) < nv {
		n := cropS * cropS
		f.s = &scratch{sx: make([]float32, nv+4000), sy: make([]float32, nv+4000), sz: make([]float32, nv+4000), z: make([]float32, n), id: make([]int32, n), acc: make([]float32, n*3), cov: make([]uint8, n), sm: make([]float32, smN*smN)}
	}
	build := func(t float64, w *World) { geo.Build(pose(t), ball(t), w) }
	sf := f.sun(build, t)
	ku, kv, _ := cam.raw(o.Knob)
	tu, tv, _ := cam.raw(o.Tip)
	a, b := pose(t-shutter/2), pose(t+shutter/2)
	travel := func(p, q V3) float64 {
		u0, v0, _ := cam.raw(p)
		u1, v1, _ := cam.raw(q)
		return math.Hypot(u1-u0, v1-v0)
	}
	tt := travel(a.Tip, o.Tip) + travel(o.Tip, b.Tip)
	kt := travel(a.Knob, o.Knob) + travel(o.Knob, b.Knob)
	m := int(clamp(kt/2, 4, 8))
	n := int(clamp(tt/1.5, 6, 40))
	ex := float32(back.Exposure * d.u(0.8, 1.2))
	N := cropS * cropS
	f.expose(sw, pose, ball, &sf, t, shutter, m, n)
	lab[6], lab[7], lab[8] = float32(f.batPx), float32(f.knobPx), float32(f.tipPx)
	f.straight(px, ex)
	plane(px[4*N:5*N], f.bat)
	m = max(3, m*3/4)
	f.expose(sw, pose, ball, &sf, t-1/fps, shutter, m, n)
	f.straight(px[5*N:], ex)
	f.expose(sw, pose, ball, &sf, t+1/fps, shutter, m, n)
	f.straight(px[9*N:], ex)
	lab[0], lab[1], lab[2], lab[3] = float32(ku), float32(kv), float32(tu), float32(tv)
	lab[4] = float32(cropPx / sw.rig.b.Height) // px per inch at the pelvis
	lab[5] = float32(tt)
	lab[9], lab[10], lab[11], lab[12] = viewCode[view], float32(fps), float32(shutter), float32(t)
	lab[13], lab[14], lab[15] = float32(mode), float32(kt), float32(sw.rig.b.Height)
	lab[16] = float32(o.ReachClamp)
	lab[17], lab[18] = float32(az), float32(gr.BatLen)
	return true
}

// scenePicture draws the renderer's own world as seen by the last camera, or
// a wider one, for use behind other samples.
func (f *filmer) scenePicture(d dice, dst []byte) {
	cam := f.r.Cam
	b := wildLight(d)
	b.Seed = d.Int31n(1 << 20)
	inv := cam.R.T()
	k := d.u(0.5, 1.4)
	n := cropS * cropS
	px := 1 / (cam.F * k)
	for j := 0; j < cropS; j++ {
		for i := 0; i < cropS; i++ {
			v := inv.V(V3{(float64(i) + d.Float64() - cam.CX) / (cam.F * k), (float64(j) + d.Float64() - cam.CY) / (cam.F * k), 1})
			c, _ := b.Sample(cam.C, v, px)
			q := j*cropS + i
			e := float32(b.Exposure)
			dst[q], dst[n+q], dst[2*n+q] = tone(c[0]*e), tone(c[1]*e), tone(c[2]*e)
		}
	}
}

func cropsMain(args []string) {
	fs := flag.NewFlagSet("crops", flag.ExitOnError)
	assets := fs.String("assets", "assets", "body files")
	out := fs.String("out", "crops", "folder for the sample files")
	seed := fs.Int64("seed", 1_000_000, "first body seed")
	bodies := fs.Int64("bodies", 1, "bodies to draw")
	per := fs.Int("per", 12, "samples a body")
	jobs := fs.Int("j", 2, "bodies drawn at once")
	ahead := fs.Int("ahead", 150, "stop while this many files wait to be read")
	fs.Parse(args)
	if err := os.MkdirAll(*out, 0o755); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	var next atomic.Int64
	var wg sync.WaitGroup
	for range *jobs {
		wg.Add(1)
		go func() {
			defer wg.Done()
			f := newFilmer()
			size := cropPlanes * cropS * cropS
			buf := make([]byte, *per*size+3*cropS*cropS)
			lab := make([]float32, *per*cropLabels)
			for {
				k := next.Add(1) - 1
				if k >= *bodies {
					return
				}
				for {
					l, _ := filepath.Glob(filepath.Join(*out, "*.bin"))
					if len(l) < *ahead {
						break
					}
					time.Sleep(50 * time.Millisecond)
				}
				d := dice{rand.New(rand.NewSource(*seed + k))}
				sw, err := newSwing(d, *assets)
				if err != nil {
					fmt.Fprintln(os.Stderr, err)
					os.Exit(1)
				}
				for i := 0; i < *per; {
					if f.sample(d, sw, buf[i*size:(i+1)*size], lab[i*cropLabels:(i+1)*cropLabels]) {
						i++
					}
				}
				f.scenePicture(d, buf[*per*size:])
				base := filepath.Join(*out, fmt.Sprintf("%09d", *seed+k))
				var lb bytes.Buffer
				binary.Write(&lb, binary.LittleEndian, lab)
				err = os.WriteFile(base+".lab", lb.Bytes(), 0o644)
				if err == nil {
					err = os.WriteFile(base+".tmp", buf, 0o644)
				}
				if err == nil {
					err = os.Rename(base+".tmp", base+".bin")
				}
				if err != nil {
					fmt.Fprintln(os.Stderr, err)
					os.Exit(1)
				}
			}
		}()
	}
	wg.Wait()
}

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

// Training pictures of whole bodies, for the network that sees their depth: one
// exposure of a hitter in any pose, from anywhere, in a square about the middle
// of the hips. They use the bat crops' looks, lights and film (crops.go,
// looks.go). A .bin file holds the samples of one body: per sample bodyPlanes
// planes of cropS x cropS bytes (straight gamma 2.2 colour, alpha), then one RGB
// picture of the renderer's own scene; beside it a .lab file of bodyLabels
// float32 a sample: 17 points (x, y, z) in standing heights from the middle of
// the hips, x right, y down, z away along the ray to the hips, in bodyPoints'
// order; then view, camera azimuth (deg), mode, time to contact (s), nothing; then
// where the points are in the picture, px from its middle, x and y each.
const (
	bodyPx     = 256 / 1.27 // px of a standing height
	bodyPlanes = 4
	bodyLabels = 56 + 2*17
)

// bodyPoints are a body's joints: shoulder, elbow, wrist, hip, knee, ankle, heel,
// toe of the left side, of the right side, and the head's centre.
func bodyPoints(r *rig, o *Posed) (p [17]V3) {
	heel, toe := [2]int{r.b.HeelL, r.b.HeelR}, [2]int{r.b.ToeL, r.b.ToeR}
	for s := range 2 {
		for k, i := range []int{r.ua1[s], r.la1[s], r.wrist[s], r.ul1[s], r.ll1[s], r.foot[s]} {
			p[8*s+k] = o.P[i]
		}
		p[8*s+6], p[8*s+7] = r.Vert(o, heel[s]), r.Vert(o, toe[s])
	}
	p[16] = r.OnHead(o, r.b.HeadC)
	return p
}

// twist is a pose's difference from a swing's own. It holds still in a sample,
// but for the hips and the chest, which turn at rates of their own.
type twist struct {
	pelvis, chest, pelvisRate, chestRate float64 // deg, deg/s
	leanP, leanC                         [2]float64
	head                                 M3
	hands                                V3
	bat                                  M3
	pole                                 [2]M3
	foot                                 [2]V3 // x, z of the ball; yaw, deg
	pelvisAt                             V3
}

func newTwist(d dice, h float64) twist {
	// how far from a swing's own pose: often far, sometimes hardly
	k := d.u(0.2, 1)
	w := twist{pelvis: d.u(-40, 40) * k, chest: d.u(-40, 40) * k, pelvisRate: d.u(-700, 700), chestRate: d.u(-900, 900)}
	w.leanP = [2]float64{d.u(-9, 9) * k, d.u(-9, 9) * k}
	w.leanC = [2]float64{d.u(-20, 20) * k, d.u(-20, 22) * k}
	w.head = RotY(d.u(-35, 35) * k * deg).Mul(RotX(d.u(-20, 25) * k * deg))
	w.hands = V3{d.u(-0.25, 0.25), d.u(-0.3, 0.35), d.u(-0.25, 0.2)}.Mul(k)
	w.bat = AxisAngle(d.ball().Unit(), d.u(0, 70)*k*deg)
	for s := range 2 {
		w.pole[s] = AxisAngle(d.ball().Unit(), d.u(0, 75)*k*deg)
		w.foot[s] = V3{d.u(-0.1, 0.1) * h * k, d.u(-35, 35) * k, d.u(-0.09, 0.09) * h * k}
	}
	w.pelvisAt = V3{d.u(-0.06, 0.06) * h * k, -d.u(-0.01, 0.1) * h * k, d.u(-0.05, 0.05) * h * k}
	return w
}

// lean tilts by so many deg toward +X and +Z.
func lean(by [2]float64) M3 { return leanR(by[0], by[1], 0) }

// apply bends a pose dt seconds from the sample's middle.
func (w *twist) apply(g *Target, dt float64) {
	p := RotY((w.pelvis + w.pelvisRate*dt) * deg)
	c := RotY((w.chest + w.chestRate*dt) * deg)
	was := g.ChestR
	g.PelvisR = lean(w.leanP).Mul(p).Mul(g.PelvisR)
	g.ChestR = lean(w.leanC).Mul(c).Mul(g.ChestR)
	g.HeadR = c.Mul(g.HeadR).Mul(w.head)
	moved := g.ChestR.Mul(was.T())
	bat := moved.Mul(w.bat)
	g.Bat = bat.V(g.Bat).Unit()
	g.HandL, g.HandU, g.HandF = g.HandL+w.hands.X, g.HandU+w.hands.Y, max(0.15, g.HandF+w.hands.Z)
	for s := range 2 {
		pole := moved.Mul(w.pole[s])
		g.Pole[s] = pole.V(g.Pole[s])
		g.FootBall[s].X += w.foot[s].X
		g.FootBall[s].Z += w.foot[s].Z
		g.FootYaw[s] += w.foot[s].Y * deg
	}
	g.Pelvis = g.Pelvis.Add(w.pelvisAt)
}

// pose gives a sample's body over time: mode 0 a swing's own, 1 twisted, 2 twisted
// with hands and bat anywhere and often one hand off the bat.
func (s *swing) pose(d dice, gr Grip, t0 float64) (func(float64) *Posed, int) {
	mode := 1
	switch x := d.Float64(); {
	case x < 0.25:
		mode = 0
	case x > 0.75:
		mode = 2
	}
	w := newTwist(d, s.rig.b.Height)
	hand := V3{d.u(-0.5, 0.45), d.u(-0.75, 0.5), d.u(0.2, 0.75)}
	dir := d.ball()
	dir.Y = dir.Y*0.8 + 0.2
	dir = dir.Unit()
	off := d.p(0.5)
	top := V3{d.u(-0.6, 0.5), d.u(-1, 0.6), d.u(-0.1, 0.65)}
	return func(t float64) *Posed {
		g := s.mot.At(t)
		if mode == 2 {
			g.HandL, g.HandU, g.HandF = hand.X, hand.Y, hand.Z
			g.Bat = dir
		}
		if mode > 0 {
			w.apply(&g, t-t0)
		}
		if mode == 2 && off {
			v := g.ChestR.V(top.Mul(s.rig.reach))
			g.TopHand = &v
		}
		return s.rig.Solve(&g, gr)
	}, mode
}

// bodyCamera looks at a hitter from anywhere, the middle of the hips in the middle
// of the crop; false when something is too near.
func bodyCamera(d dice, rig *rig, o *Posed, pts *[17]V3) (cam Camera, hips V3, az float64, view string, ok bool) {
	az, view = pickView(d)
	dist := math.Exp(d.u(math.Log(90), math.Log(420)))
	height := d.u(15, 95)
	hips = pts[3].Lerp(pts[11], 0.5)
	pos := V3{math.Sin(az*deg)*dist + hips.X, height, math.Cos(az*deg)*dist + hips.Z}
	// the hitter stands off the picture's middle by up to some 15 deg
	aim := hips.Add(d.ball().Mul(0.09 * dist))
	cam = Camera{W: cropS, H: cropS, C: pos, R: lookAt(pos, aim, d.NormFloat64()*1.5*deg)}
	h := cam.R.V(hips.Sub(pos))
	if h.Z < 50 {
		return cam, hips, az, view, false
	}
	cam.F = bodyPx / rig.b.Height * h.Z
	cam.CX, cam.CY = cropS/2-cam.F*h.X/h.Z, cropS/2-cam.F*h.Y/h.Z
	for _, p := range append(pts[:], o.Knob, o.Tip) {
		if cam.R.V(p.Sub(pos)).Z < 20 {
			return cam, hips, az, view, false
		}
	}
	return cam, hips, az, view, true
}

// sight turns world axes to the camera's with z along the ray to the hips.
func sight(cam *Camera, hips V3) M3 {
	ray := cam.R.V(hips.Sub(cam.C)).Unit()
	axis := ray.Cross(V3{0, 0, 1})
	if axis.Len() < 1e-9 {
		return cam.R
	}
	return AxisAngle(axis.Unit(), math.Atan2(axis.Len(), ray.Z)).Mul(cam.R)
}

func (f *filmer) body(d dice, sw *swing, px []byte, lab []float32) bool {
	T := sw.mot.T
	t := d.u(-0.3, 0.15)
	if d.p(0.45) {
		t = d.u(T.Load-0.2, T.Fin+0.25)
	}
	hw := sw.rig.b.Height / 72
	look := newWildLook(d)
	gr := Grip{BatLen: clamp(d.u(0.43, 0.50)*sw.rig.b.Height, 24, 35), HandleR: look.Bat.HandleR, Spread: 3.35 * hw}
	gr.BottomAt = 0.75 + 1.75*hw + d.u(-0.4, 1.2)
	pose, mode := sw.pose(d, gr, t)
	o := pose(t)
	pts := bodyPoints(sw.rig, o)
	cam, hips, az, view, ok := bodyCamera(d, sw.rig, o, &pts)
	if !ok {
		return false
	}
	f.r.Geo, f.r.Cam, f.r.Back = NewGeo(sw.rig, look, gr, d.u(1.12, 1.4), 1.45, d.Int31n(1000)), cam, wildLight(d)
	if nv := len(f.r.Geo.Rest); f.s == nil || len(f.s.sx) < nv {
		n := cropS * cropS
		f.s = &scratch{sx: make([]float32, nv+4000), sy: make([]float32, nv+4000), sz: make([]float32, nv+4000), z: make([]float32, n), id: make([]int32, n), acc: make([]float32, n*3), cov: make([]uint8, n), sm: make([]float32, smN*smN)}
	}
	gone := func(float64) V3 { return V3{0, -500, 0} } // no ball
	sun := f.sun(func(t float64, w *World) { f.r.Geo.Build(pose(t), gone(t), w) }, t)
	shutter := min(1/math.Exp(d.u(math.Log(60), math.Log(4000))), 1.0/60)
	const instants = 3
	f.expose(sw, pose, gone, &sun, t, shutter, instants, 2*instants)
	f.straight(px, float32(f.r.Back.Exposure*d.u(0.8, 1.2)))
	R := sight(&cam, hips)
	for i, p := range pts {
		q := R.V(p.Sub(hips)).Mul(1 / sw.rig.b.Height)
		lab[3*i], lab[3*i+1], lab[3*i+2] = float32(q.X), float32(q.Y), float32(q.Z)
		c := cam.R.V(p.Sub(cam.C))
		lab[56+2*i], lab[57+2*i] = float32(cam.F*c.X/c.Z+cam.CX-cropS/2), float32(cam.F*c.Y/c.Z+cam.CY-cropS/2)
	}
	lab[51], lab[52], lab[53], lab[54] = viewCode[view], float32(az), float32(mode), float32(t)
	return true
}

// bodiesOf draws the samples of one body and writes its files.
func (f *filmer) bodiesOf(seed int64, assets, out string, buf []byte, lab []float32) error {
	d := dice{rand.New(rand.NewSource(seed))}
	sw, err := newSwing(d, assets)
	if err != nil {
		return err
	}
	per, size := len(lab)/bodyLabels, bodyPlanes*cropS*cropS
	for i := 0; i < per; {
		if f.body(d, sw, buf[i*size:(i+1)*size], lab[i*bodyLabels:(i+1)*bodyLabels]) {
			i++
		}
	}
	f.scenePicture(d, buf[per*size:])
	base := filepath.Join(out, fmt.Sprintf("%09d", seed))
	var lb bytes.Buffer
	binary.Write(&lb, binary.LittleEndian, lab)
	if err := os.WriteFile(base+".lab", lb.Bytes(), 0o644); err != nil {
		return err
	}
	if err := os.WriteFile(base+".tmp", buf, 0o644); err != nil {
		return err
	}
	return os.Rename(base+".tmp", base+".bin")
}

func bodiesMain(args []string) {
	fs := flag.NewFlagSet("bodies", flag.ExitOnError)
	assets := fs.String("assets", "assets", "body files")
	out := fs.String("out", "bodies", "folder for the sample files")
	seed := fs.Int64("seed", 2_000_000, "first body seed")
	bodies := fs.Int64("bodies", 1, "bodies to draw")
	per := fs.Int("per", 12, "samples a body")
	jobs := fs.Int("j", 2, "bodies drawn at once")
	ahead := fs.Int("ahead", 150, "stop while this many files wait to be read")
	fs.Parse(args)
	fail := func(err error) {
		if err != nil {
			fmt.Fprintln(os.Stderr, "bodies:", err)
			os.Exit(1)
		}
	}
	fail(os.MkdirAll(*out, 0o755))
	var next atomic.Int64
	var wg sync.WaitGroup
	for range *jobs {
		wg.Go(func() {
			f := newFilmer()
			buf := make([]byte, *per*bodyPlanes*cropS*cropS+3*cropS*cropS)
			lab := make([]float32, *per*bodyLabels)
			for k := next.Add(1) - 1; k < *bodies; k = next.Add(1) - 1 {
				for {
					if l, _ := filepath.Glob(filepath.Join(*out, "*.bin")); len(l) < *ahead {
						break
					}
					time.Sleep(50 * time.Millisecond)
				}
				fail(f.bodiesOf(*seed+k, *assets, *out, buf, lab))
			}
		})
	}
	wg.Wait()
}

package solve

import (
	"context"
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"nightcage/vision"
)

// A straight path under noise must come back straight, a wild mark must not
// bend it, and the claimed error must fit the one made.
func TestSmoothPath(t *testing.T) {
	const n = 60
	rng := rand.New(rand.NewPCG(1, 2))
	var z []float64
	for range 40 {
		ms, y, sigma := make([]float64, n), make([]float64, n), make([]float64, n)
		for i := range n {
			ms[i], sigma[i] = float64(i)*4, 2
			y[i] = 100 + 3*float64(i) + 2*rng.NormFloat64()
		}
		y[20] += 60
		sigma[33] = 0
		path, se := smoothPath(ms, y, sigma, 1e6)
		for i := range n {
			z = append(z, (path[i]-100-3*float64(i))/se[i])
		}
	}
	sum := 0.0
	for _, v := range z {
		sum += v * v
	}
	if rms := math.Sqrt(sum / float64(len(z))); rms < .7 || rms > 1.3 {
		t.Errorf("errors are %.2f times what is claimed", rms)
	}
}

// Segment shares must lie within the published tables they come from: de Leva
// (1996) table 4 in mm over a stature of 1735 (women) and 1741 (men), and for
// the thigh up to Drillis and Contini's .245; all quoted from memory.
func TestSharesLieWithinTheTables(t *testing.T) {
	for _, c := range []struct {
		name     string
		got      share
		low, top float64
	}{
		{"upper arm", shareUpperArm, 275.1 / 1735, 281.7 / 1741},
		{"forearm", shareForearm, 264.3 / 1735, 268.9 / 1741},
		{"thigh", shareThigh, 368.5 / 1735, .245},
		{"shank", shareShank, 432.3 / 1735, 434.0 / 1741},
		{"trunk", shareTrunk, 497.9 / 1735, 515.5 / 1741},
	} {
		low, top := min(c.low, c.top), max(c.low, c.top)
		if c.got.mean < low-.0006 || c.got.mean > top+.0006 {
			t.Errorf("%s %.4f outside %.4f .. %.4f", c.name, c.got.mean, low, top)
		}
		if c.got.sd < (top-low)/2 {
			t.Errorf("%s: spread %.4f does not cover women and men", c.name, c.got.sd)
		}
	}
}

// The lens prior must give the 1x lens of a phone, from film geometry: a 26 mm
// equivalent on the diagonal of 36 x 24 mm, 4:3 sensor, 8 % cropped.
func TestFocalPriorHoldsAPhone(t *testing.T) {
	diagonal := math.Hypot(36, 24)
	long := diagonal * 4 / 5
	f := 26 / long / .92 * 1280
	got, sigma := focalPrior(1280, f/(16*12)) // standing 16 ft away
	if z := math.Log(got/f) / sigma; math.Abs(z) > .5 {
		t.Errorf("prior %.0f px is %.1f sigma from a phone's %.0f", got, z, f)
	}
	if far, _ := focalPrior(1280, 2*f/(16*12)); far <= got {
		t.Error("a hitter twice as large in the picture calls for a longer lens")
	}
}

func TestScalesCombine(t *testing.T) {
	agree := combineScale([]vision.ScaleSource{{From: "height", PxPerIn: 6, SigmaRel: .04}, {From: "bat", PxPerIn: 6.06, SigmaRel: .03}})
	if want := 1 / math.Sqrt(1/(.04*.04)+1/(.03*.03)); math.Abs(agree.SigmaRel-want) > 1e-9 {
		t.Errorf("sigma %.4f, want %.4f", agree.SigmaRel, want)
	}
	if agree.PxPerIn < 6 || agree.PxPerIn > 6.06 {
		t.Errorf("scale %.3f outside its sources", agree.PxPerIn)
	}
	split := combineScale([]vision.ScaleSource{{From: "height", PxPerIn: 6, SigmaRel: .04}, {From: "bat", PxPerIn: 7.2, SigmaRel: .03}})
	if split.SigmaRel < .05 {
		t.Errorf("sources 18 %% apart give a sigma of %.3f", split.SigmaRel)
	}
	if none := combineScale(nil); none.PxPerIn != 0 {
		t.Errorf("no source gives %v", none)
	}
}

func TestFuseOnTheCircle(t *testing.T) {
	got, ok := fuse([]angleGuess{{math.Pi - .1, .1}, {-math.Pi + .1, .1}})
	if !ok || math.Abs(math.Remainder(got.rad-math.Pi, 2*math.Pi)) > 1e-9 {
		t.Errorf("got %v", got)
	}
	if _, ok := fuse(nil); ok {
		t.Error("nothing was fused into something")
	}
	far, _ := fuse([]angleGuess{{0, .1}, {.8, .1}})
	if far.sigma < .3 {
		t.Errorf("guesses 8 sigma apart give a sigma of %.2f", far.sigma)
	}
}

func TestViewsAndTheirConfidence(t *testing.T) {
	for yaw, view := range map[float64]vision.View{0: vision.ViewOpenSide, 44: vision.ViewOpenSide, 80: vision.ViewFront,
		-100: vision.ViewRear, 170: vision.ViewClosedSide, -170: vision.ViewClosedSide} {
		if got := sightingOf(yaw, 10); got.View != view {
			t.Errorf("yaw %g is %s, want %s", yaw, got.View, view)
		}
	}
	if got := sightingOf(0, 40); got.View != vision.ViewUnknown || got.YawDeg != 0 {
		t.Errorf("yaw known to 40 deg: %+v", got)
	}
	// by symmetry, a yaw on the border is as likely on either side of it
	if c := sightingOf(45, 8).Confidence; math.Abs(c-.5) > .01 {
		t.Errorf("confidence on the border %.2f, want .5", c)
	}
}

// The ball's turn must be found where the two paths meet, between frames.
func TestBallTurn(t *testing.T) {
	at := func(contact float64, turns bool) (float64, float64, bool) {
		var looks []look
		for k := range 30 {
			ms := float64(k) * 4.2
			l := look{ms: ms}
			if d := ms - contact; d < 0 || !turns {
				l.ball = point{u: -8 * d, v: 1 * d, sigma: 1, ok: true}
			} else {
				l.ball = point{u: 9 * d, v: -4 * d, sigma: 1, ok: true}
			}
			looks = append(looks, l)
		}
		return ballTurn(looks, 60)
	}
	for _, contact := range []float64{55.3, 60, 63.1} {
		ms, sigma, ok := at(contact, true)
		if !ok || math.Abs(ms-contact) > .1 {
			t.Errorf("contact at %.1f found at %.2f (%v)", contact, ms, ok)
		}
		if sigma > 1 {
			t.Errorf("sigma %.2f ms", sigma)
		}
	}
	if _, _, ok := at(60, false); ok {
		t.Error("a ball that flies on was seen to turn")
	}
}

// slowed is the synthetic track with the bat losing a share of its turn rate at
// contact.
func slowed(loss, noisePx float64, seed uint64) (*vision.Track, float64, float64) {
	s := plain()
	tr, _ := s.track()
	c := s.camera()
	rng := rand.New(rand.NewPCG(seed, 7))
	contact := s.contactMs() - 3.7 // where the barrel is fastest
	for i := range tr.Frames {
		f := &tr.Frames[i]
		ms := f.Ms
		if ms > contact {
			ms = contact + (ms-contact)*(1-loss)
		}
		_, _, knob, tip := s.pose(ms + synFromMs)
		for k, p := range []r3.Vec{knob, tip} {
			u, v := c.project(c.fromSwing(p))
			m := []*vision.Mark{&f.Knob, &f.Tip}[k]
			m.X, m.Y = u+(synWidth-1)/2.0+noisePx*rng.NormFloat64(), v+(synHeight-1)/2.0+noisePx*rng.NormFloat64()
			m.SigmaPx = max(noisePx, .5)
		}
	}
	return tr, contact, s.tipSpeed(contact + synFromMs)
}

// A bat slowed by a fifth at contact is shown too slow by a smooth path; told
// of the contact, the solver must give the speed before it, and the loss.
func TestStruckGivesTheSpeedBeforeContact(t *testing.T) {
	var smooth, after, losses []float64
	for seed := range uint64(6) {
		tr, contact, speed := slowed(.2, 1.5, seed)
		got := run(t, tr)
		// what a path without the break would show at contact: the mean of the
		// speeds on either side
		before, _, _ := VelocityAt(&got, contact-6)
		behind, _, _ := VelocityAt(&got, contact+6)
		smooth = append(smooth, (r3.Norm(r3.Vec(before.Vec3))+r3.Norm(r3.Vec(behind.Vec3)))/2/speed-1)
		got.Solution.Impact = nil
		told, err := Struck(context.Background(), got, contact+.8, 1.5)
		if err != nil {
			t.Fatal(err)
		}
		if told.Solution.Impact == nil {
			t.Fatal("no impact")
		}
		v, _, ok := VelocityAt(&told, contact)
		if !ok {
			t.Fatal("no velocity")
		}
		after = append(after, r3.Norm(r3.Vec(v.Vec3))/speed-1)
		losses = append(losses, told.Solution.Impact.LossRel)
		if got.Solution.Impact != nil {
			t.Error("the given track was changed")
		}
	}
	if b, a := median(smooth), median(after); math.Abs(a) > .04 || math.Abs(a) > math.Abs(b) {
		t.Errorf("speed off by %.1f %% with the contact told, %.1f %% when smoothed over", a*100, b*100)
	}
	if l := median(losses); math.Abs(l-.2) > .07 {
		t.Errorf("loss %.2f, want .20", l)
	}
}

// A strong kink is found without being told.
func TestKinkIsFound(t *testing.T) {
	tr, contact, _ := slowed(.4, 1, 3)
	got := run(t, tr)
	im := got.Solution.Impact
	if im == nil || math.Abs(im.Ms-contact) > 6 || im.FromBall {
		t.Fatalf("impact %+v, want one at %.1f", im, contact)
	}
	smooth, _, _ := slowed(0, 1, 3)
	if im := run(t, smooth).Solution.Impact; im != nil {
		t.Errorf("a swing through air has an impact: %+v", im)
	}
}

// Struck leaves alone what it cannot better.
func TestStruckWithoutABat(t *testing.T) {
	tr, _ := plain().track()
	out, err := Struck(context.Background(), *tr, 900, 1)
	if err != nil || out.Solution != nil {
		t.Errorf("unsolved track: %v, %v", out.Solution, err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := Struck(ctx, *tr, 900, 1); err == nil {
		t.Error("a context that has ended was overlooked")
	}
}

// A ball that flies along X, as a pinhole sees it with gravity pulling, must give
// the camera's yaw within the spread of pitches and its own claim.
func TestYawFromPitch(t *testing.T) {
	for _, yaw := range []float64{-25, 0, 14, 90, -90} {
		s := plain()
		s.yawDeg, s.tiltDeg = yaw, 7
		c := s.camera()
		c.fSigmaRel = .05
		rng := rand.New(rand.NewPCG(5, uint64(yaw+100)))
		w := &work{scene: &scene{}, cam: c}
		for k := range 40 {
			ms := float64(k) * 1000 / 240
			tc := (ms - 150) / 1000 // s to contact
			l := look{ms: ms}
			at := r3.Vec{X: 15 - 1200*tc, Y: 30 - 90*tc - 193*tc*tc, Z: 27}
			if tc > 0 { // hit up the middle
				at = r3.Vec{X: 15 + 1100*tc, Y: 30 + 400*tc, Z: 27 + 100*tc}
			}
			p := c.fromSwing(at)
			if u, v := c.project(p); p.Z > 20 && math.Abs(u) < synWidth/2 {
				l.ball = point{u: u + .7*rng.NormFloat64(), v: v + .7*rng.NormFloat64(), sigma: .7, ok: true}
			}
			w.scene.looks = append(w.scene.looks, l)
		}
		w.moments.peak = 36
		got, ok := w.yawFromPitch()
		if !ok {
			t.Errorf("yaw %g: none found", yaw)
			continue
		}
		off := math.Remainder(got.rad-yaw*math.Pi/180, 2*math.Pi)
		if math.Abs(off) > 3*got.sigma || math.Abs(off) > 5*math.Pi/180 {
			t.Errorf("yaw %g: off by %.1f deg, claimed %.1f", yaw, off*180/math.Pi, got.sigma*180/math.Pi)
		}
		if got.sigma < pitchSidewaysSigma {
			t.Errorf("yaw %g: claims %.1f deg, less than pitches spread", yaw, got.sigma*180/math.Pi)
		}
	}
	if _, ok := (&work{scene: &scene{looks: make([]look, 5)}}).yawFromPitch(); ok {
		t.Error("a yaw without a ball")
	}
}

package solve

import (
	"math"
	"math/rand/v2"

	"gonum.org/v1/gonum/spatial/r3"

	"nightcage/vision"
)

// motion is a swing of a random hitter: how far and when hips and shoulders turn,
// how the trunk leans and tips, where the hands start, meet the ball and finish,
// how the elbows are held, whether the top hand lets go. It shares nothing with
// the renderer, so that no rule of anatomy is learnt from one family of swings.
type motion struct {
	hips, shoulders   [4]float64 // deg closed, deg turned, ms about contact, ms steepness
	hipsBack          float64    // in behind the ankles
	lean, tip         float64    // deg: trunk toward the plate; toward the catcher by contact
	base, stride      float64    // in
	hands             [4]r3.Vec  // in the trunk's axes from the shoulders' middle, in: start, launch, contact, finish
	azimuth           [4]float64 // deg at the start, deg turned, ms, ms steepness
	elevation         [3]float64 // deg: start, contact, finish
	poles             [2]r3.Vec  // way each elbow points, trunk axes (out, up, ahead)
	letsGo            bool
	upperArm, forearm float64 // shares of height
}

// between draws evenly.
func evenly(rng *rand.Rand, lo, hi float64) float64 { return lo + (hi-lo)*rng.Float64() }

// randomMotion draws swings until both arms reach the bat and hold it as wrists
// allow for most of the way to contact.
func randomMotion(rng *rand.Rand) *motion {
	u := func(lo, hi float64) float64 { return evenly(rng, lo, hi) }
	for {
		m := &motion{
			hips:      [4]float64{u(-25, 0), u(70, 110), u(-100, -60), u(20, 34)},
			shoulders: [4]float64{u(-40, -10), u(95, 150), u(-80, -45), u(20, 34)},
			lean:      u(8, 38), tip: u(0, 25), base: u(18, 30), stride: u(0, 14),
			azimuth:   [4]float64{u(-205, -160), u(270, 330), u(-20, -4), u(28, 38)},
			elevation: [3]float64{u(20, 70), u(-42, -12), u(0, 45)},
			letsGo:    rng.Float64() < .3, upperArm: u(.148, .168), forearm: u(.143, .16),
		}
		m.hands = [4]r3.Vec{
			{X: u(-8, -2), Y: u(-6, 5), Z: u(4, 11)}, {X: u(-9, -3), Y: u(-7, 3), Z: u(4, 11)},
			{X: u(-2, 6), Y: u(-17, -8), Z: u(13, 20)}, {X: u(2, 10), Y: u(-3, 6), Z: u(4, 9)},
		}
		for side := range m.poles {
			// down to straight out, before to behind the trunk's plane
			up, ahead := u(-1, .1), u(-.5, .5)
			if side == 1 {
				ahead = u(-1, .3)
			}
			m.poles[side] = r3.Vec{X: u(.3, 1), Y: up, Z: ahead}
		}
		m.balance(u(-.5, 2.5))
		if m.holds() {
			return m
		}
	}
}

// balance sets the hips so that the centre of mass of the stance is so many
// inches in front of the middle of the feet: nobody falls over.
func (m *motion) balance(ahead float64) {
	for range 4 {
		body, head, _, _ := m.pose(70, 33, -800)
		z, feet := massShare[jHead]*head.Z, 0.0
		for j := range jHead {
			z += massShare[j] * body[jointLandmark[j]].Z
			if j >= jHeelL {
				feet += body[jointLandmark[j]].Z / 4
			}
		}
		m.hipsBack += (z - feet - ahead) / .86 // feet and shanks stay behind
	}
}

// holds says whether forearm and bat stand to each other as wrists allow in nine
// frames of ten before contact.
func (m *motion) holds() bool {
	bad, n := 0, 0
	for ms := -400.0; ms < 0; ms += 10 {
		body, _, knob, tip := m.pose(70, 33, ms)
		for side := range vision.Landmark(2) {
			fist, elbow := body[vision.LeftHand+side], body[vision.LeftElbow+side]
			a := angleBetween(r3.Sub(fist, elbow), r3.Sub(tip, knob)) * 180 / math.Pi
			if n++; a < 68 || a > 168 {
				bad++
			}
		}
	}
	return bad*10 < n
}

func step(ms, at, tau float64) float64 { return 1 / (1 + math.Exp(-(ms-at)/tau)) }

// pose is the hitter at a time about contact, swing frame.
func (m *motion) pose(height, bat, ms float64) (body []r3.Vec, head, knob, tip r3.Vec) {
	h := height / 70
	rad := func(deg float64) float64 { return deg * math.Pi / 180 }
	open := func(t [4]float64) float64 { return rad(t[0] + t[1]*step(ms, t[2], t[3])) }
	pair := func(mid, up r3.Vec, half, a float64) (lead, rear, along, ahead r3.Vec) {
		along = r3.Vec{X: math.Cos(a), Z: -math.Sin(a)}
		along = r3.Unit(r3.Sub(along, r3.Scale(r3.Dot(along, up), up)))
		return r3.Add(mid, r3.Scale(half, along)), r3.Sub(mid, r3.Scale(half, along)), along, r3.Cross(along, up)
	}
	body = make([]r3.Vec, vision.NumLandmarks)
	turn := step(ms, -60, 25)
	hipMid := r3.Vec{X: 2 * turn, Y: 34 * h, Z: -m.hipsBack}
	tipped := rad(m.tip) * turn
	up := r3.Unit(r3.Vec{X: -math.Sin(tipped), Y: math.Cos(tipped) * math.Cos(rad(m.lean)), Z: math.Cos(tipped) * math.Sin(rad(m.lean))})
	shMid := r3.Add(hipMid, r3.Scale(20.3*h, up))
	var along, ahead r3.Vec
	body[vision.LeftHip], body[vision.RightHip], _, _ = pair(hipMid, r3.Vec{Y: 1}, 4*h, open(m.hips))
	body[vision.LeftShoulder], body[vision.RightShoulder], along, ahead = pair(shMid, up, 6.9*h, open(m.shoulders))
	m.legs(body, h, ms)

	knob, tip = m.arms(body, shMid, up, along, ahead, height, bat, ms)
	head = r3.Add(shMid, r3.Add(r3.Scale(8.5*h, up), r3.Vec{X: 2, Z: 1.5}))
	body[vision.Nose] = r3.Add(head, r3.Vec{X: 3.2, Z: 1.5})
	for side := range vision.Landmark(2) {
		body[vision.LeftEye+side] = r3.Add(head, r3.Vec{X: 2.8, Y: 1, Z: 1.5 * (1 - 2*float64(side))})
		body[vision.LeftEar+side] = r3.Add(head, r3.Vec{X: .2, Z: 2.8 * (1 - 2*float64(side))})
	}
	return body, head, knob, tip
}

// arms puts the bat into the hands and the arms between them and the shoulders.
func (m *motion) arms(body []r3.Vec, shMid, up, along, ahead r3.Vec, height, bat, ms float64) (knob, tip r3.Vec) {
	h := height / 70
	rad := func(deg float64) float64 { return deg * math.Pi / 180 }
	// bat and hands
	az := rad(m.azimuth[0] + m.azimuth[1]*step(ms, m.azimuth[2], m.azimuth[3]))
	el := rad(m.elevation[0] + (m.elevation[1]-m.elevation[0])*step(ms, -60, 22) + (m.elevation[2]-m.elevation[1])*step(ms, 70, 25))
	d := r3.Vec{X: math.Sin(az) * math.Cos(el), Y: math.Sin(el), Z: math.Cos(az) * math.Cos(el)}
	at := m.hands[0]
	for k, s := range []float64{step(ms, -250, 35), step(ms, -45, 20), step(ms, 85, 28)} {
		at = r3.Add(at, r3.Scale(s, r3.Sub(m.hands[k+1], m.hands[k])))
	}
	// while the trunk turns, the hands stay in its axes
	hands := r3.Add(shMid, r3.Scale(h, r3.Add(r3.Scale(at.X, along), r3.Add(r3.Scale(at.Y, up), r3.Scale(at.Z, ahead)))))
	l1, l2 := m.upperArm*height, m.forearm*height+2.9
	grips := [2]float64{bottomFistIn, topFistIn}
	for range 8 { // within reach of both arms
		for side := range vision.Landmark(2) {
			fist := r3.Add(hands, r3.Scale(grips[side]-4.3, d))
			sh := body[vision.LeftShoulder+side]
			if over := r3.Norm(r3.Sub(fist, sh)) - .97*(l1+l2); over > 0 {
				hands = r3.Add(hands, r3.Scale(over, r3.Unit(r3.Sub(sh, fist))))
			}
		}
	}
	knob = r3.Sub(hands, r3.Scale(4.3, d))
	tip = r3.Add(knob, r3.Scale(bat, d))
	for side := range vision.Landmark(2) {
		fist := r3.Add(knob, r3.Scale(grips[side], d))
		if side == 1 && m.letsGo {
			fist = r3.Add(fist, r3.Scale(9*step(ms, 120, 18), r3.Unit(r3.Sub(ahead, up))))
		}
		sh := body[vision.LeftShoulder+side]
		p := m.poles[side]
		out := along
		if side == 1 {
			out = r3.Scale(-1, along)
		}
		pole := r3.Add(r3.Scale(p.X, out), r3.Add(r3.Scale(p.Y, up), r3.Scale(p.Z, ahead)))
		e := bend(sh, fist, l1, l2, pole)
		body[vision.LeftHand+side], body[vision.LeftElbow+side] = fist, e
		body[vision.LeftWrist+side] = r3.Add(fist, r3.Scale(2.9, r3.Unit(r3.Sub(e, fist))))
	}
	return knob, tip
}

// legs puts knees and feet under the hips; the rear foot turns with them.
func (m *motion) legs(body []r3.Vec, h, ms float64) {
	stride := m.stride * step(ms, -330, 35)
	pivot := step(ms, -50, 25)
	for side, x := range []float64{m.base/2 + stride, -m.base / 2} {
		l := vision.Landmark(side)
		ankle := r3.Vec{X: x, Y: 3.4 * h}
		toward := r3.Vec{Z: 1}
		if side == 1 {
			toward = r3.Unit(r3.Vec{X: pivot, Z: 1 - .7*pivot})
			ankle.Y += 2 * pivot
		}
		body[vision.LeftAnkle+l] = ankle
		body[vision.LeftHeel+l] = r3.Add(ankle, r3.Add(r3.Scale(-2.5, toward), r3.Vec{Y: -2}))
		body[vision.LeftToe+l] = r3.Add(ankle, r3.Add(r3.Scale(7.5, toward), r3.Vec{Y: -ankle.Y + 1}))
		body[vision.LeftKnee+l] = bend(body[vision.LeftHip+l], ankle, .24*70*h, .25*70*h, toward)
	}
}

func angleBetween(a, b r3.Vec) float64 {
	return math.Acos(max(-1, min(1, r3.Dot(a, b)/r3.Norm(a)/r3.Norm(b))))
}

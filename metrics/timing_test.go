package metrics

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"
)

// levelSweep is a bat 34 in long that turns level about its knob at degPerS and
// meets, square across the plate, a pitch that flies level at inPerS.
func levelSweep(degPerS, inPerS, spray float64) *sweep {
	rate := degPerS * math.Pi / 180
	at := func(ms float64) r3.Vec {
		sin, cos := math.Sincos(rate * ms / 1000)
		return r3.Vec{X: sin, Z: cos}
	}
	v := &sweep{spray: spray, vel: r3.Vec{X: -inPerS}, ball: r3.Vec{Z: 28}}
	for ms := -50.0; ms <= 0; ms++ {
		v.ms, v.knob, v.dir = append(v.ms, ms), append(v.knob, r3.Vec{}), append(v.dir, at(ms))
	}
	v.last = batPose{dir: r3.Vec{Z: 1}, dirV: r3.Vec{X: rate}, length: 34}
	return v
}

// TestFairWindow: for a pitch so fast that it does not move on while the bat
// turns, the level swing's one-sided fair window is 45 deg over the bat's turning
// speed where the ball's direction follows the bat's heading, and half of that
// where it follows twice the heading (mirror): 30 / 22.5 / 18.8 ms and 15 / 11.3 /
// 9.4 ms at 1500 / 2000 / 2400 deg/s (arithmetic of d(yaw) = omega dt).
func TestFairWindow(t *testing.T) {
	const fast = 1e7
	for _, c := range []struct{ degPerS, spray, ms float64 }{
		{1500, 1, 30}, {2000, 1, 22.5}, {2400, 1, 18.8}, {1500, 2, 15}, {2000, 2, 11.3}, {2400, 2, 9.4},
	} {
		v := levelSweep(c.degPerS, fast, c.spray)
		v.last.length = 80 // so that the barrel does not end first
		for _, sign := range []float64{-1, 1} {
			ms, spray := v.margin(sign)
			near(t, "fair window, ms", ms, c.ms, .06)
			if want := -sign * 45; math.Abs(spray-want) > 1.001*c.spray*c.degPerS/1000 {
				t.Errorf("%v deg/s: at the edge the ball tends to %v deg, want about %v", c.degPerS, spray, want)
			}
		}
	}
}

// TestLateIsDeeper: a real pitch goes on toward the catcher while a late bat
// comes, and meets it deeper, less turned than the delay alone says. For a short
// way the bat's heading at the meeting changes by omega dt v/(v + u), v the
// ball's speed and u the bat's where they meet.
func TestLateIsDeeper(t *testing.T) {
	const degPerS, inPerS, late = 2000.0, 1408.0, 2.0 // 80 mph
	v := levelSweep(degPerS, inPerS, 1)
	_, miss, along, heading, ok := v.meet(late, 0)
	u := degPerS * math.Pi / 180 * 28
	if !ok || math.Abs(miss) > .001 { // gravity
		t.Fatalf("a level swing misses a level pitch by %v in", miss)
	}
	near(t, "heading, deg", heading, -degPerS*late/1000*inPerS/(inPerS+u), .02)
	near(t, "place on the bat, in", along, 28/math.Cos(heading*math.Pi/180), 1e-6)
}

// TestMissClosesTheWindow: a pitch that falls 6 deg meets a level bat 1 in off
// its axis when it is met 9.5 in too deep or too far in front (1/tan 6 deg).
func TestMissClosesTheWindow(t *testing.T) {
	const inPerS, degPerS = 1408.0, 600.0
	v := levelSweep(degPerS, inPerS, 0)
	v.vel.Y = -inPerS * math.Tan(6*math.Pi/180)
	for _, sign := range []float64{-1, 1} {
		ms, _ := v.margin(sign)
		at, miss, _, _, ok := v.meet(sign*ms, 0)
		if !ok {
			t.Fatal("no meeting at the edge")
		}
		near(t, "miss at the edge, in", math.Abs(miss), squareIn, .03)
		// Gravity adds a little to the straight line's fall.
		near(t, "how deep it is met, in", -v.ballAt(at).X*sign, 1/math.Tan(6*math.Pi/180), .3)
	}
}

// TestBarrelEndsTheWindow: a ball met 2 in from the tip leaves the bat before it
// leaves the line.
func TestBarrelEndsTheWindow(t *testing.T) {
	v := levelSweep(2000, 1408, 0)
	v.ball.Z = 33
	ms, _ := v.margin(1)
	_, _, along, _, _ := v.meet(ms, 0)
	near(t, "where on the bat, in", along, 34, .1)
}

// TestTurnOnPastContact: without a blow the bat keeps its turning rate.
func TestTurnOnPastContact(t *testing.T) {
	v := levelSweep(2000, 1408, 1)
	_, dir := v.pose(10)
	near(t, "heading 10 ms on", deg(math.Atan2(dir.X, dir.Z)), 20, 1e-9)
	_, dir = v.pose(-10)
	near(t, "heading 10 ms before", deg(math.Atan2(dir.X, dir.Z)), -20, .01)
}

// TestCollisionEfficiency: EV = q v_pitch + (1+q) v_bat (Nathan 2003, Am J Phys
// 71:134-143, DOI 10.1119/1.1522699). Worked numbers with q = .2, about that of
// a wood bat's sweet spot: 90 mph and 80 mph make 114, 68 and 61.7 make 87.64;
// and 103 off 90 and 80 is not of this bat.
func TestCollisionEfficiency(t *testing.T) {
	near(t, "q of 90, 80, 114 mph", collisionEfficiency(90, 80, 114), .2, 1e-9)
	near(t, "q of 68, 61.7, 87.64 mph", collisionEfficiency(68, 61.7, 87.64), .2, 1e-9)
	near(t, "q of 70, 70, 98 mph", collisionEfficiency(70, 70, 98), .2, 1e-9)
}

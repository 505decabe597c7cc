package solve

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"sync"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"nightcage/vision"
)

// motionsWear is the usual wear with what networks get wrong about depth, more
// of it than was ever seen of them: leans of 10 deg and a third of the arms on the
// wrong side.
func motionsWear() wear {
	w := usual
	w.leanDeg, w.turnedArms, w.swapShare = 10, .33, 0
	return w
}

// solvedMotion is a random hitter's swing, solved.
type solvedMotion struct {
	of   synthetic
	got  vision.Track
	want *vision.Solution
}

// solvedMotions are sixteen random hitters, most seen from the open side, solved
// once for all tests.
var solvedMotions = sync.OnceValues(func() ([]solvedMotion, error) {
	rng := rand.New(rand.NewPCG(66001, 1))
	var out []solvedMotion
	for k := range 16 {
		s := plain()
		s.fps = 120
		s.yawDeg, s.tiltDeg = evenly(rng, -25, 25), evenly(rng, 2, 10)
		if k%4 == 3 {
			s.yawDeg += []float64{90, -90, 180}[k/4%3]
		}
		s.distance, s.height, s.left = evenly(rng, 150, 260), evenly(rng, 58, 75), rng.Float64() < .5
		s.motion = randomMotion(rng)
		tr, want := s.track()
		w := motionsWear()
		w.seed = uint64(k)
		w.on(tr, want, s.focal/s.distance)
		got, err := Run(context.Background(), *tr)
		if err != nil {
			return nil, err
		}
		if got.Solution == nil {
			return nil, fmt.Errorf("motion %d unsolved: %s", k, got.Unsolved)
		}
		out = append(out, solvedMotion{s, got, want})
	}
	return out, nil
})

// eachMotion calls see with every solved motion.
func eachMotion(t *testing.T, see func(s synthetic, got *vision.Track, want *vision.Solution)) {
	t.Helper()
	all, err := solvedMotions()
	if err != nil {
		t.Fatal(err)
	}
	for i := range all {
		see(all[i].of, &all[i].got, all[i].want)
	}
}

// alongSight is a place's depth from the camera and its standard error.
func alongSight(c vision.Camera, p vision.Point3) (z, sigma float64) {
	return c.R[6]*p.X + c.R[7]*p.Y + c.R[8]*p.Z + c.T.Z, math.Sqrt(sq(c.R[6]*p.SX) + sq(c.R[7]*p.SY) + sq(c.R[8]*p.SZ))
}

// depthErrors are the errors of joints' depths against the hips' middle around
// the swing, by the reading that is nearer the truth where an arm has two: how
// sure readings are is TestReadingsAreAsSureAsTheySay's to judge.
func depthErrors(got *vision.Track, want *vision.Solution, fromMs, toMs float64) (out []Error) {
	sol := got.Solution
	for i := range sol.Frames {
		g, w := &sol.Frames[i], &want.Frames[i]
		if ms := got.Frames[i].Ms; ms < fromMs || ms > toMs || len(g.Body) == 0 {
			continue
		}
		middle := func(c vision.Camera, b []vision.Point3) float64 {
			l, _ := alongSight(c, b[vision.LeftHip])
			r, _ := alongSight(c, b[vision.RightHip])
			return (l + r) / 2
		}
		g0, w0 := middle(sol.Camera, g.Body), middle(want.Camera, w.Body)
		add := func(name string, p, q vision.Point3) {
			if !p.Valid {
				return
			}
			z, sigma := alongSight(sol.Camera, p)
			v, _ := alongSight(want.Camera, q)
			out = append(out, Error{name, z - g0 - v + w0, sigma})
		}
		for left := vision.LeftShoulder; left <= vision.LeftAnkle; left += 2 {
			for k, l := range []vision.Landmark{got.Hand.Lead(left), got.Hand.Rear(left)} {
				p := g.Body[l]
				for _, o := range g.Other {
					a, _ := alongSight(sol.Camera, p)
					b, _ := alongSight(sol.Camera, o.Place)
					v, _ := alongSight(want.Camera, w.Body[l])
					if o.Landmark == l && math.Abs(b-g0-v+w0) < math.Abs(a-g0-v+w0) {
						p = o.Place
					}
				}
				add([]string{"lead ", "rear "}[k]+strings.TrimPrefix(left.String(), "left_"), p, w.Body[l])
			}
		}
		add("knob", g.Knob, w.Knob)
		add("tip", g.Tip, w.Tip)
	}
	return out
}

// Swings of hitters of every sort, with worn marks and misled guesses: depths must
// hold the truth as often as they say, within what 16 swings can show.
func TestDepthsOfOtherMotions(t *testing.T) {
	var all, rest []Error
	eachMotion(t, func(s synthetic, got *vision.Track, want *vision.Solution) {
		at := s.contactMs()
		all = append(all, depthErrors(got, want, at-250, at+60)...)
		rest = append(rest, Compare(got, want, Span{FromMs: at - 150, ContactMs: at, ToMs: at + 50, TipSpeedInS: s.tipSpeed(0)})...)
	})
	sums := Summarise(all)
	var table strings.Builder
	if err := Print(&table, append(sums, Summarise(rest)...)); err != nil {
		t.Fatal(err)
	}
	t.Logf("\n%s", table.String())
	for _, s := range sums {
		if strings.Contains(s.Quantity, "hip") || s.Quantity == "knob" || s.Quantity == "tip" {
			continue // the hips are what depths count from; the bat shares an error, see TestIntervalsHold
		}
		if s.Coverage95 < .8 || s.Rms1 > 1.5 || s.Rms1 < .2 {
			t.Errorf("depth of %s: intervals hold %.0f %%, errors are %.2f times what is claimed", s.Quantity, s.Coverage95*100, s.Rms1)
		}
	}
}

// A reading's chance must be the share of times it is right.
func TestReadingsAreAsSureAsTheySay(t *testing.T) {
	var claimed, right, n float64
	eachMotion(t, func(s synthetic, got *vision.Track, want *vision.Solution) {
		for i := range got.Solution.Frames {
			if ms := got.Frames[i].Ms - s.contactMs(); ms < -250 || ms > 60 {
				continue
			}
			g, w := &got.Solution.Frames[i], &want.Frames[i]
			for _, o := range g.Other {
				if o.Landmark != vision.LeftElbow && o.Landmark != vision.RightElbow {
					continue
				}
				a, _ := alongSight(got.Solution.Camera, g.Body[o.Landmark])
				b, _ := alongSight(got.Solution.Camera, o.Place)
				sh, _ := alongSight(got.Solution.Camera, g.Body[o.Landmark-2])
				v, _ := alongSight(want.Camera, w.Body[o.Landmark])
				u, _ := alongSight(want.Camera, w.Body[o.Landmark-2])
				n++
				claimed += 1 - o.Weight
				if math.Abs(a-sh-v+u) <= math.Abs(b-sh-v+u) {
					right++
				}
			}
		}
	})
	if n == 0 {
		t.Fatal("no arm had another reading")
	}
	t.Logf("%.0f readings, right %.2f, claimed %.2f", n, right/n, claimed/n)
	if math.Abs(right-claimed)/n > .15 || right/n < .6 {
		t.Errorf("readings right in %.0f %%, claimed %.0f %%", 100*right/n, 100*claimed/n)
	}
}

// The elbow's circle: both segments keep their lengths all round it.
func TestElbowCircleKeepsLengths(t *testing.T) {
	a := &armView{shoulder: r3.Vec{X: 1, Y: 2, Z: 190}, fist: r3.Vec{X: 9, Y: -4, Z: 181}, upper: 11, fore: 13}
	centre, across, away, against := a.circle()
	if against != 0 {
		t.Fatalf("an arm within reach costs %g", against)
	}
	for i := range swivelSteps {
		e := r3.Add(centre, r3.Add(r3.Scale(swivels[i][0], across), r3.Scale(swivels[i][1], away)))
		if d := r3.Norm(r3.Sub(e, a.shoulder)); math.Abs(d-a.upper) > 1e-9 {
			t.Errorf("step %d: upper arm of %g in", i, d)
		}
		if d := r3.Norm(r3.Sub(e, a.fist)); math.Abs(d-a.fore) > 1e-9 {
			t.Errorf("step %d: forearm of %g in", i, d)
		}
	}
	a.fist = r3.Add(a.shoulder, r3.Vec{X: 30})
	if _, across, _, against := a.circle(); across != (r3.Vec{}) || math.Abs(against-sq(6/(armLooseShare*24))) > 1e-9 {
		t.Errorf("an arm 6 in too short costs %g", against)
	}
}

// Postures whose turn of the upper arm about its own axis is plain to see: the
// forearm forward is neutral; with the arm raised to the side, forearm up is 90
// deg outward and down 90 inward (the two postures in which the American Academy
// of Orthopaedic Surgeons has it measured).
func TestAxialTurn(t *testing.T) {
	up, ahead := r3.Vec{Y: -1}, r3.Vec{Z: -1} // camera axes, open side
	out := r3.Vec{X: 1}                       // the lead arm's
	tr := trunkAxes{up: up, out: out, ahead: ahead}
	down := r3.Scale(-1, up)
	for _, c := range []struct {
		name           string
		upper, forearm r3.Vec
		want           float64
	}{
		{"hanging, forearm forward", down, ahead, 0},
		{"hanging, forearm out", down, out, 90},
		{"hanging, forearm across the belly", down, r3.Scale(-1, out), -90},
		{"raised sideways, forearm forward", out, ahead, 0},
		{"raised sideways, forearm up", out, up, 90},
		{"raised sideways, forearm down", out, down, -90},
		{"raised forward, forearm up", ahead, up, 0},
		{"raised forward, forearm out", ahead, out, 90},
	} {
		got, bent := tr.axialTurn(c.upper, c.forearm)
		if math.Abs(got*180/math.Pi-c.want) > 1e-6 || bent != 1 {
			t.Errorf("%s: turned %.1f deg, want %g (bent %g)", c.name, got*180/math.Pi, c.want, bent)
		}
	}
}

// The joints' shares of mass must make the body, and put the centre of mass of a
// body that stands straight where anatomy books have it: 55 % of its height above
// the ground for women, 57 for men (from memory), give or take 1.5.
func TestMassSharesMakeTheBody(t *testing.T) {
	up := map[int]float64{jHead: .93, jShoulderL: .82, jElbowL: .63, jWristL: .485, jHandL: .44, jHipL: .52, jKneeL: .285, jAnkleL: .039, jHeelL: .02, jToeL: .01}
	sum, centre := 0.0, 0.0
	for j, m := range massShare {
		at, ok := up[j]
		if !ok {
			at = up[j-1] // the other side of the pair
		}
		sum, centre = sum+m, centre+m*at
	}
	if math.Abs(sum-1) > .002 {
		t.Errorf("shares of mass add up to %.4f", sum)
	}
	if centre < .54 || centre > .585 {
		t.Errorf("centre of mass at %.3f of height", centre)
	}
}

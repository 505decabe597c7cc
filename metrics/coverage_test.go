package metrics_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"nightcage/metrics"
	"nightcage/phases"
	"nightcage/vision"
	"nightcage/vision/truth"
)

// errorsOf is what a simulated camera gets wrong. The Track that results states
// exactly these standard errors.
type errorsOf struct {
	bodyIn, batIn           float64 // scatter of every point in every frame, per axis
	scaleRel, yaw, tilt     float64 // shared; deg
	eventMs, clockRel       float64
	joints                  metrics.JointErrors
	knobSpeedIn, tipSpeedIn float64 // of the solver's velocities, in/s; 0: gives none
}

// simulate puts one draw of errors into an exact track and timeline.
func simulate(f *truth.File, exact vision.Track, e errorsOf, rng *rand.Rand) (vision.Track, phases.Timeline) {
	tl := timeline(f, e.eventMs)
	scale := 1 + e.scaleRel*rng.NormFloat64()
	clock := 1 + e.clockRel*rng.NormFloat64()
	sinY, cosY := math.Sincos(e.yaw * rng.NormFloat64() * math.Pi / 180)
	c := exact.Solution.Camera.Centre
	axis := vision.Vec3{X: c.X / math.Hypot(c.X, c.Z), Z: c.Z / math.Hypot(c.X, c.Z)}
	sinT, cosT := math.Sincos(e.tilt * rng.NormFloat64() * math.Pi / 180)
	turn := func(v vision.Vec3) vision.Vec3 {
		v = vision.Vec3{X: cosY*v.X + sinY*v.Z, Y: v.Y, Z: cosY*v.Z - sinY*v.X}
		dot := (axis.X*v.X + axis.Z*v.Z) * (1 - cosT)
		cross := vision.Vec3{X: -axis.Z * v.Y, Y: axis.Z*v.X - axis.X*v.Z, Z: axis.X * v.Y}
		return vision.Vec3{X: scale * (cosT*v.X + sinT*cross.X + dot*axis.X), Y: scale * (cosT*v.Y + sinT*cross.Y), Z: scale * (cosT*v.Z + sinT*cross.Z + dot*axis.Z)}
	}
	three := func() [3]float64 { return [3]float64{rng.NormFloat64(), rng.NormFloat64(), rng.NormFloat64()} }
	size := f.Hitter.HeightIn / 70
	// A joint's error over time: 70 % of the variance stays, 30 % turns over.
	type wave [3][3]float64
	grown := func(sigma float64) (w wave) {
		for k, share := range [3]float64{.7, .3, .3} {
			n := three()
			for a := range 3 {
				w[k][a] = math.Sqrt(share) * sigma * size * n[a]
			}
		}
		return w
	}
	plus := func(a, b wave) wave {
		for k := range a {
			for c := range a[k] {
				a[k][c] += b[k][c]
			}
		}
		return a
	}
	var joint [vision.NumLandmarks]wave
	var common wave
	for l := range joint { // left-hand landmarks are odd, their right-hand ones follow
		left := l
		if l > 0 && l%2 == 0 {
			left = l - 1
		} else {
			common = grown(e.joints[vision.Landmark(l)].Pair)
		}
		joint[l] = plus(common, grown(e.joints[vision.Landmark(left)].Own))
	}
	head := grown(e.joints[vision.Nose].Own)
	knobV, tipV := three(), three()
	out := exact
	sol := *exact.Solution
	sol.ScaleSigmaRel, sol.BatScaleSigmaRel, sol.YawSigmaDeg, sol.TiltSigmaDeg = e.scaleRel, e.scaleRel, e.yaw, e.tilt
	sol.Frames = slices.Clone(sol.Frames)
	out.Solution = &sol
	out.Clip.Clock.SigmaRel = e.clockRel
	out.Clip.Times = slices.Clone(out.Clip.Times)
	out.Frames = slices.Clone(out.Frames)
	for i := range out.Frames {
		ms := exact.Frames[i].Ms
		sin, cos := math.Sincos(math.Pi * ms / 400)
		off := func(w wave, a int) float64 { return w[0][a] + cos*w[1][a] + sin*w[2][a] }
		put := func(p vision.Point3, w wave, sigma float64) vision.Point3 {
			n := three()
			v := turn(vision.Vec3{X: p.X + off(w, 0) + sigma*n[0], Y: p.Y + off(w, 1) + sigma*n[1], Z: p.Z + off(w, 2) + sigma*n[2]})
			return vision.Point3{Vec3: v, SX: sigma, SY: sigma, SZ: sigma, Valid: p.Valid}
		}
		pose := exact.Solution.Frames[i]
		pose.Body = slices.Clone(pose.Body)
		for l := range pose.Body {
			pose.Body[l] = put(pose.Body[l], joint[l], e.bodyIn)
		}
		pose.Head = put(pose.Head, head, e.bodyIn)
		if e.tipSpeedIn > 0 {
			slope := func(at func(q vision.Pose3) vision.Vec3, z [3]float64, sigma float64) vision.Point3 {
				v := velocity(exact, i, at)
				v = turn(vision.Vec3{X: v.X/clock + sigma*z[0], Y: v.Y/clock + sigma*z[1], Z: v.Z/clock + sigma*z[2]})
				return vision.Point3{Vec3: v, SX: sigma, SY: sigma, SZ: sigma, Valid: true}
			}
			pose.KnobVelocity = slope(func(q vision.Pose3) vision.Vec3 { return q.Knob.Vec3 }, knobV, e.knobSpeedIn)
			pose.TipVelocity = slope(func(q vision.Pose3) vision.Vec3 { return q.Tip.Vec3 }, tipV, e.tipSpeedIn)
		}
		pose.Knob, pose.Tip = put(pose.Knob, wave{}, e.batIn), put(pose.Tip, wave{}, e.batIn)
		sol.Frames[i] = pose
		out.Frames[i].Ms *= clock
		out.Clip.Times[i].Ms *= clock
	}
	for i := range tl.Events {
		tl.Events[i].Ms = tl.Events[i].Ms*clock + e.eventMs*rng.NormFloat64()
	}
	return out, tl
}

// velocity is a point's velocity in frame i of an exact track, in/s, from three
// frames on one side of contact: (3 p0 - 4 p1 + p2)/2h backward, or the same
// forward. Its own error at 240 fps is under 1 %.
func velocity(exact vision.Track, i int, at func(q vision.Pose3) vision.Vec3) vision.Vec3 {
	frames := exact.Solution.Frames
	step := -1
	if i < 2 {
		step = 1
	}
	p0, p1, p2 := at(frames[i]), at(frames[i+step]), at(frames[i+2*step])
	h := float64(step) * (exact.Frames[i+step].Ms - exact.Frames[i].Ms) / 1000 * float64(-step)
	d := func(a, b, c float64) float64 { return (3*a - 4*b + c) / (2 * h) }
	return vision.Vec3{X: d(p0.X, p1.X, p2.X), Y: d(p0.Y, p1.Y, p2.Y), Z: d(p0.Z, p1.Z, p2.Z)}
}

// tally counts how often a measure's intervals hold the truth.
type tally struct {
	n, held, absent int
	off, claimed    []float64
}

func (ta *tally) add(m metrics.Result, want float64) {
	if m.Value == nil {
		ta.absent++
		return
	}
	ta.n++
	if *m.Low95 <= want && want <= *m.High95 {
		ta.held++
	}
	ta.off = append(ta.off, math.Abs(*m.Value-want))
	ta.claimed = append(ta.claimed, *m.Sigma)
}

func median(x []float64) float64 {
	slices.Sort(x)
	return x[len(x)/2]
}

// TestIntervalsHoldTheTruth simulates cameras whose errors are what their
// tracks state and counts how often each measure's 95 % interval holds the
// exact value. The errors are made here, not by the draws under test: joints,
// scatter, scale, turn, tilt, clock, events, solver velocities.
func TestIntervalsHoldTheTruth(t *testing.T) {
	const perClip = 10
	e := errorsOf{bodyIn: .4, batIn: .3, scaleRel: .02, yaw: 4, tilt: 1, eventMs: 3, clockRel: .001,
		joints: metrics.NetworkJointErrors(), knobSpeedIn: 15, tipSpeedIn: 30}
	tallies := map[string]*tally{}
	for _, d := range metrics.Catalogue() {
		tallies[d.ID] = &tally{}
	}
	for c, name := range []string{"s77001_00", "s77001_04", "s77001_06", "s77001_09"} {
		f := readTruth(t, name)
		exact := track(t, f, truth.Options{})
		ref := measure(t, exact, timeline(f, .01), metrics.Options{Draws: 20, Joints: metrics.JointErrors{}})
		for i := range perClip {
			rng := rand.New(rand.NewPCG(uint64(c), uint64(i)))
			tr, tl := simulate(f, exact, e, rng)
			s := measure(t, tr, tl, metrics.Options{Draws: 150, Seed: uint64(100*c + i + 1)})
			for _, m := range s.Measures {
				if want, _ := ref.Find(m.ID); want.Value != nil {
					tallies[m.ID].add(m, *want.Value)
				}
			}
		}
	}
	n, held, absent := 0, 0, 0
	for _, d := range metrics.Catalogue() {
		ta := tallies[d.ID]
		n, held, absent = n+ta.n, held+ta.held, absent+ta.absent
		if ta.n == 0 {
			t.Errorf("%s was never measured", d.ID)
			continue
		}
		t.Logf("%-36s n %d absent %d held %.3f median error %.3g sigma %.3g %s", d.ID, ta.n, ta.absent,
			float64(ta.held)/float64(ta.n), median(ta.off), median(ta.claimed), d.Unit)
		// Of 40 trials at 95 %, 32 or fewer hold by chance once in 3,000
		// (binomial).
		if float64(ta.held) <= .8*float64(ta.n) {
			t.Errorf("%s: %d of %d intervals hold the truth", d.ID, ta.held, ta.n)
		}
	}
	share := float64(held) / float64(n)
	t.Logf("all measures: %.4f of %d, %d absent", share, n, absent)
	if share < .93 || share > .97 {
		t.Errorf("intervals hold the truth %.1f %% of the time, want 95", 100*share)
	}
	if absent > n/50 {
		t.Errorf("%d of %d unavailable on full solutions", absent, n+absent)
	}
}

// TestPlanarIntervalsHoldTheTruth reads noisy image marks from the open side.
// Depth is drawn from a prior wider than any one hitter's, so intervals may hold
// more often than 95 %, not less.
func TestPlanarIntervalsHoldTheTruth(t *testing.T) {
	n, held := 0, 0
	off, holds := map[string][]float64{}, map[string]int{}
	for _, name := range []string{"s77001_00", "s77001_04", "s77001_09"} {
		f := readTruth(t, name)
		ref := measure(t, track(t, f, truth.Options{}), timeline(f, .01), metrics.Options{Draws: 20, Joints: metrics.JointErrors{}})
		for seed := range uint64(8) {
			tr := track(t, f, truth.Options{No3D: true, NoisePx: 2, BatNoisePx: 2, Seed: seed})
			s := measure(t, tr, timeline(f, 1), metrics.Options{Draws: 200, Joints: metrics.JointErrors{}})
			for _, m := range s.Measures {
				want, _ := ref.Find(m.ID)
				if m.View != metrics.HowPlanar || m.Value == nil || want.Value == nil {
					continue
				}
				if m.Grade != metrics.GradeEstimated || m.Reason == "" {
					t.Fatalf("%s read from the flat picture is graded %s", m.ID, m.Grade)
				}
				n++
				if *m.Low95 <= *want.Value && *want.Value <= *m.High95 {
					held++
					holds[m.ID]++
				}
				off[m.ID] = append(off[m.ID], math.Abs(*m.Value-*want.Value))
			}
		}
	}
	for _, d := range metrics.Catalogue() {
		if x := off[d.ID]; len(x) > 0 {
			t.Logf("%-36s n %d held %.2f median error %.3g %s", d.ID, len(x), float64(holds[d.ID])/float64(len(x)), median(x), d.Unit)
		}
	}
	if n < 500 {
		t.Fatalf("only %d planar readings", n)
	}
	if share := float64(held) / float64(n); share < .93 {
		t.Error(fmt.Sprintf("planar intervals hold the truth %.1f %% of the time", 100*share))
	}
}

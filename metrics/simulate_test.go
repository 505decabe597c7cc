package metrics_test

import (
	"math"
	"math/rand/v2"
	"slices"

	"nightcage/metrics"
	"nightcage/phases"
	"nightcage/vision"
	"nightcage/vision/truth"
)

// errorsOf is what a simulated camera gets wrong. The Track that results states
// exactly these standard errors.
type errorsOf struct {
	bodyIn, batIn           float64 // scatter of every point in every frame, per axis
	lastMs                  float64 // how long scatter keeps; 0: independent from frame to frame
	scaleRel                float64 // shared
	yaw, tilt, pitch        float64 // shared, deg: about the vertical, in the picture, about its horizontal
	bodyDepth, batDepth     float64 // shared, along the rays from the camera
	eventMs, clockRel       float64
	joints                  metrics.JointErrors
	knobSpeedIn, tipSpeedIn float64 // of the solver's velocities, in/s; 0: gives none
	ball                    ballErrors
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
	sinP, cosP := math.Sincos(e.pitch * rng.NormFloat64() * math.Pi / 180)
	nod := func(v vision.Vec3) vision.Vec3 { // about the horizontal across the line of sight, (axis.Z, 0, -axis.X)
		along := axis.X*v.X + axis.Z*v.Z
		across := axis.Z*v.X - axis.X*v.Z
		along, v.Y = cosP*along+sinP*v.Y, cosP*v.Y-sinP*along
		return vision.Vec3{X: along*axis.X + across*axis.Z, Y: v.Y, Z: along*axis.Z - across*axis.X}
	}
	turn := func(v vision.Vec3) vision.Vec3 {
		v = vision.Vec3{X: cosY*v.X + sinY*v.Z, Y: v.Y, Z: cosY*v.Z - sinY*v.X}
		dot := (axis.X*v.X + axis.Z*v.Z) * (1 - cosT)
		cross := vision.Vec3{X: -axis.Z * v.Y, Y: axis.Z*v.X - axis.X*v.Z, Z: axis.X * v.Y}
		return nod(vision.Vec3{X: scale * (cosT*v.X + sinT*cross.X + dot*axis.X), Y: scale * (cosT*v.Y + sinT*cross.Y), Z: scale * (cosT*v.Z + sinT*cross.Z + dot*axis.Z)})
	}
	bodyBy, batBy := e.bodyDepth*rng.NormFloat64(), e.batDepth*rng.NormFloat64()
	away := func(p vision.Vec3, by float64) vision.Vec3 {
		d := vision.Vec3{X: p.X - c.X, Y: p.Y - c.Y, Z: p.Z - c.Z}
		n := math.Sqrt(d.X*d.X + d.Y*d.Y + d.Z*d.Z)
		return vision.Vec3{X: p.X + by*d.X/n, Y: p.Y + by*d.Y/n, Z: p.Z + by*d.Z/n}
	}
	three := func() [3]float64 { return [3]float64{rng.NormFloat64(), rng.NormFloat64(), rng.NormFloat64()} }
	size := f.Hitter.HeightIn / 70
	joint := jointErrors(e.joints, size, rng)
	knobV, tipV := three(), three()
	var scatters [vision.NumLandmarks + 3]func(ms float64) [3]float64
	for p := range scatters {
		scatters[p] = scatterOf(e.lastMs, rng)
	}
	if e.lastMs > 0 {
		shareDepths(&scatters, axis, e.lastMs, rng)
	}
	out := exact
	sol := *exact.Solution
	sol.ScaleSigmaRel, sol.BatScaleSigmaRel, sol.YawSigmaDeg, sol.TiltSigmaDeg = e.scaleRel, e.scaleRel, e.yaw, e.tilt
	sol.Camera.TiltSigmaDeg, sol.BodyDepthSigmaIn, sol.BatDepthSigmaIn = e.pitch, e.bodyDepth, e.batDepth
	sol.Frames = slices.Clone(sol.Frames)
	// The camera moves with the swing that it was solved with.
	for i := range 3 {
		v := turn(vision.Vec3{X: sol.Camera.R[3*i] / scale, Y: sol.Camera.R[3*i+1] / scale, Z: sol.Camera.R[3*i+2] / scale})
		sol.Camera.R[3*i], sol.Camera.R[3*i+1], sol.Camera.R[3*i+2] = v.X, v.Y, v.Z
	}
	at := sol.Camera.T
	sol.Camera.T, sol.Camera.Centre = vision.Vec3{X: scale * at.X, Y: scale * at.Y, Z: scale * at.Z}, turn(sol.Camera.Centre)
	out.Solution = &sol
	out.Clip.Clock.SigmaRel = e.clockRel
	out.Clip.Times = slices.Clone(out.Clip.Times)
	out.Frames = slices.Clone(out.Frames)
	for i := range out.Frames {
		ms := exact.Frames[i].Ms
		put := func(index int, p vision.Point3, sigma float64) vision.Point3 {
			n, off, by := scatters[index](ms), [3]float64{}, batBy
			if index <= vision.NumLandmarks {
				off, by = joint[index](ms), bodyBy
			}
			p.Vec3 = away(p.Vec3, by)
			v := turn(vision.Vec3{X: p.X + off[0] + sigma*n[0], Y: p.Y + off[1] + sigma*n[1], Z: p.Z + off[2] + sigma*n[2]})
			return vision.Point3{Vec3: v, SX: sigma, SY: sigma, SZ: sigma, Valid: p.Valid}
		}
		pose := exact.Solution.Frames[i]
		pose.Body = slices.Clone(pose.Body)
		for l := range pose.Body {
			pose.Body[l] = put(l, pose.Body[l], e.bodyIn)
		}
		pose.Head = put(vision.NumLandmarks, pose.Head, e.bodyIn)
		if e.tipSpeedIn > 0 {
			slope := func(at func(q vision.Pose3) vision.Vec3, z [3]float64, sigma float64) vision.Point3 {
				v := velocity(exact, i, at)
				v = turn(vision.Vec3{X: v.X/clock + sigma*z[0], Y: v.Y/clock + sigma*z[1], Z: v.Z/clock + sigma*z[2]})
				return vision.Point3{Vec3: v, SX: sigma, SY: sigma, SZ: sigma, Valid: true}
			}
			pose.KnobVelocity = slope(func(q vision.Pose3) vision.Vec3 { return q.Knob.Vec3 }, knobV, e.knobSpeedIn)
			pose.TipVelocity = slope(func(q vision.Pose3) vision.Vec3 { return q.Tip.Vec3 }, tipV, e.tipSpeedIn)
		}
		pose.Knob, pose.Tip = put(vision.NumLandmarks+1, pose.Knob, e.batIn), put(vision.NumLandmarks+2, pose.Tip, e.batIn)
		sol.Frames[i] = pose
		out.Frames[i].Ms *= clock
		out.Clip.Times[i].Ms *= clock
	}
	for i := range tl.Events {
		tl.Events[i].Ms = tl.Events[i].Ms*clock + e.eventMs*rng.NormFloat64()
	}
	out.Ball = simulateBall(exact.Ball, e.ball, clock, rng)
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

// overTime is a random function of time, a vector of unit variance per axis.
type overTime func(ms float64) [3]float64

// lasting has a share kept of its variance in a constant and the rest with a
// correlation exp(-d^2/(2 last^2)) between instants d apart: cosines of random
// frequencies.
func lasting(kept, lastMs float64, rng *rand.Rand) overTime {
	const waves = 16
	var constant [3]float64
	var freq, phase [3][waves]float64
	for a := range 3 {
		constant[a] = math.Sqrt(kept) * rng.NormFloat64()
		for k := range waves {
			freq[a][k], phase[a][k] = rng.NormFloat64()/lastMs, 2*math.Pi*rng.Float64()
		}
	}
	return func(ms float64) (v [3]float64) {
		for a := range 3 {
			v[a] = constant[a]
			for k := range waves {
				v[a] += math.Sqrt((1-kept)*2/waves) * math.Cos(freq[a][k]*ms+phase[a][k])
			}
		}
		return v
	}
}

// scatterOf is a point's scatter: white, or lasting as a solver's path does.
func scatterOf(lastMs float64, rng *rand.Rand) overTime {
	if lastMs == 0 {
		return func(float64) [3]float64 {
			return [3]float64{rng.NormFloat64(), rng.NormFloat64(), rng.NormFloat64()}
		}
	}
	return lasting(.1, lastMs, rng)
}

// shareDepths gives the joints of each arm and leg three quarters of their depth
// variance in common, as a solver does that places each from its neighbour.
func shareDepths(scatters *[vision.NumLandmarks + 3]func(ms float64) [3]float64, sight vision.Vec3, lastMs float64, rng *rand.Rand) {
	for _, limb := range [][]vision.Landmark{
		{vision.LeftShoulder, vision.LeftElbow, vision.LeftWrist, vision.LeftHand},
		{vision.LeftHip, vision.LeftKnee, vision.LeftAnkle, vision.LeftHeel, vision.LeftToe},
	} {
		for side := range vision.Landmark(2) {
			common := lasting(.1, lastMs, rng)
			for _, l := range limb {
				own := scatters[l+side]
				scatters[l+side] = func(ms float64) [3]float64 {
					v, c := own(ms), common(ms)
					depth := sight.X*v[0] + sight.Z*v[2]
					by := math.Sqrt(.75)*(sight.X*c[0]+sight.Z*c[2]) + (.5-1)*depth
					return [3]float64{v[0] + by*sight.X, v[1], v[2] + by*sight.Z}
				}
			}
		}
	}
}

// jointErrors gives every landmark, and the head, its own error and its pair's,
// in inches.
func jointErrors(joints metrics.JointErrors, size float64, rng *rand.Rand) (out [vision.NumLandmarks + 1]overTime) {
	var common overTime
	for l := range out {
		left := l
		switch {
		case l == vision.NumLandmarks:
			left = int(vision.Nose)
		case l > 0 && l%2 == 0: // left-hand landmarks are odd, their right-hand ones follow
			left = l - 1
		}
		e := joints[vision.Landmark(left)]
		if left == l || l == vision.NumLandmarks {
			common = lasting(.7, 150, rng)
		}
		own, pair := lasting(.7, 150, rng), common
		out[l] = func(ms float64) (v [3]float64) {
			o, p := own(ms), pair(ms)
			for a := range 3 {
				v[a] = size * (e.Own*o[a] + e.Pair*p[a])
			}
			return v
		}
	}
	return out
}

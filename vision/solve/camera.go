package solve

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"nightcage/vision"
	"nightcage/vision/ground/fit"
)

// camera is the canonical camera: pinhole, principal point at the picture's
// centre, square pixels. yaw is that of the optical axis: 0 looks
// along -Z at the hitter; it differs from Sighting.YawDeg (the camera's place)
// by the angle at which the hitter stands off the picture's centre.
type camera struct {
	f, fSigmaRel       float64 // px
	scale, scaleSigma  float64 // px per inch at the hips in the stance; relative error
	yaw, yawSigma      float64 // radians
	tilt, tiltSigma    float64 // radians, looking down positive
	roll, rollSigma    float64 // radians, the picture's right side lower positive
	tiltSeen           bool    // tilt and roll come from what is seen, not from priors
	origin             r3.Vec  // swing-frame origin, camera frame
	axisX, up, axisZ   r3.Vec  // swing-frame axes, camera frame
	right, away        r3.Vec  // horizontal directions: to the picture's right, and away from the camera
	ankleUp            float64 // inches
	from               []string
	placeYaw, distance float64 // radians; inches from the camera to the hips along the axis
}

const (
	// How far the line of the feet in the stance is from the line to the
	// pitcher: hitters stand square, a little open or a little closed (common
	// practice).
	squareSigma = 4 * math.Pi / 180
)

// focal is the focal length, px, and its relative standard error: what the file
// says, or the prior.
func (w *work) focal(pxPerIn float64) (f, sigmaRel float64) {
	if w.clip.FocalPx > 0 {
		p := fit.Before(w.clip)
		return p.FocalPx, p.FocalSigmaRel
	}
	return focalPrior(math.Max(w.scene.w, w.scene.h), pxPerIn)
}

// focalPrior weighs lens against distance: log f from the lens, and f =
// scale x distance from the distance.
func focalPrior(longSidePx, pxPerIn float64) (f, sigmaRel float64) {
	w1, w2 := 1/sq(fit.FocalSigmaRel), 1/sq(fit.DistanceRel)
	l := (w1*math.Log(fit.FocalShare*longSidePx) + w2*math.Log(pxPerIn*fit.DistanceIn)) / (w1 + w2)
	return math.Exp(l), 1 / math.Sqrt(w1+w2)
}

// ray is the direction of an image point with unit depth.
func (c *camera) ray(p point) r3.Vec { return r3.Vec{X: p.u / c.f, Y: p.v / c.f, Z: 1} }

// project is the image of a camera-frame point.
func (c *camera) project(p r3.Vec) (u, v float64) { return c.f * p.X / p.Z, c.f * p.Y / p.Z }

// place sets axes and origin from the ankles in the stance picture, and the
// tilt where nothing seen has set it: the camera's height above the ground and
// the ankles' image fix it, sin(tilt + a) * |r| * depth = camera height - ankle
// height, where a is the ankles' image angle below the axis and r their ray.
func (c *camera) place(lead, rear, hips point, heightIn float64) {
	c.ankleUp = shareAnkleUp.mean * heightIn
	c.distance = c.f / c.scale
	mid := point{u: (lead.u + rear.u) / 2, v: (lead.v + rear.v) / 2, ok: true}
	// Hips stand (v_ankle - v_hip)/scale above the ankles and a little
	// behind them; height seen from above by tilt is depth.
	rise := (mid.v - hips.v) / c.scale
	behind := func() float64 {
		return c.distance + rise*math.Sin(c.tilt) - hipsBehindIn*math.Cos(c.tilt)*math.Cos(c.yaw)
	}
	if !c.tiltSeen {
		depth := c.distance
		for range 4 {
			c.tiltBelow(mid, depth)
			depth = behind()
		}
		c.rollSigma = fit.RollSigma
	}
	c.axes()
	c.origin = r3.Sub(r3.Scale(behind(), c.ray(mid)), r3.Scale(c.ankleUp, c.up))
}

// tiltBelow is the tilt at which ankles at an image point and a depth are as far
// below the camera as is usual.
func (c *camera) tiltBelow(ankles point, depth float64) {
	below := math.Atan2(ankles.v, c.f)
	slope := 1 / (depth * math.Hypot(1, ankles.v/c.f))
	k := (fit.CameraUpIn - c.ankleUp) * slope
	c.tilt = math.Asin(max(-0.9, min(0.9, k))) - below
	// camera height moves the numerator; focal length and distance move
	// together and change both terms
	c.tiltSigma = math.Hypot(fit.CameraUpSigmaIn*slope, (k-math.Sin(2*below)/2)*c.fSigmaRel)
}

// axes sets the swing frame's axes from tilt and yaw.
func (c *camera) axes() {
	sin, cos := math.Sincos(c.tilt)
	sr, cr := math.Sincos(c.roll)
	c.right = r3.Vec{X: cr, Y: sr}
	c.away = r3.Vec{X: sr * sin, Y: -cr * sin, Z: cos}
	c.up = r3.Vec{X: sr * cos, Y: -cr * cos, Z: -sin}
	sy, cy := math.Sincos(c.yaw)
	c.axisX = r3.Sub(r3.Scale(cy, c.right), r3.Scale(sy, c.away))
	c.axisZ = r3.Scale(-1, r3.Add(r3.Scale(sy, c.right), r3.Scale(cy, c.away)))
	ctr := c.toSwing(r3.Vec{})
	c.placeYaw = math.Atan2(ctr.X, ctr.Z)
}

// feetLine is the yaw at which the ankles' line in the stance, laid on the
// ground plane, points along X. Its error comes from half an inch between the
// two ankles' marks and from roll, seen at the grazing angle under which the
// camera sees the ground.
func (c *camera) feetLine(lead, rear point) (angleGuess, bool) {
	mid := point{u: (lead.u + rear.u) / 2, v: (lead.v + rear.v) / 2}
	level := r3.Dot(c.up, c.origin) + c.ankleUp
	on := func(p point) r3.Vec {
		r := c.ray(p)
		return r3.Scale(level/r3.Dot(c.up, r), r)
	}
	graze := c.tilt + math.Atan2(mid.v, c.f)
	if graze < 3*math.Pi/180 {
		return angleGuess{}, false
	}
	d := r3.Sub(on(lead), on(rear))
	a, b := r3.Dot(d, c.right), r3.Dot(d, c.away)
	base := math.Hypot(a, b)
	if base < 5 {
		return angleGuess{}, false
	}
	const anklesIn = 0.7
	deep := math.Hypot(anklesIn, c.rollSigma*a) / math.Sin(graze)
	// the grazing angle itself is uncertain by the tilt and scales depths
	deep = math.Hypot(deep, b*c.tiltSigma/math.Tan(graze))
	sigma := math.Hypot(a*deep, b*anklesIn) / (base * base)
	return angleGuess{math.Atan2(-b, a), sigma}, true
}

// toSwing turns a camera-frame point into the swing frame.
func (c *camera) toSwing(p r3.Vec) r3.Vec {
	d := r3.Sub(p, c.origin)
	return r3.Vec{X: r3.Dot(d, c.axisX), Y: r3.Dot(d, c.up), Z: r3.Dot(d, c.axisZ)}
}

// public is the camera in the picture's own px and the swing frame's axes.
func (c *camera) public(s *scene) vision.Camera {
	x, y, z := c.axisX, c.up, c.axisZ
	out := vision.Camera{FocalPx: c.f, CX: s.cx, CY: s.cy,
		R: [9]float64{x.X, y.X, z.X, x.Y, y.Y, z.Y, x.Z, y.Z, z.Z},
		T: vision.Vec3(c.origin), Centre: vision.Vec3(c.toSwing(r3.Vec{})),
		FocalSigmaRel: c.fSigmaRel, DistanceSigmaRel: math.Hypot(c.fSigmaRel, c.scaleSigma),
		TiltSigmaDeg: c.tiltSigma * 180 / math.Pi, YawSigmaDeg: c.yawSigma * 180 / math.Pi, From: c.from}
	if s.mirrored {
		out.R[0], out.R[1], out.R[2], out.T.X = -out.R[0], -out.R[1], -out.R[2], -out.T.X
	}
	return out
}

// norm is r3.Norm without its guard against overflow, which costs most of its time:
// lengths here are inches.
func norm(v r3.Vec) float64 { return math.Sqrt(r3.Norm2(v)) }

// unit is v of length 1; not a number for the zero vector, as with r3.Unit.
func unit(v r3.Vec) r3.Vec { return r3.Scale(1/norm(v), v) }

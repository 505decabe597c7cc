package solve

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"nightcage/vision"
)

// camera is the canonical camera: pinhole, principal point at the picture's
// centre, square pixels, no roll. yaw is that of the optical axis: 0 looks
// along -Z at the hitter; it differs from Sighting.YawDeg (the camera's place)
// by the angle at which the hitter stands off the picture's centre.
type camera struct {
	f, fSigmaRel       float64 // px
	scale, scaleSigma  float64 // px per inch at the hips in the stance; relative error
	yaw, yawSigma      float64 // radians
	tilt, tiltSigma    float64 // radians, looking down positive
	rollSigma          float64 // radians
	origin             r3.Vec  // swing-frame origin, camera frame
	axisX, up, axisZ   r3.Vec  // swing-frame axes, camera frame
	right, away        r3.Vec  // horizontal directions: to the picture's right, and away from the camera
	ankleUp            float64 // inches
	from               []string
	placeYaw, distance float64 // radians; inches from the camera to the hips along the axis
}

// Priors of the lens and of where people stand.
//
// A phone's main lens equals 24 to 28 mm on 36 x 24 mm film by the diagonal
// (43.27 mm). Its 4:3 sensor is 34.6 mm long on that film, so the focal length
// is 0.69 to 0.81 of the picture's long side; video stabilisation crops some
// 5 to 10 % more off the side: 0.72 to 0.87, middle 0.80. One clip in five or
// so is filmed at 2x and one in ten with the wide lens (half) or a zoom:
// the mixture's log has mean log 0.85 and standard deviation 0.38.
//
// Hitters are filmed from the other batter's box to the fence, 10 to 26 ft:
// log-normal about 16 ft, 0.30. Cameras are held at a standing adult's chest
// or eye or stand on a tripod: 52 in above the ground, give or take 11. All
// three spreads are common practice without a source.
const (
	focalShare, focalSigma      = 0.85, 0.38
	distancePriorIn             = 192.0
	distanceSigma               = 0.30
	cameraUpIn, cameraUpSigmaIn = 52.0, 11.0

	// Held level by eye or by the grid: 1.2 deg (common practice).
	rollSigma = 1.2 * math.Pi / 180

	// How far the line of the feet in the stance is from the line to the
	// pitcher: hitters stand square, a little open or a little closed (common
	// practice).
	squareSigma = 4 * math.Pi / 180
)

// A lens tag gives the focal length in whole millimetres of 35 mm film (2 %)
// and leaves open what stabilising cropped off.
const lensTagSigma = 0.06

// focal is the focal length, px, and its relative standard error: what the file
// says, or the prior.
func (w *work) focal(pxPerIn float64) (f, sigmaRel float64) {
	if w.clip.FocalPx > 0 {
		sigma := w.clip.FocalSigmaRel
		if sigma <= 0 {
			sigma = lensTagSigma
		}
		return w.clip.FocalPx, sigma
	}
	return focalPrior(math.Max(w.scene.w, w.scene.h), pxPerIn)
}

// focalPrior weighs lens against distance: log f from the lens, and f =
// scale x distance from the distance.
func focalPrior(longSidePx, pxPerIn float64) (f, sigmaRel float64) {
	w1, w2 := 1/(focalSigma*focalSigma), 1/(distanceSigma*distanceSigma)
	l := (w1*math.Log(focalShare*longSidePx) + w2*math.Log(pxPerIn*distancePriorIn)) / (w1 + w2)
	return math.Exp(l), 1 / math.Sqrt(w1+w2)
}

// ray is the direction of an image point with unit depth.
func (c *camera) ray(p point) r3.Vec { return r3.Vec{X: p.u / c.f, Y: p.v / c.f, Z: 1} }

// project is the image of a camera-frame point.
func (c *camera) project(p r3.Vec) (u, v float64) { return c.f * p.X / p.Z, c.f * p.Y / p.Z }

// place sets tilt, axes and origin from the ankles in the stance picture. The
// camera's height above the ground and the ankles' image fix the tilt:
// sin(tilt + a) * |r| * depth = camera height - ankle height, where a is the
// ankles' image angle below the axis and r their ray.
func (c *camera) place(lead, rear, hips point, heightIn float64) {
	c.ankleUp = shareAnkleUp.mean * heightIn
	c.distance = c.f / c.scale
	mid := point{u: (lead.u + rear.u) / 2, v: (lead.v + rear.v) / 2, ok: true}
	below := math.Atan2(mid.v, c.f)
	long := math.Hypot(1, mid.v/c.f)
	depth := c.distance
	for range 4 {
		k := (cameraUpIn - c.ankleUp) / (depth * long)
		c.tilt = math.Asin(max(-0.9, min(0.9, k))) - below
		// Hips stand (v_ankle - v_hip)/scale above the ankles and a little
		// behind them; height seen from above by tilt is depth.
		rise := (mid.v - hips.v) / c.scale
		depth = c.distance + rise*math.Sin(c.tilt) - hipsBehindIn*math.Cos(c.tilt)*math.Cos(c.yaw)
	}
	// camera height moves the numerator; focal length and distance move
	// together and change both terms
	slope := 1 / (depth * long)
	dk := (cameraUpIn - c.ankleUp) / (depth * long) * c.fSigmaRel
	db := math.Sin(2*below) / 2 * c.fSigmaRel
	c.tiltSigma = math.Hypot(cameraUpSigmaIn*slope, dk-db)
	c.rollSigma = rollSigma
	c.axes()
	c.origin = r3.Sub(r3.Scale(depth, c.ray(mid)), r3.Scale(c.ankleUp, c.up))
}

// axes sets the swing frame's axes from tilt and yaw.
func (c *camera) axes() {
	sin, cos := math.Sincos(c.tilt)
	c.right = r3.Vec{X: 1}
	c.away = r3.Vec{Y: -sin, Z: cos}
	c.up = r3.Vec{Y: -cos, Z: -sin}
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

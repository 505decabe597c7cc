package fit

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// Point is an image point, px from the picture's centre, with its standard
// error along either axis.
type Point struct{ U, V, Sigma float64 }

// Place is a point on the ground, inches from the middle of the plate's square.
type Place struct{ X, Z float64 }

// PlateCorners are the plate's corners: the back point, then round the plate as
// they follow each other counter-clockwise in a picture.
var PlateCorners = [5]Place{{-8.5, 0}, {0, 8.5}, {8.5, 8.5}, {8.5, -8.5}, {0, -8.5}}

// Camera is a pinhole camera above level ground.
type Camera struct {
	FocalPx float64
	Tilt    float64 // radians, looking down positive
	Roll    float64 // radians, the picture's right side down positive
	UpIn    float64 // above the ground
	// Yaw turns the ground's axes about the vertical: at 0 the pitcher is to the
	// picture's right, square to the camera's axis.
	Yaw          float64
	Right, Away  float64 // the plate's place from the point below the camera, inches
	PlateSize    float64 // of the plate seen over that of the rules
	right, away  r3.Vec  // horizontal axes in the camera's frame
	up, axX, axZ r3.Vec
}

// Up is the vertical, in the camera's frame: x right, y down, z forward.
func (c *Camera) Up() r3.Vec { return c.up }

func (c *Camera) axes() {
	st, ct := math.Sincos(c.Tilt)
	sr, cr := math.Sincos(c.Roll)
	turn := func(v r3.Vec) r3.Vec { return r3.Vec{X: cr*v.X - sr*v.Y, Y: sr*v.X + cr*v.Y, Z: v.Z} }
	c.right = turn(r3.Vec{X: 1})
	c.away = turn(r3.Vec{Y: -st, Z: ct})
	c.up = turn(r3.Vec{Y: -ct, Z: -st})
	sy, cy := math.Sincos(c.Yaw)
	c.axX = r3.Sub(r3.Scale(cy, c.right), r3.Scale(sy, c.away))
	c.axZ = r3.Scale(-1, r3.Add(r3.Scale(sy, c.right), r3.Scale(cy, c.away)))
}

// at is a place on the ground in the camera's frame.
func (c *Camera) at(p Place) r3.Vec {
	q := r3.Add(r3.Scale(c.Right, c.right), r3.Scale(c.Away, c.away))
	q = r3.Sub(q, r3.Scale(c.UpIn, c.up))
	return r3.Add(q, r3.Add(r3.Scale(p.X, c.axX), r3.Scale(p.Z, c.axZ)))
}

// See is the image of a place on the ground, without error. ok is false behind
// the camera.
func (c *Camera) See(p Place) (Point, bool) {
	q := c.at(p)
	return Point{U: c.FocalPx * q.X / q.Z, V: c.FocalPx * q.Y / q.Z}, q.Z > 1
}

// Meet is where the ray of an image point meets the level plane upIn above the
// ground, in the camera's frame. ok is false at and above the horizon.
func (c *Camera) Meet(p Point, upIn float64) (r3.Vec, bool) {
	ray := r3.Vec{X: p.U / c.FocalPx, Y: p.V / c.FocalPx, Z: 1}
	down := -r3.Dot(ray, c.up)
	if down < 1e-3 {
		return r3.Vec{}, false
	}
	return r3.Scale((c.UpIn-upIn)/down, ray), true
}

// Below is the place on the ground below an image point that is upIn above it.
func (c *Camera) Below(p Point, upIn float64) (Place, bool) {
	q, ok := c.Meet(p, upIn)
	if !ok {
		return Place{}, false
	}
	d := r3.Sub(q, c.at(Place{}))
	return Place{r3.Dot(d, c.axX), r3.Dot(d, c.axZ)}, true
}

// PxPerIn is the picture's scale at the plate and the sine of the angle at which
// the camera looks down on it.
func (c *Camera) PxPerIn() (scale, down float64) {
	q := c.at(Place{})
	return c.FocalPx / q.Z, -r3.Dot(q, c.up) / r3.Norm(q)
}

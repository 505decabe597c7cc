package fit

import (
	"math"

	"nightcage/vision"
)

// Prior is what is known without the marks. Sigmas of 0 for the depth mean that
// it is not known.
type Prior struct {
	FocalPx, FocalSigmaRel float64
	DepthIn, DepthSigmaRel float64 // of the plate along the camera's axis
	UpIn, UpSigmaIn        float64 // of the camera above the ground
	RollSigma              float64 // radians
}

// Of the lens and of where people stand.
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
// or eye or stand on a tripod: 52 in above the ground, give or take 11. They are
// held level by eye or by the grid to 1.2 deg. All four spreads are common
// practice without a source.
const (
	FocalShare, FocalSigmaRel   = 0.85, 0.38
	DistanceIn, DistanceRel     = 192.0, 0.30
	CameraUpIn, CameraUpSigmaIn = 52.0, 11.0
	RollSigma                   = 1.2 * math.Pi / 180
)

// A lens tag gives the focal length in whole millimetres of 35 mm film (2 %)
// and leaves open what stabilising cropped off.
const lensTagSigma = 0.06

// Before is what is known of a clip's camera before its pictures are looked at.
func Before(c *vision.Clip) Prior {
	p := Prior{FocalPx: FocalShare * float64(max(c.Width, c.Height)), FocalSigmaRel: FocalSigmaRel, DepthIn: DistanceIn, DepthSigmaRel: DistanceRel,
		UpIn: CameraUpIn, UpSigmaIn: CameraUpSigmaIn, RollSigma: RollSigma}
	if c.FocalPx > 0 {
		p.FocalPx, p.FocalSigmaRel = c.FocalPx, c.FocalSigmaRel
		if p.FocalSigmaRel <= 0 {
			p.FocalSigmaRel = lensTagSigma
		}
	}
	return p
}

package metrics

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"nightcage/vision"
)

// planar is what reading a flat picture assumes. Points of a planar motion have
// .at.X along the picture toward the pitcher's side and .at.Y up, in inches at
// the hips' depth, from the first middle of the ankles; .at.Z is 0, and scene
// places them by the depth it expects, or draws.
type planar struct {
	yaw, yawSigma float64 // radians, of the camera about the hitter
}

// planarYawLimitDeg is how far from square to the side the camera may stand
// for a planar reading. At 30 deg a length along the swing line is shortened by
// 13 % (undone by the yaw) and half of any depth difference leaks into it.
const planarYawLimitDeg = 30

// Where planar readings take the camera to be: a phone held at chest height
// 15 ft away, the middle of where people stand to film a hitter (common
// practice, no source).
const (
	cameraDistanceIn    = 180
	cameraHeightIn      = 55
	cameraHeightSigmaIn = 15
)

// spread is an expected value and its standard deviation.
type spread struct {
	mean, sigma float64
}

// depthIn is how far toward the plate from the ankles' line a point lies
// through a swing, inches for a hitter 70 in tall, for planar readings. The
// means are those of a hitter's stance: hips back, trunk bent some 20 deg over
// them, hands and toes toward the plate (common practice, no source); the
// spreads are about half of what the joint can reach.
var depthIn = map[vision.Landmark]spread{
	vision.Nose: {5, 5}, vision.LeftEye: {5, 5}, vision.LeftEar: {4, 5},
	vision.LeftShoulder: {3, 6}, vision.LeftElbow: {6, 8}, vision.LeftWrist: {10, 8}, vision.LeftHand: {10, 8},
	vision.LeftHip: {-3, 4}, vision.LeftKnee: {3, 4}, vision.LeftAnkle: {0, 3}, vision.LeftHeel: {-2, 5}, vision.LeftToe: {6, 4},
}

// expectedDepth is depthIn for any point.
func expectedDepth(p point) spread {
	switch p {
	case pointHead:
		return depthIn[vision.LeftEar]
	case pointKnob:
		return spread{10, 9}
	case pointTip:
		return spread{10, 20}
	}
	return depthIn[leftOf(p)]
}

// place undoes what a depth z (toward the plate) does to a planar reading, for
// a camera a height above the ground: a point nearer the camera by c shows
// larger by D/(D-c) about the camera's own height and the line from the hitter to
// the camera, along which yaw is told; x along the picture is
// X cos(yaw) - Z sin(yaw).
func (planar) place(pos, vel r3.Vec, yaw, z, height float64) (r3.Vec, r3.Vec) {
	sin, cos := math.Sincos(yaw)
	shrink := 1 - z*cos/cameraDistanceIn
	pos = r3.Vec{X: (pos.X*shrink + z*sin) / cos, Y: height + (pos.Y-height)*shrink, Z: z}
	return pos, r3.Vec{X: vel.X * shrink / cos, Y: vel.Y * shrink}
}

func planarLimit(t *vision.Track) *missing {
	off := math.Abs(math.Mod(math.Abs(t.Sighting.YawDeg)+90, 180) - 90) // from square to either side
	switch {
	case t.Sighting.View != vision.ViewOpenSide && t.Sighting.View != vision.ViewClosedSide:
		return &missing{ReasonView, "without three dimensions only a side view can be read"}
	case off > planarYawLimitDeg:
		return &missing{ReasonView, "the camera stands too far from square to the side"}
	case t.Scale.PxPerIn <= 0:
		return &missing{ReasonNoScale, ""}
	}
	return nil
}

// lastingMark is the share of a mark's variance that keeps over neighbouring
// frames: where a network puts a joint is a matter of definition, clothing and
// pose, which last; jitter is the smaller part. (vision/solve holds the same.)
const lastingMark = .8

func (m *motion) fillPlanar(t *vision.Track, use []int) {
	m.lasting = lastingMark
	flip := 1.0
	if t.Hand.Bats == vision.SideLeft { // mirrored into the right-hander's frame
		flip = -1
	}
	scale := t.Scale.PxPerIn
	origin, found := planarOrigin(t, use)
	if !found {
		return
	}
	put := func(p point, i int, mark vision.Mark, shift vision.Affine) {
		if !mark.Found() || !finite(mark.X, mark.Y, mark.SigmaPx) {
			return
		}
		x, y := shift.Apply(mark.X, mark.Y)
		s := max(math.Hypot(mark.SigmaPx, shift.SigmaPx)/scale, sigmaFloorIn)
		m.points[p][i] = sample{ok: true, seen: inPicture(mark), sigma: r3.Vec{X: s, Y: s, Z: sigmaFloorIn},
			at: r3.Vec{X: flip * (x - origin.X) / scale, Y: -(y - origin.Y) / scale}}
	}
	for i, j := range use {
		f := &t.Frames[j]
		for l := range f.Body {
			if l < vision.NumLandmarks {
				put(point(l), i, f.Body[l], f.Shift)
			}
		}
		put(pointHead, i, f.Head, f.Shift)
		put(pointKnob, i, f.Knob, f.Shift)
		put(pointTip, i, f.Tip, f.Shift)
	}
	m.headFromFace()
}

// planarOrigin is where the middle of the ankles first was, px.
func planarOrigin(t *vision.Track, use []int) (r3.Vec, bool) {
	for _, j := range use {
		f := &t.Frames[j]
		l, r := bodyMark(f, int(vision.LeftAnkle)), bodyMark(f, int(vision.RightAnkle))
		if l.Found() && r.Found() {
			x, y := f.Shift.Apply((l.X+r.X)/2, (l.Y+r.Y)/2)
			return r3.Vec{X: x, Y: y}, true
		}
	}
	return r3.Vec{}, false
}

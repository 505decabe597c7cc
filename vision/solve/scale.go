package solve

import (
	"math"
	"slices"

	"nightcage/vision"
)

// body sizes used for one clip, inches, with relative standard errors.
type sizes struct {
	height, heightSigmaRel float64
	heightFrom             string // "height" when told, else "prior"
	bat, batSigmaRel       float64
	batFrom                string // "bat" when told, else "prior"
}

// A told height is good to half an inch; a told bat length is its label, good
// to an eighth.
func sizesOf(sub vision.Subject) sizes {
	z := sizes{height: sub.HeightIn, heightSigmaRel: 0.5 / 67, heightFrom: "height", bat: sub.BatIn, batSigmaRel: 0.125 / 33, batFrom: "bat"}
	if z.height <= 0 {
		p, ok := heightPriorIn[string(sub.Level)]
		if !ok {
			p = heightPriorIn[""]
		}
		z.height, z.heightSigmaRel, z.heightFrom = p.mean, p.sd/p.mean, "prior"
	}
	if z.bat <= 0 {
		p, ok := batPriorIn[string(sub.Level)]
		if !ok {
			p = batPriorIn[""]
		}
		z.bat, z.batSigmaRel, z.batFrom = p.mean, p.sd/p.mean, "prior"
	}
	return z
}

// scaleFromBody is px per inch at the hips from the hitter's height: the sum
// of shank, thigh and trunk in the stance picture over what it would be in
// inches. Crouching shortens the picture of a standing height but not the
// segments; what foreshortening takes from them is undone with the pose
// network's 3-D guess where there is one, else with the mean of a batting
// stance seen from any side (legs bent and trunk hinged by some 25 deg of
// which the picture shows part: 5 % short, give or take 3 %).
func (s *scene) scaleFromBody(stance []int, z sizes) (vision.ScaleSource, bool) {
	var sums []float64
	for _, i := range stance {
		l := &s.looks[i]
		short := 0.95
		if l.hasWorld {
			short = flatness(l)
		}
		sums = append(sums, limbSum(l)/short)
	}
	if len(sums) == 0 {
		return vision.ScaleSource{}, false
	}
	share := shareThigh.mean + shareShank.mean + shareTrunk.mean
	spread := math.Sqrt(shareThigh.sd*shareThigh.sd+shareShank.sd*shareShank.sd+shareTrunk.sd*shareTrunk.sd) / share
	sigma := math.Sqrt(spread*spread + z.heightSigmaRel*z.heightSigmaRel + 0.03*0.03)
	return vision.ScaleSource{From: z.heightFrom, PxPerIn: median(sums) / (share * z.height), SigmaRel: sigma}, true
}

// flatness is the share of the limb sum that lies across the line of sight in
// the network's 3-D guess: 1 when no limb is foreshortened.
func flatness(l *look) float64 {
	w := &l.world
	seen, whole := 0.0, 0.0
	count := func(dx, dy, dz, weight float64) {
		seen += weight * math.Hypot(dx, dy)
		whole += weight * math.Sqrt(dx*dx+dy*dy+dz*dz)
	}
	mid := func(a, b vision.Landmark) (x, y, z float64) {
		return (w[a].X + w[b].X) / 2, (w[a].Y + w[b].Y) / 2, (w[a].Z + w[b].Z) / 2
	}
	hx, hy, hz := mid(vision.LeftHip, vision.RightHip)
	sx, sy, sz := mid(vision.LeftShoulder, vision.RightShoulder)
	count(sx-hx, sy-hy, sz-hz, 1)
	for k := range vision.Landmark(2) {
		hip, knee, ankle := w[vision.LeftHip+k], w[vision.LeftKnee+k], w[vision.LeftAnkle+k]
		count(hip.X-knee.X, hip.Y-knee.Y, hip.Z-knee.Z, 0.5)
		count(knee.X-ankle.X, knee.Y-ankle.Y, knee.Z-ankle.Z, 0.5)
	}
	if whole == 0 {
		return 0.95
	}
	return max(0.6, seen/whole)
}

// scaleFromBat is px per inch at the hips from the bat's longest images around
// the swing: twice in a swing the bat lies across the line of sight. The hands
// are then some inches nearer the camera than the hips in a side view and about
// as far in others. It serves to start the bat's fit, which finds the
// scale it implies for itself.
func (s *scene) scaleFromBat(m moments, z sizes, distanceIn, yaw float64) (vision.ScaleSource, bool) {
	var long []float64
	for i := range s.looks {
		l := &s.looks[i]
		if d := l.ms - s.looks[m.peak].ms; l.knob.ok && l.tip.ok && d > -250 && d < 250 {
			long = append(long, l.knob.dist(l.tip))
		}
	}
	if len(long) < minBatFrames {
		return vision.ScaleSource{}, false
	}
	slices.Sort(long)
	top := median(long[len(long)-max(3, len(long)/20):])
	sin, cos := math.Sincos(yaw)
	near := handsFrontIn * cos / distanceIn
	// a bat that leans toward the camera a little looks longest: its far end
	// shrinks by less than its near end grows
	lean := 1 / math.Sqrt(max(.5, 1-sq(z.bat/distanceIn)))
	// seen from the pitcher or the catcher, the hands pass 12 in nearer or
	// further than the hips
	sigma := math.Sqrt(0.03*0.03 + sq(z.batSigmaRel) + sq(sin*12/distanceIn))
	return vision.ScaleSource{From: z.batFrom, PxPerIn: top / z.bat * (1 - near) / lean, SigmaRel: sigma}, true
}

// combineScale is the inverse-variance mean of scale sources in log px/in.
func combineScale(src []vision.ScaleSource) vision.Scale {
	var sum, w float64
	for _, c := range src {
		k := 1 / (c.SigmaRel * c.SigmaRel)
		sum, w = sum+k*math.Log(c.PxPerIn), w+k
	}
	if w == 0 {
		return vision.Scale{}
	}
	out := vision.Scale{PxPerIn: math.Exp(sum / w), SigmaRel: 1 / math.Sqrt(w), Sources: src}
	chi2 := 0.0
	for _, c := range src {
		d := math.Log(c.PxPerIn/out.PxPerIn) / c.SigmaRel
		chi2 += d * d
	}
	if n := len(src) - 1; n > 0 && chi2 > float64(n) {
		out.SigmaRel *= math.Sqrt(chi2 / float64(n))
	}
	return out
}

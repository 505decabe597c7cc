package pose

import (
	"math"

	"nightcage/vision"
)

// numJoints is how many joints the depth network places anew.
const numJoints = 17

// jointOf says which landmark each of them is; the last, not listed, is the centre of
// the skull.
var jointOf = [numJoints - 1]vision.Landmark{
	vision.LeftShoulder, vision.LeftElbow, vision.LeftWrist, vision.LeftHip,
	vision.LeftKnee, vision.LeftAnkle, vision.LeftHeel, vision.LeftToe,
	vision.RightShoulder, vision.RightElbow, vision.RightWrist, vision.RightHip,
	vision.RightKnee, vision.RightAnkle, vision.RightHeel, vision.RightToe,
}

// Units of the places in the depth network's raw output; models/body_depth.md.
const (
	placeUnit = 4.0 // px of the square

	// Scales outside these are no more than what the network was held to in training.
	leastPlaceLog, mostPlaceLog = -2, 4

	// placeTrust widens the network's scales: it learnt from renders alone.
	placeTrust = 1.5
)

// joint is where the depth network puts a joint, image px.
type joint struct{ x, y, sigma float64 }

// readJoints decodes the network's offsets, three numbers a joint, from the landmark
// network's own places, five numbers a point, in the square r.
func readJoints(out, landmarks []float32, r ROI) *[numJoints]joint {
	at := func(l vision.Landmark) (u, v float64) {
		for _, k := range from[l] {
			u += float64(landmarks[5*k]) / float64(len(from[l]))
			v += float64(landmarks[5*k+1]) / float64(len(from[l]))
		}
		return u, v
	}
	var js [numJoints]joint
	for i := range js {
		var u, v float64
		if i < len(jointOf) {
			u, v = at(jointOf[i])
		} else {
			lu, lv := at(vision.LeftEar)
			ru, rv := at(vision.RightEar)
			u, v = (lu+ru)/2, (lv+rv)/2
		}
		raw := out[3*i : 3*i+3]
		x, y := r.toImage((u+placeUnit*float64(raw[0]))/lookSize, (v+placeUnit*float64(raw[1]))/lookSize)
		js[i] = joint{x, y, placeTrust * scaleOf(raw[2], placeUnit, leastPlaceLog, mostPlaceLog) * r.Side / lookSize}
	}
	return &js
}

// fused is a joint where the landmark network's mark m and the depth network's j
// together have it, each weighed by how sure it is: on bodies unlike those the depth
// network learnt from, whose scales there are wide, the mark stays where its heat map
// peaks. Both read the same inner maps, so their errors count as one error, which
// a mean does not make smaller; and as far as they lie apart, neither is sure.
func fused(m vision.Mark, j joint) vision.Mark {
	a, b := 1/(m.SigmaPx*m.SigmaPx), 1/(j.sigma*j.sigma)
	w := b / (a + b)
	dx, dy := j.x-m.X, j.y-m.Y
	m.X, m.Y = m.X+w*dx, m.Y+w*dy
	shared := (1-w)*m.SigmaPx + w*j.sigma
	m.SigmaPx = math.Sqrt(shared*shared + w*(1-w)*(dx*dx+dy*dy)/2)
	return m
}

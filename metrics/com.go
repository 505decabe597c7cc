package metrics

import (
	"gonum.org/v1/gonum/spatial/r3"

	"nightcage/vision"
)

// segment is one part of the body: its mass as a share of the whole and how
// far along the line from one end to the other its centre of mass lies.
type segment struct {
	name     string
	mass     float64
	along    float64
	from, to end
}

// end is an end of a segment: a body point, on both sides where paired.
type end int

// Ends of segments. Shoulders and hips are the mid-points of the pairs.
const (
	endHead end = iota
	endMidShoulder
	endMidHip
	endShoulder
	endElbow
	endWrist
	endHand
	endHip
	endKnee
	endAnkle
	endHeel
	endToe
)

// DeLevaTable names the segment table that centre-of-mass measures rest on.
const DeLevaTable = "de Leva 1996, J Biomech 29(9):1223-1230, mean of the male and female columns; trunk MIDS-MIDH (Trunk 3); head at the middle of the skull; hand at the middle of the fist"

// massPrefix begins the ids of measures that rest on the table.
const massPrefix = "mass_over_base_"

// deLeva returns the table's segments, a share female (0..1) of the way from
// its male to its female column. Limb rows stand for both sides: their mass is
// that of one limb. The mid-shoulder to mid-hip trunk is the row "Trunk 3",
// which joint centres can serve; vertex and mid-gonion, which the head rows
// need, are not landmarks, so the head's mass sits at the middle of the skull
// (the table puts it .60 of the way from vertex to jaw angle); the hand's sits
// at the middle of the fist.
func deLeva(female float64) []segment {
	mix := func(m, f float64) float64 { return m + female*(f-m) }
	return []segment{
		{"head", mix(.0694, .0668), 0, endHead, endHead},
		{"trunk", mix(.4346, .4257), mix(.4310, .3782), endMidShoulder, endMidHip},
		{"upper arm", mix(.0271, .0255), mix(.5772, .5754), endShoulder, endElbow},
		{"forearm", mix(.0162, .0138), mix(.4574, .4559), endElbow, endWrist},
		{"hand", mix(.0061, .0056), 0, endHand, endHand},
		{"thigh", mix(.1416, .1478), mix(.4095, .3612), endHip, endKnee},
		{"shank", mix(.0433, .0481), mix(.4395, .4352), endKnee, endAnkle},
		{"foot", mix(.0137, .0129), mix(.4415, .4014), endHeel, endToe},
	}
}

// paired reports whether a segment is there twice.
func (s segment) paired() bool {
	return s.from >= endShoulder
}

// massCentre is the centre of mass of segments: sum(m*(a+along*(b-a)))/sum(m)
// over segments, both sides of paired ones. at gives the place of an end;
// right is false for the left side and for ends in the middle.
func massCentre(segments []segment, at func(e end, right bool) r3.Vec) r3.Vec {
	var sum r3.Vec
	total := 0.0
	for _, s := range segments {
		for _, right := range []bool{false, true} {
			if right && !s.paired() {
				continue
			}
			a, b := at(s.from, right), at(s.to, right)
			c := r3.Add(a, r3.Scale(s.along, r3.Sub(b, a)))
			sum = r3.Add(sum, r3.Scale(s.mass, c))
			total += s.mass
		}
	}
	return r3.Scale(1/total, sum)
}

// pairedEnds are the ends that are there twice, trunk first.
var pairedEnds = [...]end{endShoulder, endHip, endElbow, endWrist, endHand, endKnee, endAnkle, endHeel, endToe}

// endLandmarks are the left-hand landmarks of paired ends.
var endLandmarks = [...]vision.Landmark{
	endShoulder: vision.LeftShoulder, endElbow: vision.LeftElbow, endWrist: vision.LeftWrist, endHand: vision.LeftHand,
	endHip: vision.LeftHip, endKnee: vision.LeftKnee, endAnkle: vision.LeftAnkle, endHeel: vision.LeftHeel, endToe: vision.LeftToe,
}

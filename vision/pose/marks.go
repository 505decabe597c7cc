package pose

import (
	"math"

	"nightcage/vision"
)

// Look is the body of one person in one picture.
type Look struct {
	Found    bool          // false: the person was lost; the other fields mean nothing
	Presence float64       // the network's certainty that its square holds a person, 0..1
	ROI      ROI           // the square looked at
	Body     []vision.Mark // vision.NumLandmarks long
	World    []vision.Vec3 // see vision.Frame.World
	Relief   *vision.Relief
	Head     vision.Mark // centre of the skull
	HeadPx   float64     // radius of the skull, px
}

// Put writes the look into a frame. A lost person leaves the frame's body empty.
func (l Look) Put(f *vision.Frame) {
	if !l.Found {
		f.Body, f.World, f.Relief, f.Head, f.HeadRadiusPx = nil, nil, nil, vision.Mark{}, 0
		return
	}
	f.Body, f.World, f.Relief, f.Head, f.HeadRadiusPx = l.Body, l.World, l.Relief, l.Head, l.HeadPx
}

// squareHeights is the side of a person's square over their standing height,
// measured on rendered hitters from stance to finish: 1.27, 90 % within 1.20
// to 1.32.
const squareHeights = 1.27

// look turns a sight into landmarks.
func (s *sight) look() Look {
	height := s.roi.Side / squareHeights
	l := Look{Found: true, Presence: s.presence, ROI: s.roi, Relief: s.relief,
		Body: make([]vision.Mark, vision.NumLandmarks), World: make([]vision.Vec3, vision.NumLandmarks)}
	var clear [vision.NumLandmarks]float64 // peak of each landmark's heat map
	for i, list := range from {
		m := vision.Mark{Seen: 1, How: vision.HowNetwork}
		peak, n := 1.0, float64(len(list))
		for _, k := range list {
			p := s.points[k]
			m.X, m.Y = m.X+p.x/n, m.Y+p.y/n
			l.World[i].X += p.world.X / n
			l.World[i].Y += p.world.Y / n
			l.World[i].Z += p.world.Z / n
			m.Seen, peak = min(m.Seen, p.seen), min(peak, p.peak)
		}
		l.Body[i], clear[i] = m, peak
	}
	for i := range l.Body {
		mark := vision.Landmark(i)
		l.Body[i].SigmaPx = height * errorShare(mark, clear[i], depth(l.World, mark))
	}
	l.Head, l.HeadPx = head(l.Body, height), skullShare*height
	if s.joints == nil {
		return l
	}
	l.Head = fused(l.Head, s.joints[numJoints-1])
	for i, mark := range jointOf {
		l.Body[mark] = fused(l.Body[mark], s.joints[i])
	}
	return l
}

const (
	// skullShare is the skull's radius over standing height. Head circumference
	// over 2 pi gives .052 for an adult of 69 in and .062 for a child of ten
	// (from memory of growth charts); hitters are both.
	skullShare = 0.057
	// The middle of the ears errs less than either ear, though not as little as
	// if they erred apart; and the skull's centre lies off it, on rendered heads
	// a fifth of a radius further back. Factors of an ear's standard error and
	// of the skull's radius.
	earsMean, earsOff = 0.7, 0.12
)

// head is the centre of the skull, midway between the ears (the ear holes lie
// about halfway along the head), for a body of a height, px. Helmets leave it be:
// the network places hidden ears from the rest of the face and body.
func head(body []vision.Mark, height float64) vision.Mark {
	l, r := body[vision.LeftEar], body[vision.RightEar]
	return vision.Mark{X: (l.X + r.X) / 2, Y: (l.Y + r.Y) / 2,
		SigmaPx: math.Hypot(earsMean*max(l.SigmaPx, r.SigmaPx), earsOff*skullShare*height),
		Seen:    max(l.Seen, r.Seen), How: vision.HowNetwork}
}

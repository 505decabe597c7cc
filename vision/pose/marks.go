package pose

import (
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
		m.SigmaPx = height * errorShare(vision.Landmark(i), peak)
		l.Body[i] = m
	}
	for i, mark := range jointOf {
		m := &l.Body[mark]
		m.X, m.Y, m.SigmaPx = s.joints[i].x, s.joints[i].y, s.joints[i].sigma
	}
	l.Head, l.HeadPx = s.head(l.Body), skullShare*height
	return l
}

// skullShare is the skull's radius over standing height. Head circumference
// over 2 pi gives .052 for an adult of 69 in and .062 for a child of ten
// (from memory of growth charts); hitters are both.
const skullShare = 0.057

// head is the centre of the skull. Helmets leave it be: a hidden head is placed from the
// rest of the face and body.
func (s *sight) head(body []vision.Mark) vision.Mark {
	j := s.joints[numJoints-1]
	return vision.Mark{X: j.x, Y: j.y, SigmaPx: j.sigma,
		Seen: max(body[vision.LeftEar].Seen, body[vision.RightEar].Seen), How: vision.HowNetwork}
}

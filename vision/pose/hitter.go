package pose

import (
	"math"
	"slices"

	"nightcage/vision"
)

// Sighting is everybody seen in one picture.
type Sighting struct {
	Ms     float64 // capture time of the picture
	People []Person
}

// The hitter is the one who keeps both hands together on something, up away
// from the knees, while standing, and moves them that way. What each person is
// held against, all measured in units of the person's own torso (shoulders to
// hips), so that a near umpire gains nothing over a far hitter:
const (
	// Both hands of a hitter lie within a bat's handle of each other: .25
	// torsos apart where seen well, up to .5 where the network doubts. A
	// catcher's mitt and bare hand, an umpire's two knees and a fielder's
	// hanging arms are a torso apart.
	handsTogether, handsApart = 0.35, 0.8
	// A hitter's hips are at least 1.2 torsos above the ankles, a catcher's in
	// the crouch at most .6.
	standing, crouching = 1.1, 0.6
	// A hitter's hands are above the belt but for a few frames near contact; an
	// umpire's set on the knees and a fielder's are below it.
	handsUp, handsDown = 0.2, -0.3
	// A swing takes the hands some 3 torsos along. Travel beyond this adds no
	// more: it is some other motion, or a wrong mark.
	swingTravel = 3
	// Of two people the one twice as tall in the picture is the likelier
	// subject of the clip, by this much on a scale where hands together or not
	// is one.
	sizeWeight = 0.15
)

// Choice is the person taken for the hitter.
type Choice struct {
	Person          // as seen first
	Picture int     // in which of the pictures that was
	Holds   float64 // how much they look like one who holds a bat where they do most, 0..1
	Carried float64 // how far the hands went while they held, against the hips, torsos
	Alone   bool    // nobody else was seen in any of the pictures
	// rivalled: somebody else may hold a bat too.
	rivalled bool
	// HeightPx is the standing height, px: the median over the pictures in which the
	// person was seen (see Look.StandingPx).
	HeightPx float64
}

// Swung reports whether the person was seen to swing: hands kept together went
// half the chord of a swing (see Swinging) or farther. No better one need be
// looked for.
func (c Choice) Swung() bool { return c.Carried >= 0.75 }

// Sure reports whether the person may be followed as the hitter when everybody has
// been looked for: somebody alone in view is, others only when they hold both hands
// as on a bat in some picture.
func (c Choice) Sure() bool { return c.Alone || c.Holds >= mayHold }

// Hitter picks the hitter out of what was seen in a few pictures spread over
// the swing, in ascending time. ok is false when nobody was seen.
//
// The rule is one score a person: the mean over the pictures of how far the
// hands are together, up and above straight legs (each 0..1, multiplied), times
// one plus how far they travelled like that between pictures (in swing lengths,
// at most 1), plus a little for size. A pitcher has both hands together too, but
// parts them to throw; catcher and umpire keep theirs apart or down.
//
// A person is followed from picture to picture by the nearest hips.
func Hitter(seen []Sighting) (hitter Choice, ok bool) {
	var tracks []track
	for i, s := range seen {
		tracks = link(tracks, s.People, i)
	}
	best := math.Inf(-1)
	tallest := 0.0
	for _, t := range tracks {
		tallest = max(tallest, t.size())
	}
	for _, t := range tracks {
		score := t.score(len(seen)) + sizeWeight*math.Log2(t.size()/tallest)
		if score > best {
			best, ok = score, true
			hitter = Choice{Person: t.people[0], Picture: t.at[0], Holds: t.holds(), Carried: t.carried(), Alone: len(tracks) == 1, HeightPx: t.heightPx()}
		}
	}
	for _, t := range tracks {
		hitter.rivalled = hitter.rivalled || t.holds() >= mayHold && (t.at[0] != hitter.Picture || t.people[0].ROI != hitter.ROI)
	}
	return hitter, ok
}

// track is one person through the pictures they were seen in.
type track struct {
	people []Person
	at     []int
}

// link adds a picture's people to the tracks, nearest hips first.
func link(tracks []track, people []Person, picture int) []track {
	taken := make([]bool, len(people))
	for {
		who, where, least := -1, -1, math.Inf(1)
		for i, t := range tracks {
			if t.at[len(t.at)-1] == picture {
				continue
			}
			last := t.people[len(t.people)-1].ROI
			for j, p := range people {
				d := math.Hypot(p.ROI.X-last.X, p.ROI.Y-last.Y) / last.Side
				if ratio := p.ROI.Side / last.Side; !taken[j] && d < least && d < jump && ratio < swell && ratio > 1/swell {
					who, where, least = i, j, d
				}
			}
		}
		if who < 0 {
			break
		}
		taken[where] = true
		tracks[who].people = append(tracks[who].people, people[where])
		tracks[who].at = append(tracks[who].at, picture)
	}
	for j, p := range people {
		if !taken[j] {
			tracks = append(tracks, track{people: []Person{p}, at: []int{picture}})
		}
	}
	return tracks
}

func (t track) size() float64 {
	sum := 0.0
	for _, p := range t.people {
		sum += p.ROI.Side
	}
	return sum / float64(len(t.people))
}

func (t track) heightPx() float64 {
	px := make([]float64, len(t.people))
	for i, p := range t.people {
		px[i] = p.Look.StandingPx()
	}
	slices.Sort(px)
	return (px[(len(px)-1)/2] + px[len(px)/2]) / 2
}

// holds is how much the person looks like one who holds a bat where most so.
func (t track) holds() float64 {
	most := 0.0
	for _, p := range t.people {
		most = max(most, holding(p.Look.Body))
	}
	return most
}

func (t track) score(pictures int) float64 {
	held := 0.0
	for _, p := range t.people {
		held += holding(p.Look.Body)
	}
	return held / float64(pictures) * (1 + min(t.carried()/swingTravel, 1))
}

// carried is how far the hands went from picture to picture, in torsos, each way
// counted as far as they held in both.
func (t track) carried() float64 {
	far := 0.0
	for i := 1; i < len(t.people); i++ {
		p, q := t.people[i-1].Look.Body, t.people[i].Look.Body
		far += min(holding(p), holding(q)) * handTravel(p, q)
	}
	return far
}

// holding is how much a body looks like one that holds a bat, 0..1.
func holding(b []vision.Mark) float64 {
	torso := torsoPx(b)
	if torso == 0 {
		return 0
	}
	hands := middle(b, vision.LeftHand)
	hips, ankles := middle(b, vision.LeftHip), middle(b, vision.LeftAnkle)
	apart := math.Hypot(b[vision.LeftHand].X-b[vision.RightHand].X, b[vision.LeftHand].Y-b[vision.RightHand].Y) / torso
	return ramp(apart, handsApart, handsTogether) *
		ramp((ankles.Y-hips.Y)/torso, crouching, standing) *
		ramp((hips.Y-hands.Y)/torso, handsDown, handsUp)
}

// handTravel is how far the hands went against the hips, in torsos.
func handTravel(a, b []vision.Mark) float64 {
	torso := (torsoPx(a) + torsoPx(b)) / 2
	if torso == 0 {
		return 0
	}
	ha, hb, pa, pb := middle(a, vision.LeftHand), middle(b, vision.LeftHand), middle(a, vision.LeftHip), middle(b, vision.LeftHip)
	return math.Hypot(hb.X-pb.X-ha.X+pa.X, hb.Y-pb.Y-ha.Y+pa.Y) / torso
}

func torsoPx(b []vision.Mark) float64 {
	if len(b) == 0 {
		return 0
	}
	s, h := middle(b, vision.LeftShoulder), middle(b, vision.LeftHip)
	return math.Hypot(s.X-h.X, s.Y-h.Y)
}

// middle is the point midway between a landmark and its right twin.
func middle(b []vision.Mark, left vision.Landmark) vision.Mark {
	l, r := b[left], b[left+1]
	return vision.Mark{X: (l.X + r.X) / 2, Y: (l.Y + r.Y) / 2}
}

// ramp is 0 at or beyond none, 1 at or beyond all, linear between.
func ramp(v, none, all float64) float64 {
	return min(max((v-none)/(all-none), 0), 1)
}

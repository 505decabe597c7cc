package solve

import (
	"math"
	"slices"

	"nightcage/vision"
)

// moments are the frames that the rest hangs on.
type moments struct {
	peak   int   // frame of the fastest barrel (or hands, when there is no bat)
	stance []int // quiet frames before the stride, with a body
	hasBat bool  // the peak comes from the bat
}

// accelBarrel is the acceleration a barrel's trace may have, in/s^2: 1200 in/s
// reached in some 50 ms.
const accelBarrel = 30000

// roughScale is px per inch from the limbs' image lengths alone, good to some
// 10 %: enough to set how much traces may bend.
func (s *scene) roughScale(heightIn float64) float64 {
	var sums []float64
	for i := range s.looks {
		if l := &s.looks[i]; l.hasBody() {
			sums = append(sums, limbSum(l))
		}
	}
	if len(sums) == 0 {
		return 0
	}
	slices.Sort(sums)
	share := shareThigh.mean + shareShank.mean + shareTrunk.mean
	// The 75th percentile: legs are straightest when least foreshortened.
	return sums[len(sums)*3/4] / (share * heightIn)
}

// limbSum is the image length of shank, thigh (mean of both legs) and trunk,
// px. The look must have a body.
func limbSum(l *look) float64 {
	b := &l.body
	sum := l.middle(vision.LeftHip, vision.RightHip).dist(l.middle(vision.LeftShoulder, vision.RightShoulder))
	for k := range vision.Landmark(2) {
		hip, knee, ankle := b[vision.LeftHip+k], b[vision.LeftKnee+k], b[vision.LeftAnkle+k]
		if !knee.ok {
			sum += hip.dist(ankle) / 2
			continue
		}
		sum += (hip.dist(knee) + knee.dist(ankle)) / 2
	}
	return sum
}

// findMoments finds the swing's peak and the stance. pxPerIn is rough.
func (s *scene) findMoments(pxPerIn float64) moments {
	var m moments
	tips := 0
	for i := range s.looks {
		if s.looks[i].tip.ok && s.looks[i].knob.ok {
			tips++
		}
	}
	m.hasBat = tips >= minBatFrames
	var tr *trace
	if m.hasBat {
		tr = s.newTrace(accelBarrel, pxPerIn, func(l *look) point { return l.tip })
	} else {
		tr = s.newTrace(accelArm, pxPerIn, func(l *look) point { return l.middle(vision.LeftWrist, vision.RightWrist) })
	}
	m.peak = len(s.looks) / 2
	best := 0.0
	for i := 1; i+1 < len(s.looks); i++ {
		dt := s.looks[i+1].ms - s.looks[i-1].ms
		if dt <= 0 || !tr.ok[i-1] || !tr.ok[i+1] {
			continue
		}
		if v := math.Hypot(tr.u[i+1]-tr.u[i-1], tr.v[i+1]-tr.v[i-1]) / dt; v > best {
			best, m.peak = v, i
		}
	}
	m.stance = s.findStance(m.peak, pxPerIn)
	return m
}

// Stance: no later than this before the peak (plant to contact takes 100 to
// 200 ms, the stride before it 250 to 400) and no earlier.
const (
	stanceLatestMs   = 300.0
	stanceEarliestMs = 2000.0
	stanceMoveIn     = 1.5   // a foot that has moved this far has left the stance
	stanceStillInS   = 8.0   // feet slower than this stand
	stanceLeastMs    = 150.0 // a shorter rest is a foot at the top of its lift
)

// findStance returns the frames of the last rest of both feet before the
// stride, or, when they never rest, those from the first frame with a body
// until a foot leaves its place.
func (s *scene) findStance(peak int, pxPerIn float64) []int {
	var with []int
	for i := range s.looks {
		before := s.looks[peak].ms - s.looks[i].ms
		if s.looks[i].hasBody() && before <= stanceEarliestMs {
			with = append(with, i)
		}
	}
	if len(with) == 0 {
		return nil
	}
	if rest := s.lastRest(with, s.looks[peak].ms-stanceLatestMs, pxPerIn); len(rest) > 0 {
		return rest
	}
	return s.fromStart(with, peak, pxPerIn)
}

// lastRest walks back from a time to a run of frames in which both ankles stand
// for stanceLeastMs at least, and returns it.
func (s *scene) lastRest(with []int, untilMs, pxPerIn float64) []int {
	const half = 40.0 // ms to either side over which a speed is taken
	ankles := [2]*trace{}
	for k := range ankles {
		l := int(vision.LeftAnkle) + k
		ankles[k] = s.newTrace(accelLeg, pxPerIn, func(l2 *look) point { return l2.body[l] })
	}
	still := func(i int) bool {
		lo, hi := i, i
		for lo > 0 && s.looks[i].ms-s.looks[lo].ms < half {
			lo--
		}
		for hi+1 < len(s.looks) && s.looks[hi].ms-s.looks[i].ms < half {
			hi++
		}
		dt := (s.looks[hi].ms - s.looks[lo].ms) / 1000
		for _, t := range ankles {
			if !t.ok[lo] || !t.ok[hi] || dt <= 0 || t.at(lo).dist(t.at(hi))/dt > stanceStillInS*pxPerIn {
				return false
			}
		}
		return true
	}
	var run []int // descending
	for k := len(with) - 1; k >= 0; k-- {
		i := with[k]
		if s.looks[i].ms > untilMs {
			continue
		}
		stays := still(i)
		if stays && len(run) > 0 {
			first := run[0]
			stays = max(ankles[0].at(i).dist(ankles[0].at(first)), ankles[1].at(i).dist(ankles[1].at(first))) < stanceMoveIn*pxPerIn &&
				s.looks[run[len(run)-1]].ms-s.looks[i].ms <= maxGapMs
		}
		if stays {
			run = append(run, i)
			continue
		}
		if len(run) > 0 && s.looks[run[0]].ms-s.looks[run[len(run)-1]].ms >= stanceLeastMs {
			break
		}
		run = run[:0]
	}
	if len(run) == 0 || s.looks[run[0]].ms-s.looks[run[len(run)-1]].ms < stanceLeastMs {
		return nil
	}
	slices.Reverse(run)
	return run
}

// fromStart returns the frames with a body from the first one until a foot
// leaves its place.
func (s *scene) fromStart(with []int, peak int, pxPerIn float64) []int {
	first := s.looks[with[0]].ms
	var start []int
	for _, i := range with {
		if s.looks[i].ms-first <= 120 || len(start) < 3 {
			start = append(start, i)
		}
	}
	home := [2]point{s.median(start, vision.LeftAnkle), s.median(start, vision.RightAnkle)}
	var out []int
	away := 0
	for _, i := range with {
		late := s.looks[peak].ms-s.looks[i].ms < stanceLatestMs
		if late && len(out) >= 3 {
			break
		}
		moved := max(s.looks[i].body[vision.LeftAnkle].dist(home[0]), s.looks[i].body[vision.RightAnkle].dist(home[1]))
		if moved > stanceMoveIn*pxPerIn {
			// one wild mark is no stride
			if away++; away > 3 {
				break
			}
			continue
		}
		away = 0
		out = append(out, i)
	}
	if len(out) == 0 {
		out = start
	}
	return out
}

// median is the middle of a landmark's marks over some frames, by coordinate.
func (s *scene) median(frames []int, l vision.Landmark) point {
	var u, v []float64
	sigma := 0.0
	for _, i := range frames {
		if p := s.looks[i].body[l]; p.ok {
			u, v, sigma = append(u, p.u), append(v, p.v), sigma+p.sigma
		}
	}
	if len(u) == 0 {
		return point{}
	}
	return point{u: median(u), v: median(v), sigma: sigma / float64(len(u)), ok: true}
}

// median of a copy of x; NaN when x is empty.
func median(x []float64) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	y := slices.Clone(x)
	slices.Sort(y)
	if n := len(y); n%2 == 0 {
		return (y[n/2-1] + y[n/2]) / 2
	}
	return y[len(y)/2]
}

package phases

import (
	"math"
	"sort"
)

// What is known of contact before looking at the bat's sudden slowing.
//
//   - Tip speed peaks within about 25 ms of contact; Welch et al. 1995 put the
//     peak 15 ms before it, tee studies nearer. Mean 5, sd 12 ms after the peak.
//   - The bat is near square to the line of the pitch: a fair ball leaves
//     within 45 degrees of it and its heading turns with the bat's by one to
//     two times, so most contacts lie within 15 degrees (one sd).
//   - The bat loses 9 to 14 % of its turn rate to the ball.
const (
	afterPeakMs, afterPeakSMs = 5, 12
	squareSDeg                = 15
	slowing, slowingS         = 0.115, 0.04
	searchMs                  = 60 // contact lies this near the peak of tip speed
)

// contactTime fuses, on one grid of times, the ball where it was seen, the
// bat's sudden slowing, its heading and the peak of its speed.
func (r *reading) contactTime(b batPath, a arc) finding {
	if b.peakSpeed == 0 {
		return missing("the bat was not followed through the swing")
	}
	if a.across && a.peakS == 0 {
		return missing("seen along the pitch line, the bat never passes the plate's side from end to end of the track")
	}
	p := grid(a.peak-searchMs, a.peak+searchMs, r.dt/4)
	var evidence []string
	if a.across {
		// squareSDeg at the 2000 degrees per second of a bat near contact.
		p.normal(a.peak, math.Hypot(a.peakS, squareSDeg/2.0))
		evidence = append(evidence, a.source)
	} else {
		p.normal(a.peak+afterPeakMs, afterPeakSMs)
		evidence = append(evidence, "peak of bat speed")
	}
	if r.square(a, p) {
		evidence = append(evidence, a.source+", near square")
	}
	_, without, _ := p.moments()
	if kink(a.swept, p) {
		if _, with, _ := p.moments(); with < 0.8*without {
			evidence = append(evidence, "the bat's sudden slowing")
		}
	}
	if label, ok := r.ballMeetsBat(b, p); ok {
		evidence = append(evidence, label)
	}
	mean, sd, _ := p.moments()
	n := a.swept.between(mean-30, mean+30).len()
	return finding{t: mean, sd: floorSigma(sd, r.dt, n), confidence: math.Exp(-sd / 40), evidence: evidence}
}

// square multiplies p by how likely contact is at each time's bat heading.
func (r *reading) square(a arc, p posterior) bool {
	half := math.Max(20, 2.5*r.dt)
	sd := math.Hypot(squareSDeg, a.headingS)
	logs := make([]float64, len(p.t))
	worst, used := math.Inf(1), false
	for i, t := range p.t {
		h, sh, ok := across(a.heading, t, half, 2.5*r.dt)
		if !ok {
			logs[i] = math.NaN()
			continue
		}
		v := sd*sd + sh*sh
		logs[i] = -h*h/(2*v) - math.Log(v)/2
		worst, used = math.Min(worst, logs[i]), true
	}
	if !used {
		return false
	}
	for i, l := range logs {
		if math.IsNaN(l) { // where the bat was not followed, as unlikely as anywhere
			l = worst
		}
		p.logp[i] += l
	}
	return true
}

// across reads s at t: from the local parabola, or inside a hole longer than
// hole ms on the chord over it, from which a bat that speeds up or slows down
// strays by up to a tenth of what it turns meanwhile.
func across(s series, t, half, hole float64) (v, sd float64, ok bool) {
	i := sort.SearchFloat64s(s.t, t)
	if i > 0 && i < s.len() && s.t[i]-s.t[i-1] > hole {
		jump := s.x[i] - s.x[i-1]
		return s.at(t), math.Hypot(math.Hypot(s.sd[i-1], s.sd[i]), jump/10), true
	}
	v, _, sd, _, ok = s.local(t, half, 2)
	return v, sd, ok
}

// handsLeadMs is how long before contact the hands are fastest: they slow as
// the barrel overtakes them (peaks run from the hands outward; 25 to 45 ms,
// common practice, no source).
const (
	handsLeadMs  = 35
	handsLeadSMs = 20
)

// contactByHands is what is left when the bat was not followed.
func (r *reading) contactByHands(b batPath) finding {
	h, source := r.hands(b)
	v := speed(math.Max(25, 2.5*r.dt), h.x, h.y)
	top, at, sd := 0.0, 0.0, 0.0
	for i, x := range v.x {
		if x > 4*v.sd[i] && x > top {
			top, at, sd = x, v.t[i], v.sd[i]
		}
	}
	if top == 0 {
		return missing("neither bat nor hands were followed through the swing")
	}
	// Within its own error the peak could lie anywhere the speed is as high.
	lo, hi := at, at
	for i, x := range v.x {
		if x > top-2*sd && math.Abs(v.t[i]-at) < 80 {
			lo, hi = math.Min(lo, v.t[i]), math.Max(hi, v.t[i])
		}
	}
	return finding{t: at + handsLeadMs, sd: math.Hypot(math.Hypot((hi-lo)/math.Sqrt(12), r.dt), handsLeadSMs), confidence: 0.2,
		evidence: []string{source + " fastest, plus the 35 ms by which the barrel comes after them (bat not followed)"}}
}

package phases

import (
	"math"
	"sort"
)

// What is known of contact before looking at the ball or the bat's sudden
// slowing.
//
//   - Tip speed peaks within about 25 ms of contact; Welch et al. 1995 put the
//     peak 15 ms before it, tee studies nearer. Mean 5, sd 12 ms after the peak.
//   - The bat is near square to the line of the pitch: a fair ball leaves
//     within 45 degrees of it and its heading turns with the bat's by one to
//     two times, so most contacts lie within 15 degrees (one sd).
const (
	afterPeakMs, afterPeakSMs = 5, 12
	squareSDeg                = 15
	searchMs                  = 60 // contact lies this near the peak of tip speed
)

// contactTime fuses, on one grid of times, the bat's speed and heading or else
// the hands' speed, the ball where it was seen, the sound of the bat, and the
// bat's sudden slowing; and says what became of the ball.
func (r *reading) contactTime(b batPath, a arc) (finding, outcome) {
	p, f := r.swingThrough(b, a)
	if !f.ok() {
		return f, outcome{ResultUnknown, f.reason, 0, false}
	}
	o := r.ballOutcome(b, p)
	add := func(label string, ok bool) {
		if ok {
			f.evidence = append(f.evidence, label)
		}
	}
	n := 0
	if o.passed {
		add(r.ballPasses(b, p, o))
	} else {
		label, frames, ok := r.ballTurns(b, p)
		if add(label, ok); ok {
			n, f.confidence = frames, 1
		}
	}
	if !o.passed && r.crack(b, p) > 0 {
		f.evidence = append(f.evidence, "the crack of the bat on the sound track, less its way to the camera")
		if o.result == ResultUnknown {
			o = outcome{ResultHit, "the crack of the bat is on the sound track; " + o.why, 1 - glanced, false}
		}
	}
	if o.result == ResultMiss {
		f.evidence = append([]string{"no contact: the swing missed; this is where the bat would have met the ball"}, f.evidence...)
	} else {
		_, without, _ := p.moments()
		if kink(a.swept, p, o.slowed) {
			_, with, _ := p.moments()
			add("the bat's sudden slowing", with < 0.8*without)
		}
	}
	mean, sd, _ := p.moments()
	n += a.swept.between(mean-30, mean+30).len()
	f.t, f.sd = mean, floorSigma(sd, r.gap(mean), n)
	f.confidence = math.Min(f.confidence, math.Exp(-sd/40))
	return f, o
}

// swingThrough is the density of the time at which the swing passes the place
// of contact, from the swing alone. The finding holds its evidence.
func (r *reading) swingThrough(b batPath, a arc) (posterior, finding) {
	if b.peakSpeed == 0 || a.across && a.peakS == 0 {
		return r.handsThrough(b)
	}
	p := grid(a.peak-searchMs, a.peak+searchMs, r.gap(a.peak)/4)
	f := finding{confidence: 1}
	if a.across {
		// squareSDeg at the 2000 degrees per second of a bat near contact.
		p.normal(a.peak, math.Hypot(a.peakS, squareSDeg/2.0))
		f.evidence = append(f.evidence, a.source)
	} else {
		p.normal(a.peak+afterPeakMs, afterPeakSMs)
		f.evidence = append(f.evidence, "peak of bat speed")
	}
	if r.square(a, p) {
		f.evidence = append(f.evidence, a.source+", near square")
	}
	return p, f
}

// square multiplies p by how likely contact is at each time's bat heading.
func (r *reading) square(a arc, p posterior) bool {
	half := r.wide(20)
	sd := math.Hypot(squareSDeg, a.headingS)
	logs := make([]float64, len(p.t))
	worst, used := math.Inf(1), false
	for i, t := range p.t {
		h, sh, ok := across(a.heading, t, half(t), 2.5*r.gap(t))
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

// handsLeadMs is how long before contact the hands' drive is fastest. They start
// some 150 ms before it and slow as the barrel overtakes them (peaks run from
// the hands outward), so their fastest is from two thirds to a tenth of that
// before: evenly spread over 100 to 15 ms (common practice, no source). After
// contact, coming round, they may be as fast again: the first peak counts, if it
// is drivePeak of the highest. Along the pitch line the drive hardly shows, and
// what is fastest in the picture may be either.
const (
	handsLeadMs  = 58
	handsLeadSMs = 25
	handsBlindMs = 80
	drivePeak    = 0.75
)

// handsThrough is what is left of swingThrough when the bat was not followed.
func (r *reading) handsThrough(b batPath) (posterior, finding) {
	h, source := r.hands(b)
	v := speed(r.wide(25), h.x, h.y)
	top := 0.0
	for i, x := range v.x {
		if x > 4*v.sd[i] {
			top = math.Max(top, x)
		}
	}
	if top == 0 {
		return posterior{}, missing("neither bat nor hands were followed through the swing")
	}
	peak := 0
	for i, x := range v.x {
		if x > 4*v.sd[i] && x >= drivePeak*top && x >= v.x[max(i-1, 0)] && x >= v.x[min(i+1, len(v.x)-1)] {
			peak = i
			break
		}
	}
	at, height, sd := v.t[peak], v.x[peak], v.sd[peak]
	// Within its own error the peak could lie anywhere near that the speed is as
	// high.
	lo, hi := at, at
	for i, x := range v.x {
		if x > height-2*sd && math.Abs(v.t[i]-at) < 80 {
			lo, hi = math.Min(lo, v.t[i]), math.Max(hi, v.t[i])
		}
	}
	sd = math.Hypot(math.Hypot((hi-lo)/math.Sqrt(12), r.gap(at)), handsLeadSMs)
	if r.alongPitch() {
		sd = math.Hypot(sd, handsBlindMs)
	}
	p := grid(at+handsLeadMs-4*sd, at+handsLeadMs+4*sd, r.gap(at)/4)
	p.normal(at+handsLeadMs, sd)
	return p, finding{confidence: 0.2, evidence: []string{source + " fastest, plus the 58 ms by which the barrel comes after them (bat not followed)"}}
}

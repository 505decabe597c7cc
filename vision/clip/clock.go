package clip

import (
	"fmt"
	"math"
	"slices"

	"nightcage/vision"
)

// Relative standard errors of durations, by what the clock rests on. Common
// practice, no source: a phone's timer is good to parts in a hundred thousand,
// so what is left is how far a nominal rate is from the true one (240 for
// 239.76, 29.97 for 30, and slow-motion files stored at 28.6 to 33.1 for a
// nominal 30).
const (
	sigmaTimestamps = 0.002
	sigmaAgreed     = 0.001 // presentation times and a rate told agree
	sigmaNominal    = 0.01
)

// agree is how far apart two rates may be and still name the same one: 2 % is
// several times the distance between a nominal and a true rate and far below
// that between any two rates cameras offer.
const agree = 0.02

// slowMotion is the least ratio of capture rate to stored rate that counts as
// slow motion; below it a tag only restates the stored rate.
const slowMotion = 1.5

// fastestFPS is above any camera that people film swings with; phones go to 960.
// usualFPS puts the times of a file that claims more within reason.
const fastestFPS, usualFPS = 2000.0, 120.0

// storedFPS is the typical frame rate of presentation times (ms, ascending):
// the inverse of the mean step among steps within half and one and a half times
// the median. Holes do not pull it, and neither does a container whose clock
// ticks too coarsely for the rate, as 600 Hz does for 240 fps (steps of two and
// three ticks). It is 0 for fewer than two times.
func storedFPS(ptsMs []float64) float64 {
	if len(ptsMs) < 2 {
		return 0
	}
	steps := make([]float64, 0, len(ptsMs)-1)
	for i := 1; i < len(ptsMs); i++ {
		steps = append(steps, ptsMs[i]-ptsMs[i-1])
	}
	sorted := slices.Sorted(slices.Values(steps))
	mid := sorted[len(sorted)/2]
	sum, n := 0.0, 0
	for _, s := range steps {
		if s >= mid/2 && s <= mid*1.5 {
			sum, n = sum+s, n+1
		}
	}
	if sum <= 0 {
		return 0
	}
	return 1000 * float64(n) / sum
}

// regimeFrames is how many steps in a row make a pace of its own rather than a
// hiccup.
const regimeFrames = 8

// ramped reports whether presentation times hold two sustained paces, one at
// least 1.8 times the other. A phone in falling light slows by at most a half;
// an edited slow-fast clip changes by two or more.
func ramped(ptsMs []float64) bool {
	var paces []float64
	for i := 0; i+regimeFrames < len(ptsMs); i++ {
		lo, hi := math.Inf(1), 0.0
		for j := i; j < i+regimeFrames; j++ {
			s := ptsMs[j+1] - ptsMs[j]
			lo, hi = min(lo, s), max(hi, s)
		}
		// Even enough to be one pace, coarse ticks allowed for.
		if hi <= 1.6*lo {
			paces = append(paces, (ptsMs[i+regimeFrames]-ptsMs[i])/regimeFrames)
		}
	}
	if len(paces) == 0 {
		return false
	}
	return slices.Max(paces) >= 1.8*slices.Min(paces)
}

// setClock decides the capture clock and returns it with the factor that takes
// presentation time to capture time. tagFPS and jobFPS are 0 when absent.
//
// Rules: (1) presentation times; (2) a tag more than slowMotion times the
// stored rate scales them; (3) a rate told with the job wins over both, and
// what disagrees with it is reported in Conflict; (4) two paces in one clip
// leave no clock, whatever is told; nor do times that no camera keeps.
func setClock(ptsMs []float64, tagFPS, jobFPS float64) (vision.Clock, float64) {
	stored := storedFPS(ptsMs)
	c := vision.Clock{Known: true, StoredFPS: stored}
	tagged := tagFPS > slowMotion*stored
	if !(stored <= fastestFPS) {
		c.Known, c.Source = false, vision.ClockUnknown
		c.Conflict = fmt.Sprintf("by its own times the clip shows %.4g pictures a second, which no camera takes", stored)
		return c, stored / usualFPS
	}
	if ramped(ptsMs) {
		c.Known, c.Source = false, vision.ClockUnknown
		c.Conflict = "the clip plays at two paces, so no one rate turns its time into real time"
		return c, 1
	}
	if jobFPS > 0 {
		c.Source, c.CaptureFPS, c.SigmaRel = vision.ClockJob, jobFPS, sigmaNominal
		switch {
		case tagged:
			if math.Abs(tagFPS/jobFPS-1) > agree {
				c.Conflict = fmt.Sprintf("the job says %.4g frames per second, a tag in the file says %.4g", jobFPS, tagFPS)
			}
		case math.Abs(jobFPS/stored-1) <= agree:
			// The file's own times are finer than a nominal rate.
			c.SigmaRel = sigmaAgreed
			return c, 1
		case jobFPS < slowMotion*stored:
			// Above that, the job tells of slow motion, which the file cannot deny.
			c.Conflict = fmt.Sprintf("the job says %.4g frames per second, the file plays %.4g", jobFPS, stored)
		}
		return c, stored / jobFPS
	}
	if tagged {
		c.Source, c.CaptureFPS, c.SigmaRel = vision.ClockTag, tagFPS, sigmaNominal
		return c, stored / tagFPS
	}
	c.Source, c.CaptureFPS, c.SigmaRel = vision.ClockTimestamps, stored, sigmaTimestamps
	if tagFPS > 0 && math.Abs(tagFPS/stored-1) <= agree {
		c.SigmaRel = sigmaAgreed
	}
	return c, 1
}

// Unclocked returns c with its clock withdrawn for the reason why, and its
// times set to a guess at capture time by which the later stages' windows of
// milliseconds fit the swing: slower times faster than presentation time in the
// frames [slow[0], slow[1]), as presented elsewhere. No duration of them may be
// reported. c itself is not changed.
func Unclocked(c vision.Clip, slower float64, slow [2]int, why string) vision.Clip {
	c.Clock = vision.Clock{Source: vision.ClockUnknown, StoredFPS: c.Clock.StoredFPS, Conflict: why}
	c.Times = slices.Clone(c.Times)
	ms := 0.0
	for i := range c.Times {
		if i > 0 {
			step := c.Times[i].PTSMs - c.Times[i-1].PTSMs
			if i >= slow[0] && i < slow[1] {
				step /= slower
			}
			ms += step
		}
		c.Times[i].Ms = ms
	}
	return c
}

// OnePace is the stretch [first, end) of a clip about the picture at in which
// pictures follow each other at one pace by their presentation times: all of it
// unless the clip was given no clock for playing at two. What happens across a
// change of pace cannot be followed: nobody knows which of the two is true.
func OnePace(c vision.Clip, at int) (first, end int) {
	pts := make([]float64, len(c.Times))
	for i, t := range c.Times {
		pts[i] = t.PTSMs
	}
	if c.Clock.Known || at < 0 || at >= len(pts) || !ramped(pts) {
		return 0, len(pts)
	}
	from, to := max(0, at-regimeFrames/2), min(len(pts)-1, at+regimeFrames/2)
	var near []float64
	for i := from; i < to; i++ {
		near = append(near, pts[i+1]-pts[i])
	}
	slices.Sort(near)
	pace := near[len(near)/2]
	// along walks from the picture and ends where half a regime's steps in a row
	// are of another pace; fewer are a hiccup.
	along := func(step int) int {
		edge, off := at, 0
		for i := at; i+step >= 0 && i+step < len(pts) && off < regimeFrames/2; i += step {
			if s := math.Abs(pts[i+step] - pts[i]); s > 1.6*pace || s < pace/1.6 {
				off++
			} else {
				edge, off = i+step, 0
			}
		}
		return edge
	}
	return along(-1), along(1) + 1
}

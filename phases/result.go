package phases

import (
	"fmt"
	"math"

	"nightcage/vision"
)

const (
	// A ball that goes on to the catcher's mitt was tipped; one turned further
	// was fouled back or hit. A mitt 75 in behind the bat reaches some 25 in
	// either way in the 50 ms that are left ("sharp and direct from the bat to
	// the catcher", Official Baseball Rules, definition of a foul tip; from
	// memory. The two lengths: common practice, no source).
	tipDeg = 20
	// tipPrior is the odds of a tip against a miss before looking: one pitch in
	// a hundred is tipped, one in ten swung at and missed (from memory).
	tipPrior = 0.1
	// sure is the odds that decide.
	sure = 4.0
	// hitPrior is the share of swings that meet the ball, where nothing shows
	// it (common practice, no source).
	hitPrior = 0.85
	// glanced is the share of balls met that slow the bat by less than slowing
	// allows: hit thin.
	glanced = 0.1
	// ballSwingMs: a ball that comes to the hitter longer before or after the
	// bat's fastest frame is not the one swung at.
	ballSwingMs = 300

	// missIn: a swing farther from the ball's way was at something else.
	missIn = 24

	gravityInS2 = 386.1 // standard gravity, 9.80665 m/s²
)

// slightTip is said of a miss where tipPrior speaks louder than the picture.
const slightTip = "; a slight tip would not show in this view"

// outcome is what a swing did to the ball.
type outcome struct {
	result Result
	why    string
	slowed float64 // probability that the ball slowed the bat
	passed bool    // the ball went on toward the catcher, touched or not
}

// ballOutcome tells what became of the ball from its flight. p is the time of
// the swing, from the swing alone.
func (r *reading) ballOutcome(b batPath, p posterior) outcome {
	f := r.track.Ball
	peak, _, _ := p.moments()
	unknown := func(format string, a ...any) outcome {
		return outcome{ResultUnknown, fmt.Sprintf(format, a...), hitPrior * (1 - glanced), false}
	}
	hit := func(format string, a ...any) outcome {
		return outcome{ResultHit, fmt.Sprintf(format, a...), 1 - glanced, false}
	}
	switch {
	case f == nil:
		return unknown("no ball was looked for")
	case f.Kind == vision.BallNone:
		return unknown("no ball was found: %s", f.Why)
	case r.away(f, peak) > ballSwingMs:
		return unknown("the ball that was seen came at another time")
	case f.Kind == vision.BallTee && f.End == vision.BallMet:
		return hit("the ball left the tee")
	case f.Kind == vision.BallTee:
		return unknown("the ball on the tee was not seen to leave")
	case f.Kind == vision.BallBatted && f.Out != nil:
		if !r.towardPitcher(f.Out) {
			return unknown("a ball was first seen beyond the bat, on no way that shows it was hit")
		}
		return hit("the ball was seen on its way off the bat")
	case f.In != nil && f.Out != nil:
		return r.turned(f.In, f.Out, f.End)
	case f.In != nil && f.End == vision.BallPassed:
		if in, out, ok := r.cornerAt(b, p); ok {
			return r.turned(in, out, f.End)
		}
		return outcome{ResultMiss, "the ball went past the bat" + slightTip, 0, true}
	}
	return unknown("the ball was last seen on its way to the hitter")
}

// away is how long before or after peak, a time on r's axis, the ball came to
// the bat.
func (r *reading) away(f *vision.BallFlight, peak float64) float64 {
	t, _ := r.timeAt(nearBat(f))
	return math.Abs(t - peak)
}

// nearBat is when the ball was at the bat, or nearest to it, ms.
func nearBat(f *vision.BallFlight) float64 {
	switch {
	case f.MeetSigmaMs > 0:
		return f.MeetMs
	case f.In != nil:
		return f.In.Ms
	case f.Out != nil:
		return f.Out.Ms
	}
	return math.NaN()
}

// turned tells a hit, a tip and a miss by how much the ball's direction changes
// at the bat.
func (r *reading) turned(in, out *vision.BallLine, end vision.BallEnd) outcome {
	deg, sd := r.bend(in, out)
	back := r.comesBack(in, out)
	// The share of deg's density within the angle of a tip.
	on := 0.5 * (math.Erf((tipDeg-deg)/(math.Sqrt2*sd)) + math.Erf((tipDeg+deg)/(math.Sqrt2*sd)))
	switch {
	case back || on < 1/(1+sure):
		return outcome{ResultHit, fmt.Sprintf("the bat turned the ball by %.0f degrees in the picture", math.Abs(deg)), 1 - glanced, false}
	case on < sure/(1+sure):
		return outcome{ResultUnknown, fmt.Sprintf("the ball turned by %.0f ± %.0f degrees: whether it was hit or tipped cannot be told", math.Abs(deg), sd), 0.5, false}
	}
	// Log odds of a tip, which turns it by any angle up to about tipDeg, against
	// none.
	wide := math.Hypot(sd, tipDeg/math.Sqrt(3))
	odds := math.Log(tipPrior) + math.Log(sd/wide) + deg*deg/2*(1/(sd*sd)-1/(wide*wide))
	if end == vision.BallMet {
		odds = math.Inf(1) // what followed the ball has weighed more than its direction
	}
	switch {
	case odds > math.Log(sure):
		return outcome{ResultFoulTip, fmt.Sprintf("the ball went on toward the catcher, turned by %.0f degrees", math.Abs(deg)), 0, true}
	case odds < -math.Log(sure):
		why := "the ball went past the bat without a turn"
		if r.alongPitch() {
			why += slightTip // most of a turn runs along the line of sight
		}
		return outcome{ResultMiss, why, 0, true}
	}
	return outcome{ResultUnknown, fmt.Sprintf("the ball went on toward the catcher, turned by %.1f ± %.1f degrees: whether it was tipped cannot be told", math.Abs(deg), sd), 0, true}
}

// cornerAt reads the way of a ball that was followed past the bat in one piece
// before and after it passed the barrel or, where that does not show, before and
// after the swing: a tip leaves a corner there too slight to part the two. ok
// is false with fewer than three places on a side.
func (r *reading) cornerAt(b batPath, p posterior) (in, out *vision.BallLine, ok bool) {
	x, y, at := r.ballAround(p)
	if x.len() < 6 {
		return nil, nil, false
	}
	if r.pitcher != 0 {
		if t, _, ok := r.ballReachesBarrel(b, x, y, at, missIn); ok {
			at = t
		}
	}
	const nearMs, farMs = 5, 70
	in, ok1 := r.straight(x.between(at-farMs, at-nearMs), y.between(at-farMs, at-nearMs))
	out, ok2 := r.straight(x.between(at+nearMs, at+farMs), y.between(at+nearMs, at+farMs))
	return in, out, ok1 && ok2
}

// straight is the ball's line through a stretch of its way, gravity's bend
// taken off, told at the stretch's middle. The places were smoothed together, so
// they tell a direction no better than two of them would.
func (r *reading) straight(x, y series) (*vision.BallLine, bool) {
	n := x.len()
	if n < 3 || y.len() != n || !r.timed {
		return nil, false
	}
	mid := (x.t[0] + x.t[n-1]) / 2
	level := series{y.t, make([]float64, n), y.sd}
	for i, t := range y.t {
		u := (t - mid) / 1000
		level.x[i] = y.x[i] + gravityInS2/2*u*u
	}
	_, vx, _ := line(x, mid)
	_, vy, _ := line(level, mid)
	v := math.Hypot(vx, vy) // in/ms
	long := v * (x.t[n-1] - x.t[0])
	if !(long > 0) {
		return nil, false
	}
	return &vision.BallLine{Seen: n, Ms: mid, Right: vx > 0, SpeedPxS: 1000 * v * r.unit,
		AngleDeg:      math.Atan2(vy, math.Abs(vx)) * 180 / math.Pi,
		AngleSigmaDeg: math.Sqrt2 * median(x.sd) / long * 180 / math.Pi}, true
}

// bend is the change of the ball's direction in the picture from in to out,
// degrees, and its standard error. A straight line in space is one in the
// picture too; what gravity bends it between the two is taken off, and as much
// again allowed for drag and spin.
func (r *reading) bend(in, out *vision.BallLine) (deg, sd float64) {
	direction := func(l *vision.BallLine, fallPxS float64) float64 {
		sin, cos := math.Sincos(l.AngleDeg * math.Pi / 180)
		if !l.Right {
			cos = -cos
		}
		return math.Atan2(l.SpeedPxS*sin-fallPxS, l.SpeedPxS*cos) * 180 / math.Pi
	}
	fall := gravityInS2 * r.unit * math.Max(out.Ms-in.Ms, 0) / 1000 // px/s
	deg = direction(out, 0) - direction(in, fall)
	deg -= 360 * math.Round(deg/360)
	bent := fall / math.Max(in.SpeedPxS, 1) * 180 / math.Pi
	return deg, math.Sqrt(in.AngleSigmaDeg*in.AngleSigmaDeg + out.AngleSigmaDeg*out.AngleSigmaDeg + bent*bent + 0.01)
}

// comesBack reports whether the ball neared the camera on its way in and goes
// away from it on its way out, or the reverse: seen along the pitch line a hit
// may change its direction in the picture by little.
func (r *reading) comesBack(in, out *vision.BallLine) bool {
	a, b := in.NearingPerS/in.NearingSigmaPerS, out.NearingPerS/out.NearingSigmaPerS
	return r.alongPitch() && a*b < 0 && math.Min(math.Abs(a), math.Abs(b)) > 2
}

// towardPitcher reports whether a ball that was only seen beyond the bat goes
// where no pitch goes that was missed: toward the pitcher, or steeply up or
// down.
func (r *reading) towardPitcher(out *vision.BallLine) bool {
	const steepDeg = 2 * tipDeg
	if r.pitcher != 0 {
		return out.Right == (r.pitcher > 0) || math.Abs(out.AngleDeg) > steepDeg+2*out.AngleSigmaDeg
	}
	away := -out.NearingPerS // from a camera behind the catcher
	if yaw, _, ok := r.cameraYaw(); !ok || !r.alongPitch() {
		return false
	} else if yaw > 0 {
		away = -away
	}
	return away > 2*out.NearingSigmaPerS
}

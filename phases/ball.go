package phases

import (
	"math"

	"nightcage/vision"
)

// flying is a ball that comes in on a nearly straight line and goes off on
// another, both at up to 120 mph (2100 in/s); the square terms take in gravity
// and perspective over some tens of milliseconds.
var flying = breakModel{before: [3]float64{2100, 3000}, after: [3]float64{2100, 3000}}

// ballMs is how long before and after contact the ball's way is read.
const ballMs = 60

// missMs is how far off in time a swing is that misses: a ball is met within
// some 10 ms of the middle of its zone, and misses, of which about half are
// over or under the ball and not early or late, are off by up to a few times
// that (common practice, no source).
const missMs = 20

// touchIn is how far the sweet spot may lie off the ball's way where they meet,
// inches: the barrel is some 12 in long, and its tip is known to an inch or two.
const touchIn = 8

// ballTurns multiplies p by where the ball's way in and its way out meet or,
// without a way out, by where the incoming ball reaches the barrel. n is how
// many frames that rests on.
func (r *reading) ballTurns(b batPath, p posterior) (label string, n int, ok bool) {
	const turn = "the ball's way in and way out"
	if f := r.track.Ball; f != nil && f.MeetSigmaMs > 0 {
		t, perMs := r.timeAt(f.MeetMs)
		if t < p.t[0] || t > p.t[len(p.t)-1] {
			return "", 0, false
		}
		p.normal(t, math.Hypot(f.MeetSigmaMs, contactLastsMs)*perMs)
		for _, l := range []*vision.BallLine{f.In, f.Out} {
			if l != nil {
				n += l.Seen
			}
		}
		if f.Kind == vision.BallTee {
			return "the ball's way off the tee", n, true
		}
		return turn, n, true
	}
	if r.pitcher == 0 {
		return "", 0, false // along the pitch line the ball hardly moves in the picture
	}
	x, y, prior := r.ballAround(p)
	if x.len() < 3 {
		return "", 0, false
	}
	if r.track.Ball == nil && comesAndGoes(x, r.pitcher) {
		lo, hi := math.Max(p.t[0], x.t[1]), math.Min(p.t[len(p.t)-1], x.t[x.len()-2])
		if hi > lo {
			q, _, okX := flying.locate(x, lo, hi, x.t[0], x.t[x.len()-1], p.step())
			qy, _, okY := flying.locate(y, lo, hi, x.t[0], x.t[x.len()-1], p.step())
			if okX && okY {
				for i := range q.logp {
					q.logp[i] += qy.logp[i]
				}
				t, s, _ := q.moments()
				p.normal(t, math.Hypot(s, contactLastsMs))
				return turn, x.len(), true
			}
		}
	}
	t, s, ok := r.ballReachesBarrel(b, x, y, prior, touchIn)
	if !ok {
		return "", 0, false
	}
	p.normal(t, s)
	return "the incoming ball reaches the barrel", x.len(), true
}

// ballPasses multiplies p by when a ball that goes on to the catcher is beside
// the barrel: there a tip happened; a swing that missed was off by missMs.
func (r *reading) ballPasses(b batPath, p posterior, o outcome) (label string, ok bool) {
	if r.pitcher == 0 {
		return "", false
	}
	x, y, prior := r.ballAround(p)
	if x.len() < 3 {
		return "", false
	}
	off := float64(missIn)
	if o.result == ResultFoulTip {
		off = touchIn
	}
	t, s, ok := r.ballReachesBarrel(b, x, y, prior, off)
	if !ok {
		return "", false
	}
	if o.result != ResultFoulTip {
		s = math.Hypot(s, missMs)
	}
	p.normal(t, s)
	return "the ball passes the barrel", true
}

// ballAround is the ball's way within reach of p, as its marks state it: a ball
// that turns round within a few frames leaves no quiet stretch to estimate its
// scatter from.
func (r *reading) ballAround(p posterior) (x, y series, prior float64) {
	ball := r.marks(func(f *vision.Frame) vision.Mark { return f.Ball })
	prior, sd, _ := p.moments()
	from, to := prior-3*sd-ballMs, prior+3*sd+ballMs
	return ball.x.between(from, to), ball.y.between(from, to), prior
}

// contactLastsMs is how long ball and bat touch (0.7 ms; collision studies,
// quoted second-hand).
const contactLastsMs = 0.7

// comesAndGoes reports whether the ball both comes from the pitcher and goes
// away again. toPitcher is the sign of that direction along x.
func comesAndGoes(x series, toPitcher float64) bool {
	in, out := 0, 0
	for i := 1; i < x.len(); i++ {
		d := toPitcher * (x.x[i] - x.x[i-1])
		if d < -3*x.sd[i] {
			in++
		} else if d > 3*x.sd[i] && in > 0 {
			out++
		}
	}
	return in >= 2 && out >= 2
}

// ballReachesBarrel finds when the ball is beside the sweet spot, six inches
// from the tip, within off inches across its way; its way is carried on where it
// was not seen. Where they meet they are equally far from the camera, so the
// picture shows them together.
func (r *reading) ballReachesBarrel(b batPath, x, y series, prior, off float64) (t, sd float64, ok bool) {
	const sweetIn, radiiIn, lineMs = 6, 2.75, 50
	if !(b.length > 0) {
		return 0, 0, false
	}
	half, step := r.smooth()(prior), r.gap(prior)/8
	best := math.Inf(1)
	for u := prior - searchMs; u <= prior+searchMs; u += step {
		// The stretch of the ball's way nearest to u, on the side it comes from.
		end := math.Max(math.Min(u, x.t[x.len()-1]), math.Min(x.t[0]+lineMs, x.t[x.len()-1]))
		bx, by := x.between(end-lineMs, end), y.between(end-lineMs, end)
		if bx.len() < 3 {
			continue
		}
		vx, mx, sx := line(bx, end)
		vy, my, _ := line(by, end)
		if r.pitcher*mx >= 0 {
			continue
		}
		tx, _, s1, _, ok1 := b.tip.x.local(u, half, 2)
		ty, _, _, _, ok2 := b.tip.y.local(u, half, 2)
		ax, _, _, _, ok3 := b.axis.x.local(u, half, 2)
		ay, _, _, _, ok4 := b.axis.y.local(u, half, 2)
		if !(ok1 && ok2 && ok3 && ok4) {
			continue
		}
		// Radii of ball and barrel keep their middles apart along the pitch.
		dx := vx + mx*(u-end) - (tx - ax*sweetIn/b.length) - r.pitcher*radiiIn
		dy := vy + my*(u-end) - (ty - ay*sweetIn/b.length)
		if d := math.Abs(dx); d < best && math.Abs(dy) < off {
			best, t, ok = d, u, true
			// They close at the ball's speed plus about the bat's, at least as great.
			sd = math.Hypot(sx*(1+math.Abs(u-end)/lineMs*3), math.Hypot(s1, 1.5)) / (2 * math.Abs(mx))
		}
	}
	return t, math.Max(sd, 1), ok && best < 2
}

// line fits v + m*(t-t0) to s and returns v, m and the standard error of v.
func line(s series, t0 float64) (v, m, sv float64) {
	var s0, s1, s2, y0, y1 float64
	for i, t := range s.t {
		w := 1 / (s.sd[i] * s.sd[i])
		u := t - t0
		s0, s1, s2 = s0+w, s1+w*u, s2+w*u*u
		y0, y1 = y0+w*s.x[i], y1+w*u*s.x[i]
	}
	det := s0*s2 - s1*s1
	return (s2*y0 - s1*y1) / det, (s0*y1 - s1*y0) / det, math.Sqrt(s2 / det)
}

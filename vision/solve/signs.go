package solve

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"
)

// The bat's image gives its depth up to a sign in every frame. chooseSigns
// finds the most plausible sequence of signs by dynamic programming over pairs
// of neighbouring frames; refine then tries the nearest other sequences in
// full.

const (
	// second difference of the direction that measurement alone may cause
	signNoise = 0.08
	// turn acceleration a swing reaches, rad/s^2 (40 rad/s within 40 ms)
	signAccel = 1500.0
	// frames nearer than this are skipped: their second difference is noise
	signStepMs = 7.0
	// cap of one term, so that one bad frame cannot decide
	signCap = 9.0
	// The swing turns forward (counter-clockwise from above) from some 120 ms
	// before its peak to 120 ms after, a turn of 200 deg or more.
	forwardFromMs, forwardToMs = -120.0, 120.0
	// Cost of a depth sign that makes the bat turn backward, per bat length
	// that the tip moves sideways against the knob meanwhile. A sweep past the
	// camera moves it by two.
	backwardCost = 15.0
	// In the stance the barrel leans over the rear shoulder, away from the
	// plate: the tip is 10 in further from the plate than the knob, give or
	// take 15.
	leanIn, leanSigmaIn = 10.0, 15.0
	// for so long a lean tells nothing new
	leanLastsMs = 100.0
)

// turnCue fills, for every frame, how much it costs to have the tip on the
// near side rather than the far one. With the bat at angle a in the horizontal
// plane, counter-clockwise from the picture's right, the tip stands cos(a) to
// the right of the knob and sin(a) behind it; the swing turns forward, da > 0,
// so a tip that moves to the right is in front and one that moves to the left
// is behind.
func (b *batFit) turnCue(peakMs float64) {
	part := &scene{looks: b.looks}
	side := part.newTrace(accelBarrel, b.scale(), func(l *look) point {
		if !l.knob.ok || !l.tip.ok {
			return point{}
		}
		return point{u: l.tip.u - l.knob.u, v: l.tip.v - l.knob.v, sigma: math.Hypot(l.tip.sigma, l.knob.sigma), ok: true}
	})
	for i := range b.looks {
		lo, hi := max(0, i-1), min(len(b.looks)-1, i+1)
		d := b.looks[i].ms - peakMs
		if d < forwardFromMs || d > forwardToMs || !side.ok[lo] || !side.ok[hi] {
			continue
		}
		// half of the move between the neighbours belongs to this frame
		b.nearCost[i] = -backwardCost * (side.u[hi] - side.u[lo]) / 2 / (b.length() * b.scale())
	}
}

// turnCost is what the present directions cost by turnCue.
func (b *batFit) turnCost() float64 {
	sum := 0.0
	for i, c := range b.nearCost {
		// 0 across the line of sight, +-1 along it
		depth := r3.Dot(b.dir[i], unit(b.knob[i]))
		sum += -c * depth
	}
	return sum
}

// chooseSigns returns for every frame whether the tip is further from the
// camera than the knob.
func (b *batFit) chooseSigns(peakMs float64) []bool {
	var at []int
	lastMs := math.Inf(-1)
	for i := range b.looks {
		if l := &b.looks[i]; l.knob.ok && l.tip.ok && l.ms-lastMs >= signStepMs {
			at, lastMs = append(at, i), l.ms
		}
	}
	n := len(at)
	dirs := make([][2]r3.Vec, n)
	for k, i := range at {
		for far := range 2 {
			dirs[k][far], _ = b.lift(b.knob[i], b.looks[i].tip, far == 1)
		}
	}
	single := func(k, sgn int) float64 {
		l := &b.looks[at[k]]
		if l.ms-peakMs > -200 {
			to := len(b.looks)
			if k+1 < n {
				to = at[k+1]
			}
			c := 0.0
			for i := at[k]; i < to; i++ {
				c += b.nearCost[i]
			}
			if sgn == 1 {
				c = -c
			}
			return c
		}
		lasts := signStepMs
		if k > 0 {
			lasts = l.ms - b.looks[at[k-1]].ms
		}
		lean := b.length()*r3.Dot(dirs[k][sgn], b.cam.axisZ) + leanIn
		return lean * lean / (leanSigmaIn * leanSigmaIn) * min(1, lasts/leanLastsMs)
	}
	triple := func(k, s0, s1, s2 int) float64 {
		h1, h2 := (b.looks[at[k-1]].ms-b.looks[at[k-2]].ms)/1000, (b.looks[at[k]].ms-b.looks[at[k-1]].ms)/1000
		v1 := r3.Scale(1/h1, r3.Sub(dirs[k-1][s1], dirs[k-2][s0]))
		v2 := r3.Scale(1/h2, r3.Sub(dirs[k][s2], dirs[k-1][s1]))
		h := (h1 + h2) / 2
		bend := h * norm(r3.Sub(v2, v1))
		scale := math.Hypot(signNoise, signAccel*h*h)
		return min(signCap, bend*bend/(scale*scale))
	}
	// cost[k][s1*2+s2]: best cost with signs s1 at k-1 and s2 at k
	cost := make([][4]float64, n)
	back := make([][4]int, n)
	if n >= 2 {
		for q := range 4 {
			cost[1][q] = single(0, q/2) + single(1, q%2)
		}
	}
	for k := 2; k < n; k++ {
		for q := range 4 {
			s1, s2 := q/2, q%2
			cost[k][q] = math.Inf(1)
			for s0 := range 2 {
				c := cost[k-1][s0*2+s1] + triple(k, s0, s1, s2) + single(k, s2)
				if c < cost[k][q] {
					cost[k][q], back[k][q] = c, s0
				}
			}
		}
	}
	signs := make([]int, n)
	if n >= 2 {
		q := 0
		for c := range 4 {
			if cost[n-1][c] < cost[n-1][q] {
				q = c
			}
		}
		signs[n-1], signs[n-2] = q%2, q/2
		for k := n - 1; k >= 2; k-- {
			signs[k-2] = back[k][signs[k-1]*2+signs[k]]
		}
	}
	out := make([]bool, len(b.looks))
	k := 0
	for i := range out {
		for k+1 < n && at[k+1] <= i {
			k++
		}
		if n > 0 {
			out[i] = signs[k] == 1
		}
	}
	return out
}

// start sets knob and direction of every frame from the marks, the depth prior
// and the signs, filling frames without marks from their neighbours.
func (b *batFit) start(far []bool) {
	n := len(b.looks)
	set := make([]bool, n)
	for i := range b.looks {
		l := &b.looks[i]
		if !l.knob.ok || !l.tip.ok {
			continue
		}
		b.knob[i] = b.knobAt(i)
		b.dir[i], _ = b.lift(b.knob[i], l.tip, far[i])
		set[i] = true
	}
	last := -1
	for i := 0; i < n; i++ {
		if !set[i] {
			continue
		}
		for k := last + 1; k < i; k++ {
			if last < 0 {
				b.knob[k], b.dir[k] = b.knob[i], b.dir[i]
				continue
			}
			w := (b.looks[k].ms - b.looks[last].ms) / (b.looks[i].ms - b.looks[last].ms)
			b.knob[k] = r3.Add(r3.Scale(1-w, b.knob[last]), r3.Scale(w, b.knob[i]))
			d := r3.Add(r3.Scale(1-w, b.dir[last]), r3.Scale(w, b.dir[i]))
			if norm(d) < 1e-6 {
				d = b.dir[i]
			}
			b.dir[k] = unit(d)
		}
		last = i
	}
	for k := last + 1; k < n && last >= 0; k++ {
		b.knob[k], b.dir[k] = b.knob[last], b.dir[last]
	}
}

// knobAt is the knob's mark at the depth that the hands are thought to have.
func (b *batFit) knobAt(i int) r3.Vec {
	z := b.f()/b.scale() + b.depth[i]
	m := b.looks[i].knob
	return r3.Vec{X: m.u / b.f() * z, Y: m.v / b.f() * z, Z: z}
}

// cueSigns are the signs that the turn cue alone asks for: those of the barrel's
// way across the picture, carried over frames where it hardly moves sideways.
func (b *batFit) cueSigns() []bool {
	const clear = 0.02 // bat lengths against the knob, per frame
	out := make([]bool, len(b.looks))
	known := make([]int, 0, len(out))
	for i, c := range b.nearCost {
		if math.Abs(c) > clear*backwardCost {
			out[i] = c > 0
			known = append(known, i)
		}
	}
	if len(known) == 0 {
		return out
	}
	k := 0
	for i := range out {
		for k+1 < len(known) && b.looks[known[k+1]].ms-b.looks[i].ms <= b.looks[i].ms-b.looks[known[k]].ms {
			k++
		}
		out[i] = out[known[k]]
	}
	return out
}

// refine fits the bat from the given signs and from those of the turn cue,
// then, from the better one, from every sequence with one
// stretch between two passes across the line of sight reversed, and goes on
// from the best until none is better. doubt is exp(-half the cost by which the
// best other one is worse).
func (b *batFit) refine(far []bool, s *normal) (doubt float64, err error) {
	b.start(far)
	if err := minimise(b, s, fitSteps); err != nil {
		return 0, err
	}
	// twice, because a least-squares cost is twice a log odds
	cost := func() float64 { return s.cost + 2*b.turnCost() }
	best, second := cost(), math.Inf(1)
	keepK, keepD, keepG := slices.Clone(b.knob), slices.Clone(b.dir), b.global
	b.global = [numGlobals]float64{}
	b.start(b.cueSigns())
	if err := minimise(b, s, fitSteps); err == nil && b.differs(keepD) {
		c := cost()
		second = max(c, best)
		if c < best {
			best = c
			keepK, keepD, keepG = slices.Clone(b.knob), slices.Clone(b.dir), b.global
		}
	}
	back := func() {
		copy(b.knob, keepK)
		copy(b.dir, keepD)
		b.global = keepG
	}
	// Steps gain less and less: one that comes no nearer than this when all that are
	// left gain as much as the last is neither better nor a matter of doubt.
	const outOfReach = 20
	hopeless := func(gain float64, left int) bool { return cost()-gain*float64(left) > best+outOfReach }
	const rounds = 3
	for range rounds {
		better := false
		for _, st := range b.stretches() {
			back()
			b.flip(st[0], st[1])
			if err := minimiseUnless(b, s, flipSteps, hopeless); err != nil || !b.differs(keepD) {
				continue
			}
			if c := cost(); c < best {
				second, best = best, c
				keepK, keepD, keepG = slices.Clone(b.knob), slices.Clone(b.dir), b.global
				better = true
				break
			}
			second = min(second, cost())
		}
		back()
		if !better {
			break
		}
	}
	if err := minimise(b, s, fitSteps); err != nil {
		return 0, err
	}
	return math.Exp(-max(0, second-best) / 2), nil
}

// fitSteps bounds the Levenberg-Marquardt steps of one fit, flipSteps those of a
// fit that only asks whether other signs are better.
const fitSteps, flipSteps = 15, 8

// stretches are the runs of frames between passes of the bat across the line
// of sight: where the depth part of its direction has a minimum (not a deep one:
// a wrong scale hides a pass).
func (b *batFit) stretches() [][2]int {
	var cuts []int
	along := func(i int) float64 { return math.Abs(r3.Dot(b.dir[i], unit(b.knob[i]))) }
	const reach = 3
	for i := reach; i+reach < len(b.looks); i++ {
		low := along(i) < 0.9
		for k := 1; low && k <= reach; k++ {
			low = along(i) <= along(i-k) && along(i) < along(i+k)
		}
		if low && (len(cuts) == 0 || b.looks[i].ms-b.looks[cuts[len(cuts)-1]].ms > 15) {
			cuts = append(cuts, i)
		}
	}
	var out [][2]int
	from := 0
	for _, c := range append(cuts, len(b.looks)) {
		if c-from >= 2 {
			out = append(out, [2]int{from, c})
		}
		from = c
	}
	// every reversal from a cut to the end, too
	for _, c := range cuts {
		if len(b.looks)-c >= 2 && c > 0 {
			out = append(out, [2]int{c, len(b.looks)})
		}
	}
	const most = 10
	if len(out) > most {
		out = out[len(out)-most:]
	}
	return out
}

// flip mirrors the directions of frames [from, to) across the plane
// perpendicular to their line of sight.
func (b *batFit) flip(from, to int) {
	for i := from; i < to; i++ {
		r := unit(b.knob[i])
		b.dir[i] = unit(r3.Sub(b.dir[i], r3.Scale(2*r3.Dot(b.dir[i], r), r)))
	}
}

// differs reports whether any direction is more than 15 deg off the given one.
func (b *batFit) differs(from []r3.Vec) bool {
	for i, d := range from {
		if r3.Dot(d, b.dir[i]) < math.Cos(15*math.Pi/180) {
			return true
		}
	}
	return false
}

package path

import (
	"math"
	"slices"
)

const (
	beams = 24

	// tails is the number of degrees of freedom of the Student t by whose
	// weights the path doubts what disagrees with it.
	tails = 4

	// searchArea (in²) is where a wrong peak may lie: the crop around the
	// hands, which is about 85 in on a side.
	searchArea = 85 * 85.0
	// lineSpace (in²) is the same for a line: 30 in across, and a bat vector
	// up to 34 in to either side.
	lineSpace = 30 * 68.0

	// doubtAll is the least share of belief that an end is at none of the
	// peaks found, however sure the finder is.
	doubtAll = 0.03
)

// beam is one history of choices with the state it leads to.
type beam struct {
	x    vec
	p    cov
	ll   float64
	last *choice
}

type choice struct {
	before *choice
	pick   pick
	x      vec // the state after the frame
}

// follow chooses candidates frame by frame: a beam of histories, each with a
// Kalman filter, scored by how likely the finder's beliefs and the motion are
// together. It returns every frame's pick and state (as known by then).
func (s *scene) follow() ([]pick, []vec) {
	x0, p0 := s.start()
	front := []beam{{x: x0, p: p0}}
	for f := range s.sights {
		if f > 0 {
			dt := (s.sights[f].Ms - s.sights[f-1].Ms) / 1000
			for i := range front {
				b := &front[i]
				st := motion(dt, s.bat, s.turn(&b.x), wakeTurn)
				st.advance(&b.x, &b.p)
			}
		}
		front = s.look(front, f)
	}
	best := slices.MaxFunc(front, func(a, b beam) int { return cmpFloat(a.ll, b.ll) })
	picks, states := make([]pick, len(s.sights)), make([]vec, len(s.sights))
	c := best.last
	for f := len(s.sights) - 1; f >= 0; f-- {
		picks[f], states[f] = c.pick, c.x
		c = c.before
	}
	return picks, states
}

func cmpFloat(a, b float64) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}

// turn is the bat's turn as far as the picture shows it, rad/s: the speed of D
// over its length, which is taken no shorter than a third of the bat (a bat
// toward the camera swings its picture faster than itself) and no longer than
// the bat.
func (s *scene) turn(x *vec) float64 {
	long := math.Min(math.Max(math.Hypot(x[dx], x[dy]), s.bat/3), s.bat)
	return math.Min(math.Hypot(x[dx+1], x[dy+1])/long, maxTurn)
}

// start is a bat of unknown direction, roughly at the first hands or peaks
// seen, hardly known to move or not.
func (s *scene) start() (vec, cov) {
	var x vec
	var p cov
	at := 100.0
	for i := range s.sights {
		if h := s.handRows(i); h != nil {
			x[kx], x[ky], at = h[0].z, h[1].z, 10
			break
		}
		if k := s.knobs[i]; len(k) > 0 {
			x[kx], x[ky], at = k[0].X/s.scale, k[0].Y/s.scale, 30
			break
		}
	}
	for b := 0; b < n; b += 3 {
		v, a := 100.0, 3000.0
		if b >= dx {
			at, v, a = 0.7*s.bat, 200.0, 6000.0
		}
		p[b][b], p[b+1][b+1], p[b+2][b+2] = at*at, v*v, a*a
	}
	return x, p
}

// look branches every history over the frame's candidates.
func (s *scene) look(front []beam, f int) []beam {
	g := &s.sights[f]
	for i := range front {
		front[i].last = &choice{before: front[i].last, pick: nothing}
	}
	if !g.Repeat {
		front = s.branchEnd(front, f, ofTip)
		front = s.branchEnd(front, f, ofKnob)
		front = s.branchLine(front, f)
	}
	for i := range front {
		b := &front[i]
		if !g.Repeat {
			b.hold(s.handRows(f))
		}
		if w, ok := s.lengthRow(&b.x); ok {
			innov, v, _ := update(&b.x, &b.p, &w)
			b.ll -= innov * innov / v / 2
		}
		if w, ok := s.turnRow(&b.x); ok {
			innov, v, _ := update(&b.x, &b.p, &w)
			b.ll -= innov * innov / v / 2
		}
		b.last.x = b.x
	}
	return thin(front)
}

// hold folds in a pair of rows whose error has long tails.
func (b *beam) hold(rows []row) {
	if rows == nil {
		return
	}
	d2, logs := b.miss(rows)
	b.ll += offLog(d2) - logs
	grow := math.Max(1, (tails+d2)/(tails+2))
	for i := range rows {
		rows[i].r *= grow
		update(&b.x, &b.p, &rows[i])
	}
}

// miss returns the squared distance of a pair of rows from the prediction in
// standard errors, and the log of the product of those.
func (b *beam) miss(rows []row) (d2, logs float64) {
	for i := range rows {
		_, v := rows[i].gain(&b.p)
		e := rows[i].z - rows[i].predict(&b.x)
		d2 += e * e / v
		logs += math.Log(v) / 2
	}
	return d2, logs
}

// offLog is the log density of missing the prediction by d standard errors in
// two dimensions: normal up to bend, then falling as exp(-bend*d). A swing that
// starts hard is thinkable, a bat that stops dead on a rail is not.
func offLog(d2 float64) float64 {
	const bend = 3
	if d2 > bend*bend {
		d2 = bend * (2*math.Sqrt(d2) - bend)
	}
	return -math.Log(2*math.Pi) - d2/2
}

type child struct {
	of, take int
	ll       float64
}

func (s *scene) branchEnd(front []beam, f int, k kind) []beam {
	peaks := s.tips[f]
	if k == ofKnob {
		peaks = s.knobs[f]
	}
	if len(peaks) == 0 {
		return front
	}
	none := leftOver(len(peaks), func(i int) float64 { return peaks[i].Score })
	share := s.share(f)
	rows := make([][2]row, len(peaks))
	for i, p := range peaks {
		rows[i] = s.endRows(p, k)
	}
	var kids []child
	for i := range front {
		b := &front[i]
		kids = append(kids, child{i, -1, b.ll + share*math.Log(none/searchArea)})
		for j := range peaks {
			if k == ofKnob && s.shared(f, b.last.pick.tip, j) {
				continue
			}
			d2, logs := b.miss(rows[j][:])
			kids = append(kids, child{i, j, b.ll + share*math.Log((1-none)*peaks[j].Score+1e-6) + offLog(d2) - share*logs})
		}
	}
	return s.spawn(front, kids, func(b *beam, j int) {
		update(&b.x, &b.p, &rows[j][0])
		update(&b.x, &b.p, &rows[j][1])
		if k == ofTip {
			b.last.pick.tip = j
		} else {
			b.last.pick.knob = j
		}
	})
}

func (s *scene) branchLine(front []beam, f int) []beam {
	lines := s.lines[f]
	if len(lines) == 0 {
		return front
	}
	none := leftOver(len(lines), func(i int) float64 { return lines[i].Score })
	share := s.share(f)
	var kids []child
	for i := range front {
		b := &front[i]
		kids = append(kids, child{i, -1, b.ll + share*math.Log(none/lineSpace)})
		for j, l := range lines {
			if b.x[dx]*l.DX+b.x[dy]*l.DY < -0.1*s.bat {
				continue // the bat points the other way
			}
			d2, logs := b.miss(s.axisRows(l, &b.x))
			kids = append(kids, child{i, j, b.ll + share*math.Log((1-none)*l.Score+1e-6) + offLog(d2) - share*logs})
		}
	}
	return s.spawn(front, kids, func(b *beam, j int) {
		rows := s.axisRows(lines[j], &b.x)
		if b.last.pick.tip < 0 {
			rows = append(rows, s.reachRows(f, lines[j], &b.x, &b.p)...)
		}
		for i := range rows {
			update(&b.x, &b.p, &rows[i])
		}
		b.last.pick.line = j
	})
}

// share is what the belief of frame f counts: a finder fooled by a rail stays
// fooled for a while (foolS), so frames closer together than that do not
// multiply their beliefs in full.
func (s *scene) share(f int) float64 {
	const foolS = 0.01
	if s.gaps[f] <= 0 {
		return 1
	}
	return math.Min(1, s.gaps[f]/foolS)
}

// leftOver is the belief that none of the candidates is right.
func leftOver(m int, score func(int) float64) float64 {
	none := 1.0
	for i := range m {
		none -= score(i)
	}
	return math.Max(none, doubtAll)
}

// spawn keeps the best children and lets them take their candidate.
func (s *scene) spawn(front []beam, kids []child, take func(*beam, int)) []beam {
	slices.SortStableFunc(kids, func(a, b child) int { return cmpFloat(b.ll, a.ll) })
	if len(kids) > 2*beams {
		kids = kids[:2*beams]
	}
	next := make([]beam, 0, len(kids))
	for _, k := range kids {
		b := front[k.of]
		b.ll = k.ll
		c := *b.last
		b.last = &c
		if k.take >= 0 {
			take(&b, k.take)
		}
		next = append(next, b)
	}
	return next
}

// thin keeps the best histories and, of those that have come to the same
// state, the likelier.
func thin(front []beam) []beam {
	slices.SortStableFunc(front, func(a, b beam) int { return cmpFloat(b.ll, a.ll) })
	kept := front[:0]
	for _, b := range front {
		same := slices.ContainsFunc(kept, func(k beam) bool { return near(&k.x, &b.x) })
		if !same {
			kept = append(kept, b)
		}
		if len(kept) == beams {
			break
		}
	}
	return kept
}

// near says whether two states agree so well that what follows cannot tell
// them apart: half an inch in place, a tenth of a bat's swing in speed.
func near(a, b *vec) bool {
	for i := 0; i < n; i += 3 {
		if math.Abs(a[i]-b[i]) > 0.5 || math.Abs(a[i+1]-b[i+1]) > 40 {
			return false
		}
	}
	return true
}

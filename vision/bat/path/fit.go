package path

import "math"

const (
	fitRounds = 6

	// turnReachS is how far around a frame (s) the fastest turn counts for
	// the law of motion there: the picture shows the full turn only when the
	// bat moves across the line of sight.
	turnReachS = 0.015
)

// tagged is what a row of the fit came from.
type tagged struct {
	kind kind
	base float64 // its variance before doubt
}

// fitted is the smooth path with what it rests on.
type fitted struct {
	pass
	steps []step
	picks []pick
	trust []trust
	rest  []unrest
}

// trust is how far the fit believed each pick of a frame, 0..1; 0 where there
// is none.
type trust struct{ tip, knob, line float64 }

// unrest is by how much the ends of one frame miss the path that the rest
// makes: mean square over what is expected, at most restMost so that an outlier
// is one outlier; 0 where there is no pick.
type unrest struct{ tip, knob float64 }

const restMost = 9

// fit runs the smoother over the picks, doubting what disagrees with the path
// the other rows make, and takes another candidate where that agrees better.
func (s *scene) fit(picks []pick, states []vec) fitted {
	frames := len(s.sights)
	x0, p0 := s.start()
	covs := make([]cov, frames)
	for i := range covs {
		covs[i] = p0
	}
	f := fitted{pass: pass{x: states, p: covs}, picks: picks, trust: make([]trust, frames), rest: make([]unrest, frames)}
	grow := make([][]float64, frames) // per row: variance over its base
	for round := range fitRounds {
		f.steps = s.steps(f.x)
		rows := make([][]row, frames)
		tags := make([][]tagged, frames)
		for i := range rows {
			rows[i], tags[i] = s.rowsOf(i, f.picks[i], &f.x[i], &f.p[i])
			for j := range rows[i] {
				if len(grow[i]) == len(rows[i]) {
					rows[i][j].r *= grow[i][j]
				}
			}
		}
		f.pass = run(x0, p0, f.steps, rows)
		for i := range rows {
			grow[i], f.trust[i], f.rest[i] = f.doubt(i, tags[i])
		}
		if round < fitRounds-2 {
			for i := range rows {
				if s.choose(&f, i, tags[i]) {
					grow[i] = nil
				}
			}
		}
	}
	return f
}

func (s *scene) steps(x []vec) []step {
	turns := make([]float64, len(x))
	for i := range x {
		turns[i] = s.turn(&x[i])
	}
	steps := make([]step, max(0, len(s.sights)-1))
	for i := range steps {
		a, b := s.sights[i].Ms/1000, s.sights[i+1].Ms/1000
		w := math.Max(turns[i], turns[i+1])
		for j := i - 1; j >= 0 && a-s.sights[j].Ms/1000 <= turnReachS; j-- {
			w = math.Max(w, turns[j])
		}
		for j := i + 2; j < len(turns) && s.sights[j].Ms/1000-b <= turnReachS; j++ {
			w = math.Max(w, turns[j])
		}
		steps[i] = motion(b-a, s.bat, w, quietTurn)
	}
	return steps
}

// rowsOf lists what frame i measures of the path, given its picks. x is where
// to linearise lines and bounds.
func (s *scene) rowsOf(i int, p pick, x *vec, cov *cov) (rows []row, tags []tagged) {
	add := func(k kind, ws ...row) {
		for _, w := range ws {
			rows, tags = append(rows, w), append(tags, tagged{k, w.r})
		}
	}
	g := &s.sights[i]
	if g.Repeat {
		return nil, nil
	}
	if p.tip >= 0 {
		w := s.endRows(s.tips[i][p.tip], ofTip)
		add(ofTip, w[:]...)
	}
	if p.knob >= 0 {
		w := s.endRows(s.knobs[i][p.knob], ofKnob)
		add(ofKnob, w[:]...)
	}
	add(ofHands, s.handRows(i)...)
	if p.line >= 0 {
		add(ofLine, s.axisRows(s.lines[i][p.line], x)...)
		if p.tip < 0 {
			add(ofReach, s.reachRows(i, s.lines[i][p.line], x, cov)...)
		}
	}
	if w, ok := s.lengthRow(x); ok {
		add(ofLength, w)
	}
	return rows, tags
}

// doubt grows the variances of rows that disagree with the path the rest
// makes: the weights of a Student t with `tails` degrees of freedom, applied
// to the errors each row would have if left out. Rows of one point share one
// weight.
func (f *fitted) doubt(i int, tags []tagged) (grow []float64, t trust, u unrest) {
	grow = make([]float64, len(tags))
	for a := 0; a < len(tags); {
		b := a
		for b < len(tags) && tags[b].kind == tags[a].kind {
			b++
		}
		var d2 float64
		for j := a; j < b; j++ {
			// The variance of the left-out error, with the row at its base.
			v := f.leftVar[i][j] - f.rows[i][j].r + tags[j].base
			d2 += f.left[i][j] * f.left[i][j] / v
		}
		m := float64(b - a)
		g := math.Max(1, (tails+d2)/(tails+m))
		if tags[a].kind == ofLength {
			g = 1
		}
		for j := a; j < b; j++ {
			grow[j] = g
		}
		switch tags[a].kind {
		case ofTip:
			t.tip, u.tip = 1/g, math.Min(d2/m, restMost)
		case ofKnob:
			t.knob, u.knob = 1/g, math.Min(d2/m, restMost)
		case ofLine:
			t.line = 1 / g
		}
		a = b
	}
	return grow, t, u
}

// choose takes for each end of the bat, and for its line, the candidate that
// agrees best with the path the rest makes, or none. It reports a change.
func (s *scene) choose(f *fitted, i int, tags []tagged) bool {
	g := &s.sights[i]
	if g.Repeat {
		return false
	}
	was := f.picks[i]
	f.picks[i].tip = s.chooseEnd(f, i, tags, s.tips[i], ofTip)
	f.picks[i].knob = s.chooseEnd(f, i, tags, s.knobs[i], ofKnob)
	if s.shared(i, f.picks[i].tip, f.picks[i].knob) {
		f.picks[i].tip, f.picks[i].knob = was.tip, was.knob
	}
	f.picks[i].line = s.chooseLine(f, i, s.lines[i])
	return f.picks[i] != was
}

func (s *scene) chooseEnd(f *fitted, i int, tags []tagged, peaks []Peak, k kind) int {
	if len(peaks) == 0 {
		return -1
	}
	var at, v [2]float64
	picked := false
	for j := range tags {
		if tags[j].kind == k {
			for c := range 2 {
				at[c] = f.rows[i][j+c].z - f.left[i][j+c]
				v[c] = f.leftVar[i][j+c] - f.rows[i][j+c].r
			}
			picked = true
			break
		}
	}
	if !picked {
		w := s.endRows(peaks[0], k)
		for c := range 2 {
			at[c] = w[c].predict(&f.x[i])
			_, all := w[c].gain(&f.p[i])
			v[c] = all - w[c].r
		}
	}
	none := leftOver(len(peaks), func(j int) float64 { return peaks[j].Score })
	best, take := math.Log(none/searchArea), -1
	for j, p := range peaks {
		r := s.endVar(p, k)
		ex, ey := p.X/s.scale-at[0], p.Y/s.scale-at[1]
		d2 := ex*ex/(v[0]+r) + ey*ey/(v[1]+r)
		ll := math.Log((1-none)*p.Score+1e-6) + offLog(d2) - math.Log((v[0]+r)*(v[1]+r))/2
		if ll > best {
			best, take = ll, j
		}
	}
	return take
}

// chooseLine judges lines against the path with the line picked so far still
// in it: two ends pin the axis well enough that it matters little.
func (s *scene) chooseLine(f *fitted, i int, lines []Line) int {
	if len(lines) == 0 {
		return -1
	}
	none := leftOver(len(lines), func(j int) float64 { return lines[j].Score })
	best, take := math.Log(none/lineSpace), -1
	b := beam{x: f.x[i], p: f.p[i]}
	for j, l := range lines {
		if b.x[dx]*l.DX+b.x[dy]*l.DY < -0.1*s.bat {
			continue
		}
		d2, logs := b.miss(s.axisRows(l, &b.x))
		if ll := math.Log((1-none)*l.Score+1e-6) + offLog(d2) - logs; ll > best {
			best, take = ll, j
		}
	}
	return take
}

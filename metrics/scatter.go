package metrics

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"nightcage/vision"
)

// chunk is how many frames of noise are drawn together.
const chunk = 32

// scatter is a draw's errors of points in each frame of the motion, worked out
// by chunk on demand.
type scatter struct {
	jitter  [numPoints][]r3.Vec // inches
	lasting [numPoints][]r3.Vec // the same
	filled  [numPoints][]uint64 // number+1 of the draw that filled the chunk

	limbs      [numLimbs][]r3.Vec // in standard errors: what joints of a limb have in common
	limbWaves  [numLimbs]wave
	limbFilled [numLimbs][]uint64
	lines      [numLines][]lineError
	lineFilled [numLines][]uint64
	waves      [numPoints]wave // what lasts of a point
	// number+1 of the draw that the waves belong to; 0 none.
	waveOf [numPoints]uint64
	limbOf [numLimbs]uint64
}

// lineError is a draw's error of a line across the body: of its middle, and of its
// left end against it.
type lineError struct {
	middle, apart r3.Vec
}

const numLimbs = 4

func (sc *scatter) clear(m *motion) {
	n := len(m.times)
	chunks := (n + chunk - 1) / chunk
	for p := range sc.lasting {
		sc.jitter[p], sc.lasting[p], sc.filled[p] = make([]r3.Vec, n), make([]r3.Vec, n), make([]uint64, chunks)
	}
	for l := range sc.limbs {
		sc.limbs[l], sc.limbFilled[l] = make([]r3.Vec, n), make([]uint64, chunks)
	}
	for q := range sc.lines {
		if m.lines[q] != nil {
			sc.lines[q], sc.lineFilled[q] = make([]lineError, n), make([]uint64, chunks)
		}
	}
}

// stale reports whether a chunk holds another draw's numbers, and claims it.
func (d *draw) stale(filled []uint64, c int) bool {
	if filled[c] == d.number+1 {
		return false
	}
	filled[c] = d.number + 1
	return true
}

// need works out a point's errors in the frames from first to last.
func (d *draw) need(p point, first, last int) {
	for c := first / chunk; c <= last/chunk; c++ {
		if d.stale(d.scatter.filled[p], c) {
			d.fill(p, c)
		}
	}
}

// errors are the draw's errors of a point's values in the frames of a spot, along
// each axis; other says that an arm is read the other way in one of them.
func (d *draw) errors(p point, sp *spot, e *[3][maxPoints]float64) (other bool) {
	d.need(p, sp.first, sp.last)
	jitter, lasting := d.scatter.jitter[p], d.scatter.lasting[p]
	in := [3]float64{sp.axis[0].inflate, sp.axis[1].inflate, sp.axis[2].inflate}
	for i, f := range sp.axis[0].frames {
		l := lasting[f]
		if by, taken := d.reading(p, f); taken {
			l, other = r3.Add(l, by), true
		}
		j := &jitter[f]
		e[0][i], e[1][i], e[2][i] = j.X*in[0]+l.X, j.Y*in[1]+l.Y, j.Z*in[2]+l.Z
	}
	return other
}

// batErrors are the draw's errors of the bat's direction in the frames of a spot.
func (d *draw) batErrors(b *batSpot, e *[2][maxPoints]float64) {
	d.need(pointTip, b.first, b.last)
	d.need(pointKnob, b.first, b.last)
	sc := &d.scatter
	for i, f := range b.line[0].frames {
		jitter, lasting := r3.Sub(sc.jitter[pointTip][f], sc.jitter[pointKnob][f]), r3.Sub(sc.lasting[pointTip][f], sc.lasting[pointKnob][f])
		for c := range b.line {
			e[c][i] = r3.Dot(b.arm[c][i], jitter)*b.line[c].inflate + r3.Dot(b.arm[c][i], lasting)
		}
	}
}

// fill draws the scatter of a chunk: what jitters from frame to frame, and what
// lasts.
func (d *draw) fill(p point, c int) {
	first, end := c*chunk, min((c+1)*chunk, len(d.motion.times))
	jitter, lasting := d.scatter.jitter[p], d.scatter.lasting[p]
	from := FromLandmarks
	if p.bat() {
		from = FromBat
	}
	if !d.on[from] {
		clear(jitter[first:end])
		clear(lasting[first:end])
		return
	}
	if q, ok := lineOf(p); ok && d.motion.lines[q] != nil {
		d.fillEnd(p, q, c, first, end)
		return
	}
	if share := 1 - d.motion.lasting; share > 0 {
		rng := d.stream(int(p), 1+c)
		for j := first; j < end; j++ {
			jitter[j] = r3.Scale(math.Sqrt(share), along(d.motion.points[p][j].sigma, normal3(rng)))
		}
	}
	if d.motion.lasting == 0 || d.on[jitterAlone] {
		clear(lasting[first:end])
		return
	}
	w := d.ownWave(p)
	limb, inLimb := limbOf(p)
	if inLimb = inLimb && d.motion.solved; inLimb {
		limb = d.fillLimb(limb, c, first, end)
	}
	for j := first; j < end; j++ {
		z := w.at(d.motion.times[j])
		if inLimb {
			z = d.limbwise(z, d.scatter.limbs[limb][j])
		}
		lasting[j] = along(d.motion.points[p][j].sigma, z)
	}
}

// ownWave is what lasts of a point by itself, in standard errors.
func (d *draw) ownWave(p point) *wave {
	sc := &d.scatter
	if sc.waveOf[p] != d.number+1 {
		rng := d.stream(int(p), 0)
		w := newWave(rng, math.Sqrt(d.motion.lasting), level(lastingKept), lastingMs)
		if p.velocity() { // one path's speed: too fast or too slow throughout
			w = newWave(rng, 1, level(1), lastingMs)
		}
		sc.waves[p], sc.waveOf[p] = w, d.number+1
	}
	return &sc.waves[p]
}

// fillLimb works out what the joints of a limb have in common. Where the shoulders
// are the ends of one line, both arms hang on it: n is the limb that it is kept
// for.
func (d *draw) fillLimb(limb, c, first, end int) (n int) {
	n = limb
	if n < 2 && d.motion.lines[shoulderLine] != nil {
		n = 0
	}
	sc := &d.scatter
	if sc.limbOf[n] != d.number+1 {
		sc.limbWaves[n] = newWave(d.stream(streamLimb, n), math.Sqrt(d.motion.lasting), level(lastingKept), lastingMs)
		sc.limbOf[n] = d.number + 1
	}
	if d.stale(sc.limbFilled[n], c) {
		for j := first; j < end; j++ {
			sc.limbs[n][j] = sc.limbWaves[n].at(d.motion.times[j])
		}
	}
	return n
}

// fillEnd draws the scatter of an end of a line: both ends from the same numbers.
func (d *draw) fillEnd(p point, q, c, first, end int) {
	clear(d.scatter.jitter[p][first:end])
	if d.on[jitterAlone] {
		clear(d.scatter.lasting[p][first:end])
		return
	}
	if d.stale(d.scatter.lineFilled[q], c) {
		d.fillLine(q, c, first, end)
	}
	side := 1.0
	if leftOf(p) != vision.Landmark(p) {
		side = -1
	}
	for j := first; j < end; j++ {
		line := &d.scatter.lines[q][j]
		d.scatter.lasting[p][j] = r3.Add(line.middle, r3.Scale(side, line.apart))
	}
}

func (d *draw) fillLine(q, c, first, end int) {
	rng := d.stream(streamLine, q)
	middle := newWave(rng, 1, level(lastingKept), lastingMs)
	turn := newWave(rng, 1, level(turnKept), lastingMs)
	rise := newWave(rng, 1, level(turnKept), lastingMs)
	if q == shoulderLine {
		d.fillLimb(0, c, first, end)
	}
	for j := first; j < end; j++ {
		ms, line := d.motion.times[j], &d.motion.lines[q][j]
		z := middle.at(ms)
		if q == shoulderLine {
			z = d.limbwise(z, d.scatter.limbs[0][j])
		}
		apart := r3.Add(r3.Scale(turn.at(ms).X, line.turn), r3.Vec{Y: rise.at(ms).X * line.rise})
		d.scatter.lines[q][j] = lineError{along(line.middle, z), apart}
	}
}

// reading is what a point moves by in the i-th frame of the motion where the
// draw reads its arm the other way; taken is false where it does not.
func (d *draw) reading(p point, i int) (by r3.Vec, taken bool) {
	o := d.motion.others[p]
	if o == nil || !(d.arm[int(p)-int(leftOf(p))] < o[i].chance) {
		return r3.Vec{}, false
	}
	return o[i].by, true
}

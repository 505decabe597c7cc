package path

import (
	"math"
	"sort"

	"nightcage/vision"
)

// What a blob that moves with the hitter is worth less than one in the open,
// as natural logarithms of odds: bat and limbs are always moving and as wide
// as a ball.
const (
	onBatLog  = -5.0
	onLimbLog = -3.0
)

// Half widths, inches: of the bat with the error of its place, of a limb with
// clothes, of a shoe, of a head with a helmet.
const (
	batHalfIn  = 2.5
	limbHalfIn = 4.0
	footHalfIn = 5.0
	headHalfIn = 6.0
)

// limbs are the body's moving segments.
var limbs = [][2]vision.Landmark{
	{vision.LeftShoulder, vision.LeftElbow}, {vision.LeftElbow, vision.LeftWrist}, {vision.LeftWrist, vision.LeftHand},
	{vision.RightShoulder, vision.RightElbow}, {vision.RightElbow, vision.RightWrist}, {vision.RightWrist, vision.RightHand},
	{vision.LeftHip, vision.LeftKnee}, {vision.LeftKnee, vision.LeftAnkle}, {vision.LeftHeel, vision.LeftToe},
	{vision.RightHip, vision.RightKnee}, {vision.RightKnee, vision.RightAnkle}, {vision.RightHeel, vision.RightToe},
	{vision.LeftShoulder, vision.RightShoulder}, {vision.LeftHip, vision.RightHip},
	{vision.LeftShoulder, vision.LeftHip}, {vision.RightShoulder, vision.RightHip},
}

type point struct{ x, y float64 }

func (p point) minus(q point) point            { return point{p.x - q.x, p.y - q.y} }
func (p point) dot(q point) float64            { return p.x*q.x + p.y*q.y }
func (p point) length() float64                { return math.Hypot(p.x, p.y) }
func (p point) along(d point, s float64) point { return point{p.x + s*d.x, p.y + s*d.y} }

// toSegment is the distance of p from the segment ab.
func (p point) toSegment(a, b point) float64 {
	d := b.minus(a)
	s := 0.0
	if l := d.dot(d); l > 0 {
		s = math.Max(0, math.Min(1, p.minus(a).dot(d)/l))
	}
	return p.minus(a.along(d, s)).length()
}

// steady takes a mark to px of the first tracked frame.
func steady(a vision.Affine, m vision.Mark) point {
	x, y := a.Apply(m.X, m.Y)
	return point{x, y}
}

// unsteady is the inverse of steady.
func unsteady(a vision.Affine, p point) point {
	x, y := a.Undo(p.x, p.y)
	return point{x, y}
}

// field is what else is known of the clip: how crowded each part of the
// picture is with blobs, and where bat and body are.
type field struct {
	o      Options
	frames []vision.Frame
	side   float64   // px of a cell
	nx, ny int       // cells
	dens   []float64 // blobs per px² and frame
	looks  []float64 // share of all blobs, per unit of log radius, that look so; see look
	looked int       // frames looked at
	swing  []float64 // apparent speed of the bat's tip, px/s, one per frame; 0 not known
	most   float64   // its largest
	fast   float64   // share of the time in which it is at least fastShare of that
}

// cellIn is the side of a cell, inches: about what a forearm sweeps.
const cellIn = 12

func newField(seen Seen, frames []vision.Frame, o Options) *field {
	f := &field{o: o, frames: frames, side: cellIn * o.PxPerIn}
	f.time()
	f.nx, f.ny = int(o.Width/f.side)+1, int(o.Height/f.side)+1
	count := make([]float64, f.nx*f.ny)
	all := 0.0
	for _, s := range seen.Sights {
		if s.Repeat {
			continue
		}
		f.looked++
		for _, b := range s.Blobs {
			count[f.cell(b.X, b.Y)]++
			all++
		}
	}
	n := math.Max(1, float64(f.looked))
	// Elsewhere in the picture as many may turn up: a calm cell is not taken to
	// be more than a few times calmer than the picture as a whole.
	floor := 0.2*all/(o.Width*o.Height) + 0.5/(f.side*f.side)
	f.survey(seen, all)
	f.dens = make([]float64, len(count))
	for y := range f.ny {
		for x := range f.nx {
			around := 0.0
			for yy := max(y-1, 0); yy <= min(y+1, f.ny-1); yy++ {
				for xx := max(x-1, 0); xx <= min(x+1, f.nx-1); xx++ {
					around += count[yy*f.nx+xx]
				}
			}
			f.dens[y*f.nx+x] = math.Max(math.Max(count[y*f.nx+x], around/9)/(f.side*f.side), floor) / n
		}
	}
	return f
}

const (
	fastShare   = 0.5
	swingInS    = 260 // a bat slower than 15 mph at its fastest makes no swing
	notThenLog  = -3  // a ball met while the bat was slow: a bunt, or no ball
	speedFrames = 2   // a speed is read over so many frames either way
)

// time finds when the bat is fast.
func (f *field) time() {
	f.swing = make([]float64, len(f.frames))
	for k := range f.frames {
		a, b := max(k-speedFrames, 0), min(k+speedFrames, len(f.frames)-1)
		_, t0, ok0 := f.bat(a)
		_, t1, ok1 := f.bat(b)
		if ok0 && ok1 && b > a {
			f.swing[k] = t1.minus(t0).length() / f.seconds(a, b)
		}
		f.most = math.Max(f.most, f.swing[k])
	}
	f.fast = f.share(0, len(f.swing), func(k int) bool { return f.swing[k] >= fastShare*f.most })
}

// lasts is the seconds that frame k stands for: how far apart those about it lie.
func (f *field) lasts(k int) float64 {
	lo, hi := max(k-1, 0), min(k+1, len(f.frames)-1)
	return f.seconds(lo, hi) / float64(hi-lo)
}

// share is the share of the time of frames [from, to) in which something is so.
func (f *field) share(from, to int, is func(k int) bool) float64 {
	in, all := 0.0, 0.0
	for k := from; k < to; k++ {
		all += f.lasts(k)
		if is(k) {
			in += f.lasts(k)
		}
	}
	return in / all
}

// swingLog is the log odds that a time has of being the contact, by the bat's
// speed alone.
func (f *field) swingLog(ms float64) float64 {
	if f.most < swingInS*f.o.PxPerIn {
		return 0
	}
	k := sort.Search(len(f.frames)-1, func(i int) bool { return f.frames[i].Ms >= ms })
	if f.swing[k] >= fastShare*f.most {
		return -math.Log(f.fast)
	}
	return notThenLog
}

// Blobs are told apart by how large they are and whether they are light.
const (
	leastLookIn, mostLookIn = 0.2, 4.0 // radii, inches at the hitter
	lookBins                = 9
	// Of every kind a clip is taken to have at least this share of its blobs,
	// evenly: a kind not yet seen may still come.
	evenShare = 0.3
)

// binLog is the width of a bin.
var binLog = math.Log(mostLookIn/leastLookIn) / lookBins

// look is a blob's kind.
func (f *field) look(b *Blob) int {
	i := int(math.Log(b.RadiusPx/f.o.PxPerIn/leastLookIn) / binLog)
	i = min(max(i, 0), lookBins-1)
	if b.Light {
		i += lookBins
	}
	return i
}

// survey counts the clip's blobs by kind. Most are no ball, so that is what
// chance brings.
func (f *field) survey(seen Seen, all float64) {
	n := make([]float64, 2*lookBins)
	for _, s := range seen.Sights {
		for i := range s.Blobs {
			n[f.look(&s.Blobs[i])]++
		}
	}
	f.looks = make([]float64, len(n))
	for i := range n {
		sum, of := 0.0, 0.0
		for j := max(i-1, i/lookBins*lookBins); j <= min(i+1, i/lookBins*lookBins+lookBins-1); j++ {
			w := 1.0
			if j != i {
				w = 0.5
			}
			sum, of = sum+w*n[j], of+w
		}
		f.looks[i] = (evenShare/float64(len(n)) + (1-evenShare)*sum/of/math.Max(1, all)) / binLog
	}
}

func (f *field) cell(x, y float64) int {
	cx := min(max(int(x/f.side), 0), f.nx-1)
	cy := min(max(int(y/f.side), 0), f.ny-1)
	return cy*f.nx + cx
}

// crowd is blobs per px² and frame around a place.
func (f *field) crowd(x, y float64) float64 { return f.dens[f.cell(x, y)] }

// bat returns knob and tip in frame k.
func (f *field) bat(k int) (knob, tip point, ok bool) {
	fr := &f.frames[k]
	if !fr.Knob.Found() || !fr.Tip.Found() {
		return knob, tip, false
	}
	return steady(fr.Shift, fr.Knob), steady(fr.Shift, fr.Tip), true
}

// batAt returns knob and tip at a time between two frames.
func (f *field) batAt(ms float64) (knob, tip point, ok bool) {
	k := sort.Search(len(f.frames), func(i int) bool { return f.frames[i].Ms >= ms })
	if k == 0 || k == len(f.frames) {
		return knob, tip, false
	}
	k0, t0, ok0 := f.bat(k - 1)
	k1, t1, ok1 := f.bat(k)
	s := (ms - f.frames[k-1].Ms) / (f.frames[k].Ms - f.frames[k-1].Ms)
	return k0.along(k1.minus(k0), s), t0.along(t1.minus(t0), s), ok0 && ok1
}

// hips is the middle of the hips in frame k.
func (f *field) hips(k int) (point, bool) {
	fr := &f.frames[k]
	if len(fr.Body) != vision.NumLandmarks || !fr.Body[vision.LeftHip].Found() || !fr.Body[vision.RightHip].Found() {
		return point{}, false
	}
	l, r := steady(fr.Shift, fr.Body[vision.LeftHip]), steady(fr.Shift, fr.Body[vision.RightHip])
	return l.along(r.minus(l), 0.5), true
}

// worth is the log of the odds that bat and body leave to a blob in frame k.
func (f *field) worth(k int, b *Blob) float64 {
	fr, p, in := &f.frames[k], point{b.X, b.Y}, f.o.PxPerIn
	if knob, tip, ok := f.bat(k); ok && p.toSegment(knob, tip) < batHalfIn*in+b.StreakPx/4 {
		return onBatLog
	}
	if fr.Head.Found() && p.minus(steady(fr.Shift, fr.Head)).length() < headHalfIn*in {
		return onLimbLog
	}
	if len(fr.Body) != vision.NumLandmarks {
		return 0
	}
	for _, l := range limbs {
		a, c := fr.Body[l[0]], fr.Body[l[1]]
		if !a.Found() || !c.Found() {
			continue
		}
		half := limbHalfIn
		if l[0] == vision.LeftHeel || l[0] == vision.RightHeel {
			half = footHalfIn
		}
		if p.toSegment(steady(fr.Shift, a), steady(fr.Shift, c)) < half*in {
			return onLimbLog
		}
	}
	return 0
}

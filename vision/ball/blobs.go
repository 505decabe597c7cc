package ball

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"gocv.io/x/gocv"

	"nightcage/vision/ball/path"
)

const (
	baseballIn = 2.9 // across; Official Baseball Rules 3.01: 9 to 9 1/4 in around
	softballIn = 3.8 // across; 12 in around

	// How much larger or smaller than at the hitter a ball may look.
	leastScale, mostScale = 0.35, 1.7

	leastDiff = 9.0 // gray levels: compression moves still pictures by up to about 5
	diffSigma = 6.0 // and so many standard errors of the picture's noise
	// Of three alike noisy values the first lies outside the other two, on
	// average (counting 0 where it does not), by this many standard deviations:
	// twice E[max of 3] - E[max of 2] of normal values.
	excessSigma = 2 * (0.846 - 0.564)

	edgeShare = 0.12 // of a blob's peak: where its outline is taken
	minFill   = 0.6  // share of its own outline's ellipse that a blob must fill
	maxStreak = 16   // times its radius: 100 mph through 1/50 s and a child's scale
	maxBlobs  = 30   // kept per frame
	leastPx   = 3    // small px in a blob

	placeFloor = 0.1 // small px: standard error of a middle at best
)

// seenBlob is a blob with the number of small px it covers.
type seenBlob struct {
	path.Blob
	px int
}

// triple is three small colour pictures.
type triple struct{ before, cur, after gocv.Mat }

// blobs finds the connected parts of the difference picture that may be a ball.
func (f *Finder) blobs(t triple) ([]seenBlob, error) {
	d, err := f.diff[3].DataPtrUint8()
	var pix [3][]uint8
	for i, m := range []*gocv.Mat{&t.before, &t.cur, &t.after} {
		if err == nil {
			pix[i], err = m.DataPtrUint8()
		}
	}
	if err != nil {
		return nil, fmt.Errorf("look for the ball: %w", err)
	}
	mean := f.diff[3].Mean().Val1
	noise := mean / excessSigma
	thr := math.Max(leastDiff, math.Min(diffSigma*noise, 3*leastDiff))
	low := uint8(thr)
	clear(f.marks)
	var out []seenBlob
	for i, v := range d {
		if v <= low || f.marks[i] != 0 {
			continue
		}
		part := f.flood(d, i, low)
		if len(part) < leastPx || len(part) > largestPart*f.mostPx() {
			continue
		}
		out = f.measure(out, part, pix, thr, noise)
	}
	return out, nil
}

// radii bounds a ball's radius, small px.
func (f *Finder) radii() (least, most float64) {
	k := f.setup.PxPerIn / float64(f.shrink) / 2
	return leastScale * baseballIn * k, mostScale * softballIn * k
}

// mostPx bounds the size of a streak, small px.
func (f *Finder) mostPx() int {
	_, r := f.radii()
	return int(math.Pi*r*r + 2*maxStreak*r*r)
}

// flood marks and returns the px above low connected with i, eight ways.
func (f *Finder) flood(d []uint8, i int, low uint8) []int32 {
	w, h := f.size.X, f.size.Y
	f.queue = append(f.queue[:0], int32(i))
	f.marks[i] = 1
	for n := 0; n < len(f.queue); n++ {
		p := int(f.queue[n])
		x, y := p%w, p/w
		for yy := max(y-1, 0); yy <= min(y+1, h-1); yy++ {
			for xx := max(x-1, 0); xx <= min(x+1, w-1); xx++ {
				if q := yy*w + xx; f.marks[q] == 0 && d[q] > low {
					f.marks[q] = 1
					f.queue = append(f.queue, int32(q))
				}
			}
		}
	}
	return f.queue
}

// window is the surroundings of a part, with the difference in the colour
// channel that shows it best: a ball's shaded side may be as light as the grass
// behind it.
type window struct {
	x0, y0, w, h int
	v            []uint8
	sign         int // of the differences: > 0 lighter
	peak         uint8
}

const windowPad = 4 // small px around a part

func (f *Finder) window(part []int32, pix [3][]uint8) window {
	w := f.size.X
	x0, y0, x1, y1 := w, f.size.Y, 0, 0
	for _, p := range part {
		x, y := int(p)%w, int(p)/w
		x0, y0, x1, y1 = min(x0, x), min(y0, y), max(x1, x), max(y1, y)
	}
	x0, y0 = max(x0-windowPad, 0), max(y0-windowPad, 0)
	x1, y1 = min(x1+windowPad, w-1), min(y1+windowPad, f.size.Y-1)
	o := window{x0: x0, y0: y0, w: x1 - x0 + 1, h: y1 - y0 + 1}
	if n := o.w * o.h; cap(f.patch) < n {
		f.patch = make([]uint8, n)
	}
	o.v = f.patch[:o.w*o.h]
	for y := range o.h {
		at := 3 * ((y0+y)*w + x0)
		for x := range o.w {
			most := 0
			for c := range 3 {
				a, b, d := int(pix[0][at+c]), int(pix[2][at+c]), int(pix[1][at+c])
				up, down := d-max(a, b), min(a, b)-d
				o.sign += max(up, 0) - max(down, 0)
				most = max(most, up, down)
			}
			o.v[y*o.w+x] = uint8(most)
			o.peak = max(o.peak, uint8(most))
			at += 3
		}
	}
	return o
}

// outline returns the px of the window above the level that are connected with
// the part, those of them above the bright level, and whether they reach the
// window's border.
func (f *Finder) outline(o window, part []int32, level, bright uint8) (px, core []int32, cut bool) {
	w := f.size.X
	px = f.inner[:0]
	take := func(x, y int) {
		q := y*o.w + x
		v := o.v[q]
		if v <= level {
			return
		}
		o.v[q] = 0 // taken
		px = append(px, int32(q))
		if v > bright {
			core = append(core, int32(q))
		}
	}
	for _, p := range part {
		take(int(p)%w-o.x0, int(p)/w-o.y0)
	}
	for n := 0; n < len(px); n++ {
		x, y := int(px[n])%o.w, int(px[n])/o.w
		cut = cut || x == 0 || y == 0 || x == o.w-1 || y == o.h-1
		for yy := max(y-1, 0); yy <= min(y+1, o.h-1); yy++ {
			for xx := max(x-1, 0); xx <= min(x+1, o.w-1); xx++ {
				take(xx, yy)
			}
		}
	}
	f.inner = px
	return px, core, cut
}

// measure adds the blobs that one part makes: the part itself if it may be a
// ball, else those of its pieces that may, when it is cut where it is thin. A
// ball that just left the bat hangs on to it in the picture.
func (f *Finder) measure(out []seenBlob, part []int32, pix [3][]uint8, thr, noise float64) []seenBlob {
	o := f.window(part, pix)
	level := uint8(math.Max(0.7*thr, edgeShare*float64(o.peak)))
	px, core, cut := f.outline(o, part, level, uint8(pieceEdge*float64(o.peak)))
	if len(px) < leastPx {
		return out
	}
	if !cut {
		if b, ok := f.shape(o, px, thr, noise); ok {
			return append(out, b)
		}
	}
	for _, piece := range f.pieces(o, core) {
		if b, ok := f.shape(o, piece, thr, noise); ok && b.RadiusPx > pieceScale*baseballIn/2*f.setup.PxPerIn {
			b.SigmaPx = math.Hypot(b.SigmaPx, pieceShare*b.RadiusPx)
			out = append(out, b)
		}
	}
	return out
}

const (
	largestPart = 4    // times the largest streak: larger parts are bodies
	pieceEdge   = 0.3  // of a part's peak: where it is thin is told from its bright inside
	pieceScale  = 0.7  // a piece smaller than a ball at the hitter is a corner of something
	pieceShare  = 0.25 // of its radius that a piece's middle is off
)

// pieces cuts a part where it is thinner than about a ball's radius.
func (f *Finder) pieces(o window, px []int32) [][]int32 {
	e := int(math.Round(baseballIn / 2 * f.setup.PxPerIn / float64(f.shrink) * 0.55))
	if e < 1 {
		return nil
	}
	in := make([]bool, o.w*o.h)
	for _, q := range px {
		in[q] = true
	}
	core := slices.Clone(in)
	for range 2 { // along x, then along y
		src := slices.Clone(core)
		for y := range o.h {
			for x := range o.w {
				run := true
				for d := -e; d <= e && run; d++ {
					run = x+d >= 0 && x+d < o.w && src[y*o.w+x+d]
				}
				core[y*o.w+x] = run
			}
		}
		core = turned(core, o.w, o.h)
		o.w, o.h = o.h, o.w
	}
	var out [][]int32
	for q := range core {
		if !core[q] {
			continue
		}
		// Take the whole connected core, then what lies around it.
		core[q] = false
		piece := []int32{int32(q)}
		for n := 0; n < len(piece); n++ {
			x, y := int(piece[n])%o.w, int(piece[n])/o.w
			for yy := max(y-1, 0); yy <= min(y+1, o.h-1); yy++ {
				for xx := max(x-1, 0); xx <= min(x+1, o.w-1); xx++ {
					if r := yy*o.w + xx; core[r] {
						core[r] = false
						piece = append(piece, int32(r))
					}
				}
			}
		}
		var whole []int32
		for _, p := range piece {
			x, y := int(p)%o.w, int(p)/o.w
			for yy := max(y-e, 0); yy <= min(y+e, o.h-1); yy++ {
				for xx := max(x-e, 0); xx <= min(x+e, o.w-1); xx++ {
					if r := yy*o.w + xx; in[r] {
						in[r] = false
						whole = append(whole, int32(r))
					}
				}
			}
		}
		out = append(out, whole)
	}
	return out
}

// turned swaps rows and columns.
func turned(m []bool, w, h int) []bool {
	out := make([]bool, len(m))
	for y := range h {
		for x := range w {
			out[x*h+y] = m[y*w+x]
		}
	}
	return out
}

// shape measures px of a window as a ball or its streak; ok is false when they
// cannot be one.
func (f *Finder) shape(o window, px []int32, thr, noise float64) (b seenBlob, ok bool) {
	// The outline alone counts, not how bright it is inside: a ball is lit from
	// one side.
	n := float64(len(px))
	var sx, sy, sxx, sxy, syy float64
	for _, q := range px {
		x, y := float64(int(q)%o.w), float64(int(q)/o.w)
		sx, sy = sx+x, sy+y
		sxx, sxy, syy = sxx+x*x, sxy+x*y, syy+y*y
		if u, v := o.x0+int(x), o.y0+int(y); u == 0 || v == 0 || u == f.size.X-1 || v == f.size.Y-1 {
			return b, false // the picture cuts it off: its middle is not the ball's
		}
	}
	mx, my := sx/n, sy/n
	vxx, vxy, vyy := sxx/n-mx*mx, sxy/n-mx*my, syy/n-my*my
	mid, dif := (vxx+vyy)/2, math.Hypot((vxx-vyy)/2, vxy)
	big, lit := mid+dif, math.Max(mid-dif, 1.0/12)
	turn := math.Atan2(2*vxy, vxx-vyy) / 2
	// A disc of radius r has variance r²/4 along any axis; a streak of length l
	// adds l²/12 along it.
	r := 2 * math.Sqrt(lit)
	long := math.Sqrt(12 * math.Max(big-lit, 0))
	least, most := f.radii()
	if r > most || r < 0.6*least || long > maxStreak*r {
		return b, false
	}
	if n > 8 && n < minFill*(math.Pi*r*r+2*r*long) {
		return b, false
	}
	if long < r { // not told from round
		long = 0
	}
	k := float64(f.shrink)
	full := func(v float64) float64 { return (v+0.5)*k - 0.5 }
	// Each px of the outline's edge is in or out by chance: about one px each
	// way, of which there are as many as the edge is long.
	random := math.Sqrt(mid/n) * noise / thr
	return seenBlob{px: len(px), Blob: path.Blob{X: full(mx + float64(o.x0)), Y: full(my + float64(o.y0)),
		SigmaPx:  k * math.Sqrt(placeFloor*placeFloor+random*random+math.Pow(0.03*(r+long), 2)),
		RadiusPx: k * r, StreakPx: k * long, DX: math.Cos(turn), DY: math.Sin(turn),
		Contrast: float64(o.peak) / thr, Light: o.sign > 0}}, true
}

// merge joins the blobs of two comparisons: where both saw the same thing the
// one that shows more of it is kept.
func merge(a, b []seenBlob) []seenBlob {
	for _, n := range b {
		same := -1
		for i, o := range a {
			if math.Hypot(o.X-n.X, o.Y-n.Y) < math.Max(o.RadiusPx, n.RadiusPx) {
				same = i
				break
			}
		}
		switch {
		case same < 0:
			a = append(a, n)
		case n.px > a[same].px:
			a[same] = n
		}
	}
	return a
}

// best keeps the blobs that stand out most.
func best(b []seenBlob) []path.Blob {
	slices.SortStableFunc(b, func(p, q seenBlob) int { return cmp.Compare(q.Contrast, p.Contrast) })
	var out []path.Blob
	for _, s := range b[:min(len(b), maxBlobs)] {
		out = append(out, s.Blob)
	}
	return out
}

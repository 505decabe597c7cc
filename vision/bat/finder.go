package bat

import (
	"context"
	"fmt"
	"math"

	"gocv.io/x/gocv"

	"nightcage/models"
	"nightcage/vision"
	"nightcage/vision/bat/path"
)

// Finder looks for the bat in one frame after the other. It is for one
// goroutine. Close it.
type Finder struct {
	net     *models.Session
	cut     *cutter
	luma    look3
	still   *still
	moved   []float32
	scratch []float32
	last    grip
}

// grip is where the network last saw the hitter's hands on the knob.
type grip struct {
	x, y float64 // px
	age  int     // frames ago; 0: never
}

const (
	// strayShare is how far (standing heights) the hands may be from the last
	// grip before they are mistrusted: hands move 0.1 heights between frames
	// of a 60 fps clip at their fastest, a pose network's hands jump by 0.2
	// when it loses an arm in the blur.
	strayShare = 0.15
	gripFrames = 4 // how long a grip is remembered

	gripMass  = 0.6  // share of the knob map's belief that makes a grip
	gripSigma = 0.03 // standing heights
)

// centre is where to look: at the hands, but no farther from the last grip
// than they can have gone.
func (f *Finder) centre(hx, hy, heightPx float64) (x, y float64) {
	if f.last.age == 0 || f.last.age > gripFrames {
		return hx, hy
	}
	far, most := math.Hypot(hx-f.last.x, hy-f.last.y), strayShare*heightPx
	if far <= most {
		return hx, hy
	}
	k := most / far
	return f.last.x + k*(hx-f.last.x), f.last.y + k*(hy-f.last.y)
}

// remember takes the frame's knob for the grip if the network is sure of it.
func (f *Finder) remember(s *path.Sight, heightPx float64) {
	if f.last.age > 0 {
		f.last.age++
	}
	if len(s.Knobs) > 0 && s.Knobs[0].Score > gripMass && s.Knobs[0].SigmaPx < gripSigma*heightPx {
		f.last = grip{s.Knobs[0].X, s.Knobs[0].Y, 1}
	}
}

// NewFinder opens the bat network. Errors are those of models.Open.
func NewFinder(ctx context.Context) (*Finder, error) {
	net, err := models.Open(ctx, models.Bat)
	if err != nil {
		return nil, fmt.Errorf("open the bat finder: %w", err)
	}
	f := newEdgeFinder()
	f.net = net
	return f, nil
}

// newEdgeFinder looks without the network.
func newEdgeFinder() *Finder {
	px := cropSide * cropSide
	return &Finder{cut: newCutter(), still: newStill(), moved: make([]float32, px), scratch: make([]float32, px),
		luma: look3{make([]float32, px), make([]float32, px), make([]float32, px)}}
}

// Close frees the network and the native buffers.
func (f *Finder) Close() error {
	f.cut.close()
	if f.net == nil {
		return nil
	}
	return f.net.Close()
}

// Look finds the candidates for the bat in cur. prev and next are the frames
// before and after it, of the same size, BGR, 8 bits; at an end of the clip, or
// where a neighbour is lost or a repeat, pass the nearest other picture, or an
// empty Mat when there is none on that side. body is the hitter in cur,
// vision.NumLandmarks long; the hands (or, failing them, the wrists) say where
// to look, and a body without either gives a Sight without candidates.
// heightPx is the hitter's standing height in the picture.
//
// Frames are to be given in order, each clip's first with an empty prev: where
// the network saw the knob last bounds how far the hands may jump. The Sight's Index and Ms are left for the caller
// to fill in.
func (f *Finder) Look(ctx context.Context, prev, cur, next gocv.Mat, body []vision.Mark, heightPx float64) (path.Sight, error) {
	s := path.Sight{Width: float64(cur.Cols()), Height: float64(cur.Rows())}
	if cur.Empty() || !(heightPx > 0) {
		return s, fmt.Errorf("look for the bat: picture %dx%d, hitter %v px tall", cur.Cols(), cur.Rows(), heightPx)
	}
	s.Hands = Hands(body)
	hx, hy, ok := middle(s.Hands)
	if !ok {
		return s, nil
	}
	if prev.Empty() {
		f.last = grip{} // a clip begins
	}
	cx, cy := f.centre(hx, hy, heightPx)
	b := boxAround(cx, cy, heightPx)
	if err := f.read(prev, cur, next, b); err != nil {
		return s, fmt.Errorf("look for the bat: %w", err)
	}
	u, v := b.toCrop(cx, cy)
	in := heightPx / nominalHeightIn / b.scale()
	if f.net != nil {
		if err := f.ask(ctx, &s, b); err != nil {
			return s, err
		}
		f.remember(&s, heightPx)
	}
	if !prev.Empty() && !next.Empty() {
		f.addFans(&s, b, u, v, in)
	}
	return s, nil
}

// nominalHeightIn turns body heights into inches where only the order of size
// matters: how wide a streak to look for.
const nominalHeightIn = 68

// Hands are both fists of a body, vision.NumLandmarks long or empty, a wrist standing
// in for a fist not found.
func Hands(body []vision.Mark) (h [2]vision.Mark) {
	if len(body) == 0 {
		return h
	}
	pick := func(hand, wrist vision.Landmark) vision.Mark {
		if body[hand].Found() {
			return body[hand]
		}
		return body[wrist]
	}
	return [2]vision.Mark{pick(vision.LeftHand, vision.LeftWrist), pick(vision.RightHand, vision.RightWrist)}
}

func middle(h [2]vision.Mark) (x, y float64, ok bool) {
	m := 0.0
	for _, k := range h {
		if k.Found() {
			x, y, m = x+k.X, y+k.Y, m+1
		}
	}
	return x / m, y / m, m > 0
}

// read fills the luma planes and the network's input. A missing neighbour is
// the frame itself.
func (f *Finder) read(prev, cur, next gocv.Mat, b box) error {
	px := cropSide * cropSide
	if f.net == nil {
		if err := f.cut.luma(cur, b, f.luma.now); err != nil {
			return err
		}
	} else {
		in := f.net.Input(0)
		if err := f.cut.planes(cur, b, in[:px], in[px:2*px], in[2*px:3*px]); err != nil {
			return err
		}
		lumaOf(in[:px], in[px:2*px], in[2*px:3*px], f.luma.now)
	}
	for _, o := range []struct {
		frame gocv.Mat
		into  []float32
	}{{prev, f.luma.before}, {next, f.luma.after}} {
		if o.frame.Empty() {
			copy(o.into, f.luma.now)
		} else if err := f.cut.luma(o.frame, b, o.into); err != nil {
			return err
		}
	}
	if f.net != nil {
		in := f.net.Input(0)
		copy(in[3*px:], f.luma.before)
		copy(in[4*px:], f.luma.after)
	}
	return nil
}

// ask runs the network and adds what it sees.
func (f *Finder) ask(ctx context.Context, s *path.Sight, b box) error {
	if err := f.net.Run(ctx); err != nil {
		return fmt.Errorf("look for the bat: %w", err)
	}
	out, cells := f.net.Output(0), heatSide*heatSide
	plane := func(p, many int) []float32 { return out[p*cells : (p+many)*cells] }
	add := func(to *[]path.Peak, heat, prec int) {
		for _, k := range peaks(plane(heat, 1), plane(prec, 3)) {
			x, y := b.toFrame(k.u, k.v)
			*to = append(*to, path.Peak{X: x, Y: y, SigmaPx: k.sigma * b.scale(), Score: k.mass})
		}
	}
	add(&s.Knobs, planeKnob, planeKnobPrec)
	add(&s.Tips, planeTip, planeTipPrec)
	return nil
}

// addFans adds the streaks of motion.
func (f *Finder) addFans(s *path.Sight, b box, u, v, in float64) {
	f.still.register(f.luma.now, f.luma.before)
	f.still.register(f.luma.now, f.luma.after)
	f.luma.motion(f.moved)
	thicken(f.moved, f.scratch, int(math.Round(0.7*in)))
	rays := fans(f.moved, u, v, in, 3)
	var all float64
	for _, r := range rays {
		all += r.mass
	}
	for _, r := range rays {
		s.Lines = append(s.Lines, r.line(b, r.mass/(all+doubtMass)))
	}
}

// doubtMass is the mass of a streak that is as likely a bat as not.
const doubtMass = 4

// line takes a ray to frame px.
func (r ray) line(b box, score float64) path.Line {
	x, y := b.toFrame(r.x, r.y)
	k := b.scale()
	return path.Line{X: x, Y: y, DX: r.ux, DY: r.uy, SigmaPx: r.across * k, SigmaDeg: r.turn * 180 / math.Pi,
		ReachPx: r.reach * k, Score: score, How: vision.HowEdges}
}

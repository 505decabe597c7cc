package analysis

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"

	"gocv.io/x/gocv"
	"golang.org/x/sync/errgroup"

	"nightcage/vision"
	"nightcage/vision/ball"
	ballpath "nightcage/vision/ball/path"
	"nightcage/vision/bat"
	"nightcage/vision/bat/path"
	"nightcage/vision/clip"
	"nightcage/vision/pose"
	"nightcage/vision/pose/smooth"
)

const (
	// leastHitterPx is how tall a hitter stays in pictures that are made smaller to
	// be looked at. The networks see one 200 px tall, whatever is put in; points of
	// the picture are followed better in its means of four px: on 16 rendered clips of
	// 720 lines the feet's times came out a third closer than without.
	leastHitterPx = 200
	// handsMs is how long after a body was last seen its hands say where the bat is
	// looked for. Paths are drawn across gaps as long.
	handsMs = 100
	// inFlight is how many pictures may wait between the body and the rest: three
	// are the bat's, and one on each side is being worked on.
	inFlight = 5
)

// sights is what was seen in a window of a clip, apart from the frames of the track.
type sights struct {
	bat      []path.Sight // one a frame
	ball     ballpath.Seen
	heightPx float64 // of the hitter, standing
}

// look reads the pictures of a window once and follows the hitter's body, camera and
// ball through it, looks for the bat in each picture and for the ground in some. The
// track has bodies, shifts and ground; the rest is left for later stages.
//
// It works on pictures l.shrink times smaller than the clip's: of those are the
// track's Clip and all px that it returns.
func (a *Analyser) look(ctx context.Context, l looking) (track vision.Track, s sights, err error) {
	r, err := clip.Open(ctx, l.clip, l.path)
	if err != nil {
		return track, s, err
	}
	r.Shrink(l.shrink)
	ahead := r.Ahead(ctx, l.window.look)
	defer ahead.Close()
	small := shrunk(l.clip, l.shrink)
	track = vision.Track{Clip: small, Subject: l.subject, Window: l.window.frames}
	things, err := a.newThings(small, l)
	if err != nil {
		return track, s, err
	}
	defer things.close()

	group, ctx := errgroup.WithContext(ctx)
	pictures, back := make(chan *picture, inFlight), make(chan *picture, inFlight)
	for range inFlight {
		p := &picture{bgr: gocv.NewMat(), gray: gocv.NewMat()}
		defer p.close()
		back <- p
	}
	var moved [][]smooth.Step
	var heights []float64
	group.Go(func() (err error) {
		defer close(pictures)
		track.Frames, moved, heights, err = a.bodies(ctx, ahead, l, pictures, back)
		return err
	})
	group.Go(func() error { return things.watch(ctx, pictures, back) })
	if err := group.Wait(); err != nil {
		return track, s, err
	}
	for k := range track.Frames {
		track.Frames[k].Shift = things.shifts[k].Affine
	}
	track.Clip.Times = ahead.Clip().Times
	track.Notes = append(slices.Clone(l.clip.Notes), things.notes(track.Frames)...)
	track.Frames, _ = smooth.Bodies(track.Frames)
	track.Frames = smooth.Steps(track.Frames, moved)
	s, err = things.finish(&track, median(heights))
	return track, s, err
}

// looking is a window about to be looked at.
type looking struct {
	path     string
	clip     vision.Clip
	window   window
	subject  vision.Subject
	hitter   pose.Person // in pictures shrink times smaller
	heightPx float64     // the same
	shrink   int
	steps    *steps
}

// aim finds the hitter of a window and how small its pictures may be made.
func (a *Analyser) aim(ctx context.Context, g *gallery, win window, subject vision.Subject, steps *steps) (l looking, err error) {
	hitter, err := a.findHitter(ctx, g, win)
	if err != nil {
		return l, err
	}
	height := hitter.HeightPx * float64(g.shrink)
	shrink := shrinkFor(height)
	return looking{path: g.path, clip: g.clip, window: win, subject: subject, hitter: resized(hitter.Person, g.shrink, shrink),
		heightPx: height / float64(shrink), shrink: shrink, steps: steps}, nil
}

// picture is one on its way from the body to the rest. Its images are its own.
type picture struct {
	k         int // into the track's frames
	index     int // into Clip.Times
	bgr, gray gocv.Mat
	body      []vision.Mark // whose hands hold the bat; nil when not known
}

func (p *picture) close() {
	p.bgr.Close()
	p.gray.Close()
}

// bodies reads the pictures and follows the body through them. Each is handed on in
// one that comes back. heights are the hitter's, standing, px.
func (a *Analyser) bodies(ctx context.Context, r *clip.Ahead, l looking, on chan<- *picture, back <-chan *picture) (frames []vision.Frame, moved [][]smooth.Step, heights []float64, err error) {
	body := a.pose.Follow(l.hitter)
	flow := pose.NewFlow()
	defer flow.Close()
	var last vision.Frame // the last with a body
	for {
		p, err := r.Next(ctx)
		if errors.Is(err, io.EOF) || (err == nil && p.Index >= l.window.frames[1]) {
			return frames, moved, heights, nil
		}
		if err != nil {
			return nil, nil, nil, err
		}
		f := vision.Frame{Index: p.Index, Ms: l.clip.Times[p.Index].Ms}
		look, err := body.Next(ctx, p.BGR, f.Ms)
		if err != nil {
			return nil, nil, nil, wrap(l.clip, "follow the hitter", err)
		}
		look.Put(&f)
		gray := r.Gray()
		step, err := flow.Next(gray, look)
		if err != nil {
			return nil, nil, nil, wrap(l.clip, "follow the hitter", err)
		}
		frames, moved = append(frames, f), append(moved, step)
		if look.Found {
			last, heights = f, append(heights, look.StandingPx())
		}
		var next *picture
		select {
		case next = <-back:
		case <-ctx.Done():
			return nil, nil, nil, ctx.Err()
		}
		next.k, next.index, next.body = len(frames)-1, p.Index, nil
		if f.Ms-last.Ms <= handsMs {
			next.body = last.Body
		}
		p.BGR.CopyTo(&next.bgr)
		gray.CopyTo(&next.gray)
		on <- next // there is room for all
		l.steps.frame()
	}
}

// things follows what is in the pictures besides the body.
type things struct {
	bat    *bat.Finder
	still  *clip.Stabiliser
	ball   *ball.Finder
	ground *groundPass
	l      looking
	shifts []clip.Shift // one a frame
	bats   []path.Sight // one a frame
	recent [3]*picture  // before, at and after the one in which the bat is looked for
	none   gocv.Mat     // in place of one that is not there
}

func (a *Analyser) newThings(small vision.Clip, l looking) (*things, error) {
	b, err := ball.NewFinder(ball.Setup{Width: small.Width, Height: small.Height, PxPerIn: l.heightPx / nominalHeightIn})
	if err != nil {
		return nil, wrap(l.clip, "look for the ball", err)
	}
	return &things{bat: a.bat, still: clip.NewStabiliser(l.hitter.Box), ball: b, ground: newGroundPass(len(l.window.look)), none: gocv.NewMat(), l: l}, nil
}

func (t *things) close() {
	t.still.Close()
	t.ball.Close()
	t.ground.close()
	t.none.Close()
}

// watch takes the pictures one after the other and gives them back.
func (t *things) watch(ctx context.Context, pictures <-chan *picture, back chan<- *picture) error {
	for p := range pictures {
		shift, err := t.still.Next(p.gray)
		if err != nil {
			return wrap(t.l.clip, "follow the camera", err)
		}
		at := t.l.clip.Times[p.index]
		f := vision.Frame{Index: p.index, Ms: at.Ms, Shift: shift.Affine}
		t.shifts = append(t.shifts, shift)
		t.bats = append(t.bats, path.Sight{})
		if err := t.ball.Add(ctx, p.bgr, f, at.Repeat); err != nil {
			return wrap(t.l.clip, "look for the ball", err)
		}
		if err := t.ground.add(p.k, p.bgr, &f); err != nil {
			return wrap(t.l.clip, "look at the ground", err)
		}
		// A repeated picture shows no motion: its neighbours are held against
		// the pictures beyond it.
		if at.Repeat {
			back <- p
			continue
		}
		if err := t.push(ctx, p, back); err != nil {
			return err
		}
	}
	return t.push(ctx, nil, back) // the last has none after it
}

// push makes p the latest picture and looks for the bat in the one before.
func (t *things) push(ctx context.Context, p *picture, back chan<- *picture) error {
	if gone := t.recent[0]; gone != nil {
		back <- gone
	}
	t.recent = [3]*picture{t.recent[1], t.recent[2], p}
	cur := t.recent[1]
	if cur == nil {
		return nil
	}
	image := func(p *picture) gocv.Mat {
		if p == nil {
			return t.none
		}
		return p.bgr
	}
	s, err := t.bat.Look(ctx, image(t.recent[0]), cur.bgr, image(p), cur.body, t.l.heightPx)
	if err != nil {
		return wrap(t.l.clip, "look for the bat", err)
	}
	t.bats[cur.k] = s
	return nil
}

// finish gives what was seen once the track's bodies are smooth. The hitter is
// heightPx tall, standing.
func (t *things) finish(track *vision.Track, heightPx float64) (s sights, err error) {
	s.bat, s.heightPx = t.bats, heightPx
	for k, f := range track.Frames {
		b := &s.bat[k]
		b.Index, b.Ms, b.Shift, b.Repeat = f.Index, f.Ms, f.Shift, track.Clip.Times[f.Index].Repeat
		b.Hands = bat.Hands(f.Body)
	}
	if err := t.ground.finish(track, heightPx); err != nil {
		return s, err
	}
	s.ball, err = t.ball.Finish()
	return s, err
}

// notes tell where hitter or camera were lost.
func (t *things) notes(frames []vision.Frame) (out []string) {
	lost, unsteady := 0, ""
	for k := range frames {
		if len(frames[k].Body) == 0 {
			lost++
		}
		if why := t.shifts[k].Reason; why != "" {
			unsteady = why
		}
	}
	if lost > 0 {
		out = append(out, fmt.Sprintf("the hitter was hidden, or could not be told from somebody else, in %d of %d pictures", lost, len(frames)))
	}
	if unsteady != "" {
		out = append(out, "the camera's own motion could not be followed throughout: "+unsteady)
	}
	return out
}

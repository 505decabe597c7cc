package analysis

import (
	"context"
	"errors"
	"fmt"
	"io"

	"gocv.io/x/gocv"

	"nightcage/vision"
	ballpath "nightcage/vision/ball/path"
	"nightcage/vision/bat/path"
	"nightcage/vision/clip"
	"nightcage/vision/solve"
)

// minBatShare of the frames must show the bat before a clip counts as one with
// a bat in it; false candidates that agree with each other are rarer.
const minBatShare = 0.05

// addBat reads the clip again, now knowing where the hands are in each frame,
// and fills knob and tip, the ball and the ground. height is the hitter's, standing, px.
func (a *Analyser) addBat(ctx context.Context, file string, track *vision.Track, height float64, steps *steps) error {
	name := track.Clip.Name
	sights, balls, err := a.sights(ctx, file, track, height, steps)
	if err != nil {
		return err
	}
	// The bat's path needs a scale; the body gives one.
	scale, err := solve.Scale(ctx, *track)
	if err != nil {
		return err
	}
	if scale.PxPerIn == 0 {
		scale = vision.Scale{PxPerIn: height / nominalHeightIn, SigmaRel: nominalSigmaRel}
	}
	found, err := path.Smooth(sights, path.Options{BatIn: track.Subject.BatIn, PxPerIn: scale.PxPerIn, ScaleSigmaRel: scale.SigmaRel})
	if err != nil {
		return fmt.Errorf("follow the bat in clip %s: %w", name, err)
	}
	n := 0
	for i, b := range found.Frames {
		f := &track.Frames[i]
		f.Knob, f.Tip, f.BatAngleSigmaDeg = b.Knob, b.Tip, b.AngleSigmaDeg
		if b.Knob.Found() && b.Tip.Found() {
			n++
		}
	}
	if float64(n) < minBatShare*float64(len(track.Frames)) {
		return &Error{Kind: NoBat, Clip: name, Reason: "No bat was found in the hitter's hands."}
	}
	return addBall(track, balls, scale.PxPerIn)
}

// A hitter of unknown height is taken for one between a child of 52 in and a
// man of 76 in when only the order of sizes matters.
const (
	nominalHeightIn = 66
	nominalSigmaRel = 0.1
)

// sights looks for the bat and the ball in every frame of the track, and for the
// ground in some.
func (a *Analyser) sights(ctx context.Context, file string, track *vision.Track, height float64, steps *steps) (_ []path.Sight, balls ballpath.Seen, _ error) {
	r, err := clip.Open(ctx, track.Clip, file)
	if err != nil {
		return nil, balls, err
	}
	defer r.Close()
	if err := r.Seek(ctx, track.Frames[0].Index); err != nil {
		return nil, balls, err
	}
	thrown, err := newBallFinder(track.Clip, height)
	if err != nil {
		return nil, balls, err
	}
	defer thrown.Close()
	under := newGroundPass(len(track.Frames))
	defer under.close()
	ring := newRing()
	defer ring.close()
	out := make([]path.Sight, len(track.Frames))
	held := -1 // the frame that waits in the ring for its successor
	look := func() error {
		if held < 0 {
			return nil
		}
		s, err := a.bat.Look(ctx, ring.prev, ring.cur, ring.next, track.Frames[held].Body, height)
		if err != nil {
			return wrap(track.Clip, "look for the bat", err)
		}
		out[held] = s
		return nil
	}
	for k, f := range track.Frames {
		p, err := r.Next(ctx)
		if err != nil && !errors.Is(err, io.EOF) {
			return nil, balls, err
		}
		if err != nil || p.Index != f.Index {
			return nil, balls, fmt.Errorf("clip %s decoded differently the second time: frame %d is not where it was", track.Clip.Name, f.Index)
		}
		repeat := track.Clip.Times[f.Index].Repeat
		if err := thrown.Add(ctx, p.BGR, f, repeat); err != nil {
			return nil, balls, wrap(track.Clip, "look for the ball", err)
		}
		if err := under.add(k, p.BGR, &f); err != nil {
			return nil, balls, wrap(track.Clip, "look at the ground", err)
		}
		// A repeated picture shows no motion: its neighbours are held against
		// the pictures beyond it.
		if !repeat {
			ring.push(p.BGR)
			if err := look(); err != nil {
				return nil, balls, err
			}
			held = k
		}
		steps.frame()
	}
	ring.pushNone()
	if err := look(); err != nil {
		return nil, balls, err
	}
	if err := under.finish(track, height); err != nil {
		return nil, balls, err
	}
	for k, f := range track.Frames {
		out[k].Index, out[k].Ms, out[k].Shift = f.Index, f.Ms, f.Shift
		out[k].Repeat = track.Clip.Times[f.Index].Repeat
	}
	balls, err = thrown.Finish()
	return out, balls, err
}

// ring holds copies of three neighbouring pictures and reuses their memory.
type ring struct {
	prev, cur, next gocv.Mat
}

func newRing() *ring { return &ring{gocv.NewMat(), gocv.NewMat(), gocv.NewMat()} }

func (r *ring) push(m gocv.Mat) {
	r.prev, r.cur, r.next = r.cur, r.next, r.prev
	m.CopyTo(&r.next)
}

// pushNone moves on past the last picture.
func (r *ring) pushNone() {
	r.prev.Close()
	r.prev, r.cur, r.next = r.cur, r.next, gocv.NewMat()
}

func (r *ring) close() {
	r.prev.Close()
	r.cur.Close()
	r.next.Close()
}

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
// and fills knob and tip, and the ball. height is the hitter's, standing, px.
func (a *Analyser) addBat(ctx context.Context, file string, track *vision.Track, height float64, steps *steps) error {
	name := track.Clip.Name
	sights, balls, err := a.sights(ctx, file, track, height, steps)
	if err != nil {
		return err
	}
	// The bat's path needs a scale; a first solution of the body gives one.
	rough, err := solve.Run(ctx, *track)
	if err != nil {
		return err
	}
	scale := rough.Scale
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

// sights looks for the bat and the ball in every frame of the track.
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
	ring := newRing()
	defer ring.close()
	var out []path.Sight
	look := func() error {
		f := &track.Frames[len(out)]
		s, err := a.bat.Look(ctx, ring.prev, ring.cur, ring.next, f.Body, height)
		if err != nil {
			return wrap(track.Clip, "look for the bat", err)
		}
		s.Index, s.Ms, s.Repeat = f.Index, f.Ms, track.Clip.Times[f.Index].Repeat
		out = append(out, s)
		steps.frame()
		return nil
	}
	for k := range track.Frames {
		p, err := r.Next(ctx)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, balls, err
		}
		if p.Index != track.Frames[k].Index {
			return nil, balls, fmt.Errorf("clip %s decoded differently the second time: frame %d where %d was", track.Clip.Name, p.Index, track.Frames[k].Index)
		}
		if err := thrown.Add(ctx, p.BGR, track.Frames[k], track.Clip.Times[p.Index].Repeat); err != nil {
			return nil, balls, wrap(track.Clip, "look for the ball", err)
		}
		ring.push(p.BGR)
		if k > 0 {
			if err := look(); err != nil {
				return nil, balls, err
			}
		}
	}
	ring.pushNone()
	if err := look(); err != nil {
		return nil, balls, err
	}
	if len(out) != len(track.Frames) {
		return nil, balls, fmt.Errorf("clip %s decoded differently the second time: %d frames where %d were", track.Clip.Name, len(out), len(track.Frames))
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

package analysis

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"nightcage/phases"
	"nightcage/vision"
)

// seen is one window followed and timed.
type seen struct {
	track    vision.Track
	timeline phases.Timeline
}

// missed is a burst of motion that gave no swing: when, s, and why.
type missed struct {
	at  float64
	err error
}

// findings are what the windows of a clip held.
type findings struct {
	clip   vision.Clip
	plan   plan
	swings []seen
	missed []missed
}

// seeAll looks at every window. What is wrong with one is no reason to lose the
// others; only the context's end is.
func (a *Analyser) seeAll(ctx context.Context, path string, c vision.Clip, s *survey, subject vision.Subject, steps *steps) (*findings, error) {
	g := newGallery(path, c, s)
	defer g.close()
	p, err := a.windows(ctx, g, c, s)
	if err != nil {
		return nil, err
	}
	f := &findings{clip: c, plan: p}
	frames := 0
	for _, w := range p.windows {
		frames += len(w.look)
	}
	steps.plan(frames)
	at := steps.done
	for _, win := range p.windows {
		w, err := a.see(ctx, g, win, subject, steps)
		if ctx.Err() != nil {
			return nil, fmt.Errorf("look at clip %s: %w", c.Name, ctx.Err())
		}
		if err != nil {
			f.miss(win.frames, err)
		} else {
			f.swings = append(f.swings, w)
		}
		at += len(win.look)
		steps.reach(at)
	}
	return f, nil
}

func (f *findings) miss(win [2]int, err error) {
	f.missed = append(f.missed, missed{(f.clip.Times[win[0]].Ms + f.clip.Times[win[1]-1].Ms) / 2000, err})
}

// doubt asks of the clip's clock whether its swings can be people's by it; see
// doubtClock. Where swings disagree most count: one that was followed badly is no
// reason to lose the clock of all.
func (f *findings) doubt() (c vision.Clip, doubted bool, err error) {
	believed, against := 0, 0
	for _, w := range f.swings {
		withdrawn, doubted, err := doubtClock(w.track)
		if err != nil {
			return c, false, err
		}
		if doubted {
			if against++; against == 1 {
				c = withdrawn
			}
		} else if w.timeline.Kind == phases.KindSwing {
			believed++
		}
	}
	return c, against > believed, nil
}

// dropEmpty moves windows that held no swing to those missed.
func (f *findings) dropEmpty() {
	f.swings = slices.DeleteFunc(f.swings, func(w seen) bool {
		if w.timeline.Kind != phases.KindNone {
			return false
		}
		f.miss(w.track.Window, &Error{Kind: NoSwing, Clip: f.clip.Name, Reason: "No swing was found in the clip: " + w.timeline.Why + "."})
		return true
	})
}

// why is the error of a clip without a swing: a fault of the looking if there
// was one, else of the window that came farthest.
func (f *findings) why() error {
	rank := func(m missed) int {
		var content *Error
		if !errors.As(m.err, &content) {
			return -1
		}
		return slices.Index([]Kind{NoSwing, NoBat, WrongRotation, NoPerson}, content.Kind)
	}
	return slices.MinFunc(f.missed, func(a, b missed) int { return cmp.Compare(rank(a), rank(b)) }).err
}

// named is how many bursts without a swing a note names.
const named = 5

// notes tell, in each record of the clip, what else was looked at.
func (f *findings) notes() (out []string) {
	all := slices.Clone(f.missed)
	slices.SortFunc(all, func(a, b missed) int { return cmp.Compare(a.at, b.at) })
	var words []string
	for _, m := range all[:min(len(all), named)] {
		reason := m.err.Error()
		if _, plain, ok := Reason(m.err); ok {
			reason = strings.TrimSuffix(plain, ".")
		}
		words = append(words, fmt.Sprintf("at %.1f s: %s", m.at, reason))
	}
	if n := len(all) - named; n > 0 {
		words = append(words, fmt.Sprintf("%d more", n))
	}
	if n := f.plan.refused; n > 0 {
		words = append(words, fmt.Sprintf("%d at which nobody carries both hands round as with a bat", n))
	}
	if n := len(all) + f.plan.refused; n > 0 {
		out = append(out, fmt.Sprintf("%d other %s of motion %s looked at and held no swing: %s", n,
			plural(n, "burst", "bursts"), plural(n, "was", "were"), strings.Join(words, "; ")))
	}
	if f.plan.unlooked > 0 {
		out = append(out, fmt.Sprintf("the clip shows more bursts of motion than are looked at: %d weaker ones were passed over", f.plan.unlooked))
	}
	return out
}

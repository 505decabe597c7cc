package vision

import (
	"cmp"
	"slices"
)

const (
	// betweenMs is how far apart two frames may lie for marks to be had between
	// them: that of 60 a second, with room for uneven ones. A point that accelerates
	// by 50 m/s², far from contact, departs by at most a t²/8, 4 mm, from the
	// straight line.
	betweenMs = 25
	// betweenPictures is the same in pictures of the clip, for clips of few a second
	// whose times are uneven. One that is missing between two is too much.
	betweenPictures = 1.5
	// sameMs is within what an instant is a frame's own: at 40 m/s, 0.4 mm.
	sameMs = 0.01
)

// Between finds the frames about an instant: Frames[i] before it, Frames[j] after it,
// and the share of the way from one to the other, 0 to 1, at which it lies. i and j are
// equal, and the share is 0, for the time of a frame. ok is false before the first
// and after the last, and where the two are further apart than 25 ms and one and a
// half pictures of the clip: nobody knows what happened between them.
func (t *Track) Between(ms float64) (i, j int, share float64, ok bool) {
	j, _ = slices.BinarySearchFunc(t.Frames, ms-sameMs, func(f Frame, ms float64) int { return cmp.Compare(f.Ms, ms) })
	if j == len(t.Frames) {
		return 0, 0, 0, false
	}
	if t.Frames[j].Ms <= ms+sameMs {
		return j, j, 0, true
	}
	if j == 0 {
		return 0, 0, 0, false
	}
	i = j - 1
	gap, most := t.Frames[j].Ms-t.Frames[i].Ms, float64(betweenMs)
	if fps := t.Clip.Clock.CaptureFPS; fps > 0 {
		most = max(most, betweenPictures*1000/fps)
	}
	return i, j, (ms - t.Frames[i].Ms) / gap, gap <= most
}

// LookedAt is the place in Frames of a picture of the clip; ok is false when nobody
// looked at it.
func (t *Track) LookedAt(index int) (i int, ok bool) {
	return slices.BinarySearchFunc(t.Frames, index, func(f Frame, index int) int { return cmp.Compare(f.Index, index) })
}

// At is what is known of one picture of the clip: its frame where it was looked at,
// else one between the two about it (see Between). Marks of the latter lie on the
// straight line between those of the two, in proportion to time, with How HowModel,
// the lesser Seen and the larger standard error; one that either lacks is not found,
// nor is the ball where the bat met it between the two. World and Relief are left
// out. ok is false where Between has none and for a picture that the clip does not have.
func (t *Track) At(index int) (f Frame, ok bool) {
	if i, ok := t.LookedAt(index); ok {
		return t.Frames[i], true
	}
	i, j, share, ok := t.about(index)
	if !ok {
		return Frame{}, false
	}
	a, b := &t.Frames[i], &t.Frames[j]
	f = Frame{Index: index, Ms: t.Clip.Times[index].Ms,
		Head: markBetween(a.Head, b.Head, share), HeadRadiusPx: lerp(a.HeadRadiusPx, b.HeadRadiusPx, share),
		Knob: markBetween(a.Knob, b.Knob, share), Tip: markBetween(a.Tip, b.Tip, share), BatAngleSigmaDeg: max(a.BatAngleSigmaDeg, b.BatAngleSigmaDeg)}
	if t.Ball == nil || t.Ball.MeetSigmaMs == 0 || t.Ball.MeetMs <= a.Ms || t.Ball.MeetMs >= b.Ms {
		f.Ball = markBetween(a.Ball, b.Ball, share)
	}
	if len(a.Body) == len(b.Body) {
		for l := range a.Body {
			f.Body = append(f.Body, markBetween(a.Body[l], b.Body[l], share))
		}
	}
	if p, q := a.Shift, b.Shift; !p.Unmeasured() && !q.Unmeasured() {
		f.Shift = Affine{A: lerp(p.A, q.A, share), B: lerp(p.B, q.B, share), C: lerp(p.C, q.C, share), D: lerp(p.D, q.D, share),
			TX: lerp(p.TX, q.TX, share), TY: lerp(p.TY, q.TY, share), SigmaPx: max(p.SigmaPx, q.SigmaPx)}
	}
	return f, true
}

// PoseAt is the same in three dimensions. Between two frames a place is valid where
// it is in both; Other and the errors of the lines of hips and shoulders are left out.
// ok is false without a Solution, too.
func (t *Track) PoseAt(index int) (p Pose3, ok bool) {
	if t.Solution == nil {
		return Pose3{}, false
	}
	if i, ok := t.LookedAt(index); ok {
		return t.Solution.Frames[i], true
	}
	i, j, share, ok := t.about(index)
	if !ok {
		return Pose3{}, false
	}
	a, b := &t.Solution.Frames[i], &t.Solution.Frames[j]
	p = Pose3{Head: a.Head.Toward(b.Head, share), Knob: a.Knob.Toward(b.Knob, share), Tip: a.Tip.Toward(b.Tip, share),
		KnobVelocity: a.KnobVelocity.Toward(b.KnobVelocity, share), TipVelocity: a.TipVelocity.Toward(b.TipVelocity, share)}
	if len(a.Body) == len(b.Body) {
		for l := range a.Body {
			p.Body = append(p.Body, a.Body[l].Toward(b.Body[l], share))
		}
	}
	return p, true
}

// With is a copy of the track that has a frame of the picture, At's where nobody
// looked at it, and the Solution's pose beside it. ok is At's.
func (t *Track) With(index int) (with Track, ok bool) {
	with = *t
	i, ok := t.LookedAt(index)
	if ok {
		return with, true
	}
	f, ok := t.At(index)
	if !ok {
		return with, false
	}
	with.Frames = slices.Insert(slices.Clone(t.Frames), i, f)
	if p, ok := t.PoseAt(index); ok {
		s := *t.Solution
		s.Frames = slices.Insert(slices.Clone(s.Frames), i, p)
		with.Solution = &s
	}
	return with, true
}

// Toward is the place at a share of the straight way to another, with the larger
// standard errors; valid where both are.
func (p Point3) Toward(q Point3, share float64) Point3 {
	if !p.Valid || !q.Valid {
		return Point3{}
	}
	return Point3{Vec3: Vec3{X: lerp(p.X, q.X, share), Y: lerp(p.Y, q.Y, share), Z: lerp(p.Z, q.Z, share)},
		SX: max(p.SX, q.SX), SY: max(p.SY, q.SY), SZ: max(p.SZ, q.SZ), Valid: true}
}

// about is Between of a picture of the clip.
func (t *Track) about(index int) (i, j int, share float64, ok bool) {
	if index < 0 || index >= len(t.Clip.Times) {
		return 0, 0, 0, false
	}
	return t.Between(t.Clip.Times[index].Ms)
}

func markBetween(a, b Mark, share float64) Mark {
	if !a.Found() || !b.Found() {
		return Mark{}
	}
	return Mark{X: lerp(a.X, b.X, share), Y: lerp(a.Y, b.Y, share), SigmaPx: max(a.SigmaPx, b.SigmaPx), Seen: min(a.Seen, b.Seen), How: HowModel}
}

func lerp(a, b, share float64) float64 { return a + share*(b-a) }

package clip

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"nightcage/vision"
)

// captureRateTag is the key under which Android cameras store the true rate of
// a slow-motion clip.
const captureRateTag = "com.android.capture.fps"

// describe turns ffprobe's answer into a Clip, or says why there is none.
func describe(name string, p *probed, jobFPS float64) (vision.Clip, error) {
	fail := func(k Kind, format string, a ...any) (vision.Clip, error) {
		return vision.Clip{}, &Error{Kind: k, Clip: name, Reason: fmt.Sprintf(format, a...)}
	}
	if len(p.Streams) == 0 || p.Streams[0].Disposition.AttachedPic != 0 {
		return fail(NoVideoStream, "The file holds sound or data but no moving picture.")
	}
	st := &p.Streams[0]
	switch {
	case st.CodecName == "" || st.CodecName == "unknown" || st.Width <= 0 || st.Height <= 0:
		return fail(Damaged, "The file names a video but does not say how its pictures are stored.")
	case st.Width > MaxSidePx || st.Height > MaxSidePx:
		return fail(TooLarge, "The picture is %d x %d pixels; no side may be over %d.", st.Width, st.Height, MaxSidePx)
	case st.FieldOrder != "" && st.FieldOrder != "progressive" && st.FieldOrder != "unknown":
		return fail(Unsupported, "The clip is interlaced: every picture mixes two instants. Film progressive (the camera's setting with a p).")
	case st.SAR != "" && st.SAR != "1:1" && st.SAR != "0:1" && st.SAR != "N/A":
		return fail(Unsupported, "The picture's points are not square (%s), so lengths and angles in it cannot be measured.", st.SAR)
	}
	if d, err := strconv.ParseFloat(p.Format.Duration, 64); err == nil && d > MaxDuration.Seconds() {
		return fail(TooLarge, "The clip says it lasts %v; cut the swing out of it.", time.Duration(d*float64(time.Second)).Round(time.Second))
	}
	c := vision.Clip{Name: name, Width: st.Width, Height: st.Height, Codec: st.CodecName, PixelFormat: st.PixFmt}
	if st.Transfer != "" && st.Transfer != "unknown" {
		c.Transfer = st.Transfer
	}
	for _, d := range st.SideData {
		if d.Matrix == "" {
			continue
		}
		m, err := parseMatrix(d.Matrix)
		if err != nil {
			return vision.Clip{}, &Error{Kind: Damaged, Clip: name, Reason: "The file's note on how to turn the picture makes no sense.", Err: err}
		}
		o, err := orient(m)
		if err != nil {
			return vision.Clip{}, &Error{Kind: Unsupported, Clip: name, Reason: "The file asks for the picture to be turned by something other than a quarter turn.", Err: err}
		}
		c.RotationDeg, c.Mirrored = o.turnDeg, o.mirrored
	}
	if c.RotationDeg%180 != 0 {
		c.Width, c.Height = c.Height, c.Width
	}

	var pts []int64
	for _, k := range p.Packets {
		if strings.Contains(k.Flags, "D") {
			continue // before an edit list's start: decoded but never shown
		}
		if k.PTS == nil {
			return fail(Unsupported, "The file does not say when its pictures are to be shown; convert it to mp4.")
		}
		pts = append(pts, *k.PTS)
	}
	switch {
	case len(pts) < MinFrames:
		return fail(TooShort, "The clip has %d pictures; at least %d are needed.", len(pts), MinFrames)
	case len(pts) > MaxFrames:
		return fail(TooLarge, "The clip has %d pictures; cut the swing out of it.", len(pts))
	}
	if n, err := strconv.Atoi(st.NbFrames); err == nil && n > len(p.Packets) {
		c.Notes = append(c.Notes, fmt.Sprintf("the file promises %d pictures and holds %d: it was cut short", n, len(p.Packets)))
	}
	slices.Sort(pts)
	tick, err := timeBase(st.TimeBase)
	if err != nil {
		return vision.Clip{}, &Error{Kind: Damaged, Clip: name, Reason: "The file's clock makes no sense.", Err: err}
	}
	ms := make([]float64, len(pts))
	for i := range pts {
		if i > 0 && pts[i] == pts[i-1] {
			return fail(Damaged, "Two pictures of the clip claim the same instant.")
		}
		ms[i] = float64(pts[i]-pts[0]) * tick * 1000
	}
	c.DurationMs, c.FirstPTSMs = ms[len(ms)-1], float64(pts[0])*tick*1000
	if c.DurationMs > float64(MaxDuration.Milliseconds()) {
		return fail(TooLarge, "The clip lasts %.0f minutes; cut the swing out of it.", c.DurationMs/60000)
	}
	tag, err := captureTag(p)
	if err != nil {
		c.Notes = append(c.Notes, err.Error())
	}
	clock, scale := setClock(ms, tag, jobFPS)
	c.Clock = clock
	if clock.Known && clock.Source == vision.ClockJob && scale < 1/slowMotion && tag == 0 {
		c.Notes = append(c.Notes, fmt.Sprintf("read as slow motion: %.4g frames per second told, %.4g stored", clock.CaptureFPS, clock.StoredFPS))
	}
	c.Times = make([]vision.FrameTime, len(ms))
	for i, t := range ms {
		c.Times[i] = vision.FrameTime{PTSMs: t, Ms: t * scale}
	}
	return c, nil
}

// timeBase reads "1/15360" as seconds per tick.
func timeBase(s string) (float64, error) {
	num, den, found := strings.Cut(s, "/")
	a, err1 := strconv.ParseFloat(num, 64)
	b, err2 := strconv.ParseFloat(den, 64)
	if !found || err1 != nil || err2 != nil || !(a > 0) || !(b > 0) || math.IsInf(a/b, 0) {
		return 0, fmt.Errorf("time base %q", s)
	}
	return a / b, nil
}

// captureTag returns the capture rate that a tag in the file claims, 0 if none.
// A tag that is no rate is an error worth a note.
func captureTag(p *probed) (float64, error) {
	for _, tags := range []map[string]string{p.Format.Tags, p.Streams[0].Tags} {
		s, ok := tags[captureRateTag]
		if !ok {
			continue
		}
		fps, err := strconv.ParseFloat(s, 64)
		if err != nil || !(fps >= 1 && fps <= 100_000) {
			return 0, fmt.Errorf("the tag %s says %q, which is no rate, and was left out", captureRateTag, s)
		}
		return fps, nil
	}
	return 0, nil
}

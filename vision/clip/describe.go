package clip

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"nightcage/vision"
)

// describe turns what was found in a file into a Clip, or says why there is
// none: an *Error.
func describe(name string, p *probed, jobFPS float64) (vision.Clip, error) {
	c := vision.Clip{Name: name}
	if e := describePicture(&c, p); e != nil {
		e.Clip = name
		return vision.Clip{}, e
	}
	ms, e := presentation(&c, p)
	if e != nil {
		e.Clip = name
		return vision.Clip{}, e
	}
	setFocal(&c, p)
	c.Filmed = filmed(p)
	tag, err := captureTag(p)
	if err != nil {
		c.Notes = append(c.Notes, err.Error())
	}
	if jobFPS != 0 && !isRate(jobFPS) {
		c.Notes = append(c.Notes, fmt.Sprintf("the capture rate told, %v, is no rate and was left out", jobFPS))
		jobFPS = 0
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

func refuse(k Kind, format string, a ...any) *Error {
	return &Error{Kind: k, Reason: fmt.Sprintf(format, a...)}
}

// describePicture fills what c says of the picture: size, turn, codec.
func describePicture(c *vision.Clip, p *probed) *Error {
	st := p.video()
	if st == nil {
		return refuse(NoVideoStream, "The file holds sound or data but no moving picture.")
	}
	if e := usable(st); e != nil {
		return e
	}
	aspect, err := pixelAspect(st.SAR)
	if err != nil {
		return &Error{Kind: Unsupported, Reason: "The file says that its picture is to be stretched beyond all measure.", Err: err}
	}
	c.Codec, c.PixelFormat, c.PixelAspect = st.CodecName, st.PixFmt, aspect
	if st.Transfer != "" && st.Transfer != "unknown" {
		c.Transfer = st.Transfer
	}
	if aspect != 0 {
		c.Notes = append(c.Notes, fmt.Sprintf("the picture is stored with oblong points (%s) and was stretched to square ones", st.SAR))
	}
	if n := p.videos(); n > 1 {
		c.Notes = append(c.Notes, fmt.Sprintf("the file holds %d videos; the first was looked at", n))
	}
	c.Width, c.Height = squared(st.Width, st.Height, aspect)
	return turn(c, st)
}

// usable says why a video's pictures cannot be measured in, whatever they show.
func usable(st *stream) *Error {
	switch {
	case st.CodecName == "" || st.CodecName == "unknown" || st.Width <= 0 || st.Height <= 0:
		return refuse(Damaged, "The file names a video but does not say how its pictures are stored.")
	case st.Width > MaxSidePx || st.Height > MaxSidePx:
		return refuse(TooLarge, "The picture is %d x %d pixels; no side may be over %d.", st.Width, st.Height, MaxSidePx)
	case st.Width < MinSidePx || st.Height < MinSidePx:
		return refuse(Unsupported, "The picture is only %d x %d pixels; nobody can be measured in it.", st.Width, st.Height)
	case st.FieldOrder != "" && st.FieldOrder != "progressive" && st.FieldOrder != "unknown":
		return refuse(Unsupported, "The clip is interlaced, as broadcast is: every picture mixes two instants, so a moving bat shows twice. Film progressive (the camera's setting with a p), or send the camera's own file.")
	}
	return nil
}

// turn fills how the stored picture is made upright.
func turn(c *vision.Clip, st *stream) *Error {
	for _, d := range st.SideData {
		if d.Matrix == "" {
			continue
		}
		m, err := parseMatrix(d.Matrix)
		if err != nil {
			return &Error{Kind: Damaged, Reason: "The file's note on how to turn the picture makes no sense.", Err: err}
		}
		o, err := orient(m)
		if err != nil {
			return &Error{Kind: Unsupported, Reason: "The file asks for the picture to be turned by something other than a quarter turn.", Err: err}
		}
		c.RotationDeg, c.Mirrored = o.turnDeg, o.mirrored
	}
	if c.RotationDeg%180 != 0 {
		c.Width, c.Height = c.Height, c.Width
	}
	return nil
}

// maxDoubled is the share of pictures that may claim the instant of another.
// Phones that fall behind now and then stamp two pictures alike.
const maxDoubled = 0.05

// presentation returns when the pictures are shown, ms from the first,
// ascending, and fills what c says of it.
func presentation(c *vision.Clip, p *probed) ([]float64, *Error) {
	pts, total, e := shown(p)
	if e != nil {
		return nil, e
	}
	st := p.video()
	if n, err := strconv.Atoi(st.NbFrames); err == nil && n > total {
		c.Notes = append(c.Notes, fmt.Sprintf("the file promises %d pictures and holds %d: it was cut short", n, total))
	}
	tick, err := timeBase(st.TimeBase)
	if err != nil {
		return nil, &Error{Kind: Damaged, Reason: "The file's clock makes no sense.", Err: err}
	}
	ms := make([]float64, 0, len(pts))
	for _, t := range pts {
		// Differences of whole ticks can be more than an int64 holds.
		at := (float64(t) - float64(pts[0])) * tick * 1000
		if n := len(ms); n == 0 || at > ms[n-1] {
			ms = append(ms, at)
		}
	}
	doubled := len(pts) - len(ms)
	switch last := ms[len(ms)-1]; {
	case last > float64(MaxDuration.Milliseconds()):
		return nil, refuse(TooLarge, "The clip lasts %.0f minutes; cut the swing out of it.", last/60000)
	case float64(doubled) > maxDoubled*float64(len(pts)) || len(ms) < MinFrames:
		return nil, refuse(Damaged, "Of %d pictures of the clip %d claim the same instant as another.", len(pts), doubled)
	case doubled > 0:
		c.Notes = append(c.Notes, fmt.Sprintf("%d pictures claim the same instant as another and were left out", doubled))
	}
	c.DurationMs, c.FirstPTSMs = ms[len(ms)-1], float64(pts[0])*tick*1000
	if d, err := strconv.ParseFloat(p.Format.Duration, 64); err == nil && 1000*d > 2*c.DurationMs+10_000 {
		c.Notes = append(c.Notes, fmt.Sprintf("the file says that it lasts %.0f s; its pictures last %.1f s", d, c.DurationMs/1000))
	}
	return ms, nil
}

// shown lists the presentation times of the pictures that are shown, ticks,
// ascending, and how many pictures the file holds.
func shown(p *probed) (pts []int64, total int, e *Error) {
	for _, k := range p.Packets {
		if k.Stream != p.video().Index {
			continue
		}
		total++
		if strings.Contains(k.Flags, "D") {
			continue // before an edit list's start: decoded but never shown
		}
		if k.PTS == nil {
			return nil, 0, refuse(Unsupported, "The file does not say when its pictures are to be shown; convert it to mp4.")
		}
		pts = append(pts, *k.PTS)
	}
	switch {
	case len(pts) < MinFrames:
		return nil, 0, refuse(TooShort, "The clip has %d pictures; at least %d are needed.", len(pts), MinFrames)
	case len(pts) > MaxFrames:
		return nil, 0, refuse(TooLarge, "The clip has %d pictures; cut the swing out of it.", len(pts))
	}
	slices.Sort(pts)
	return pts, total, nil
}

// timeBase reads "1/15360" as seconds per tick.
func timeBase(s string) (float64, error) {
	v, ok := quantity(s, "")
	if !ok || !(v > 0) || !strings.Contains(s, "/") {
		return 0, fmt.Errorf("time base %q", s)
	}
	return v, nil
}

// pixelAspect reads "4:3" as the width of a stored point over its height; 0
// stands for square, as good as square, and untold.
func pixelAspect(s string) (float64, error) {
	const (
		asGood = 0.005 // of rounding a size to whole or even pixels
		most   = 4     // anamorphic lenses squeeze by 2 at most
	)
	if s == "" || s == "N/A" || strings.HasPrefix(s, "0:") {
		return 0, nil
	}
	num, den, found := strings.Cut(s, ":")
	a, err1 := strconv.ParseFloat(num, 64)
	b, err2 := strconv.ParseFloat(den, 64)
	if v := a / b; found && err1 == nil && err2 == nil && v >= 1./most && v <= most {
		if math.Abs(v-1) <= asGood {
			return 0, nil
		}
		return v, nil
	}
	return 0, fmt.Errorf("sample aspect ratio %q", s)
}

// squared is the size, px, that a stored picture has once its points are square:
// the shorter side of a point is stretched, so that nothing is lost.
func squared(width, height int, aspect float64) (w, h int) {
	switch {
	case aspect > 1:
		return int(math.Round(float64(width) * aspect)), height
	case aspect > 0:
		return width, int(math.Round(float64(height) / aspect))
	}
	return width, height
}

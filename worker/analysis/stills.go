package analysis

import (
	"cmp"
	"context"
	"fmt"
	"image"
	"image/color"
	"math"
	"slices"

	"gocv.io/x/gocv"

	"nightcage/metrics"
	"nightcage/phases"
	"nightcage/vision"
	"nightcage/vision/clip"
)

// Still is one frame of the clip with the lines a coach would draw on it.
type Still struct {
	Event phases.EventID
	Frame int // index into Clip.Times
	JPEG  []byte
}

// stillEvents are the instants a coach shows to a player.
var stillEvents = []phases.EventID{phases.ToeTouch, phases.HeelPlant, phases.BatParallel, phases.Contact}

// stillLines is how many lines a still has, at least, whose clip has more: a 4K clip's
// are made half as large, which a phone still shows whole.
const stillLines = 1080

// jpegQuality keeps bat edges free of ringing at some 200 kB a 720p picture.
const jpegQuality = 90

// The pen's colours (BGR order is gocv's concern; these are RGBA). Chosen to
// differ in lightness as well as hue, so that they stay apart for a
// colour-blind reader and on a grey print.
var (
	inkBat   = color.RGBA{R: 255, G: 196, B: 0, A: 255}
	inkTrail = color.RGBA{R: 255, G: 120, B: 60, A: 255}
	inkBody  = color.RGBA{R: 120, G: 220, B: 255, A: 255}
	inkLine  = color.RGBA{R: 255, G: 255, B: 255, A: 255}
	inkShade = color.RGBA{R: 12, G: 18, B: 28, A: 255}
)

// drawStills reads the clip once more and draws, for each found event of
// stillEvents, the frame nearest to it of those looked at. Events that were not found
// have no still.
func drawStills(ctx context.Context, path string, res *Result) ([]Still, error) {
	name := res.Track.Clip.Name
	var drawn []phases.Event
	for _, e := range res.Timeline.Events {
		if e.Found && slices.Contains(stillEvents, e.ID) {
			drawn = append(drawn, e)
		}
	}
	if len(drawn) == 0 {
		return nil, nil
	}
	slices.SortStableFunc(drawn, func(a, b phases.Event) int { return cmp.Compare(a.Frame, b.Frame) })
	r, err := clip.Open(ctx, res.Track.Clip, path)
	if err != nil {
		return nil, fmt.Errorf("open clip %s for its stills: %w", name, err)
	}
	defer r.Close()
	drawnOn := *res
	drawnOn.Track = smaller(res.Track, max(1, min(res.Track.Clip.Width, res.Track.Clip.Height)/stillLines))
	r.Shrink(res.Track.Clip.Width / drawnOn.Track.Clip.Width)
	var out []Still
	var p clip.Frame // the last read
	for _, e := range drawn {
		f := nearest(&drawnOn.Track, e.Frame)
		if len(out) == 0 || p.Index != f.Index {
			if err := r.Seek(ctx, f.Index); err != nil {
				return nil, fmt.Errorf("read clip %s for its stills: %w", name, err)
			}
			if p, err = r.Next(ctx); err != nil {
				return nil, fmt.Errorf("read clip %s for its stills: %w", name, err)
			}
		}
		still, err := drawStill(p.BGR, e, f, &drawnOn)
		if err != nil {
			return nil, fmt.Errorf("draw the %s still of clip %s: %w", e.ID, name, err)
		}
		out = append(out, still)
	}
	return out, nil
}

// nearest is the frame of a track nearest to a place in the clip, which may lie
// between two.
func nearest(t *vision.Track, frame float64) *vision.Frame {
	best := &t.Frames[0]
	for i := range t.Frames {
		if f := &t.Frames[i]; math.Abs(float64(f.Index)-frame) < math.Abs(float64(best.Index)-frame) {
			best = f
		}
	}
	return best
}

func drawStill(picture gocv.Mat, e phases.Event, f *vision.Frame, res *Result) (Still, error) {
	img := picture.Clone()
	defer img.Close()
	pen := newPen(&img)
	pen.trail(res, f, e.ID)
	pen.body(f, res.Track.Hand, e.ID)
	pen.bat(f)
	if err := pen.caption(captionLines(e, f, res)); err != nil {
		return Still{}, err
	}
	buf, err := gocv.IMEncodeWithParams(gocv.JPEGFileExt, img, []int{gocv.IMWriteJpegQuality, jpegQuality})
	if err != nil {
		return Still{}, fmt.Errorf("encode: %w", err)
	}
	defer buf.Close()
	return Still{Event: e.ID, Frame: f.Index, JPEG: append([]byte(nil), buf.GetBytes()...)}, nil
}

// pen draws on one picture, with strokes sized to it.
type pen struct {
	img    *gocv.Mat
	stroke int // px
}

func newPen(img *gocv.Mat) *pen {
	return &pen{img: img, stroke: max(2, img.Rows()/360)}
}

func at(m vision.Mark) image.Point {
	return image.Pt(int(math.Round(m.X)), int(math.Round(m.Y)))
}

// line draws a haloed stroke, so that it reads on light and dark ground.
func (p *pen) line(a, b image.Point, ink color.RGBA) {
	gocv.Line(p.img, a, b, inkShade, p.stroke+2)
	gocv.Line(p.img, a, b, ink, p.stroke)
}

func (p *pen) dot(a image.Point, ink color.RGBA) {
	gocv.Circle(p.img, a, p.stroke*2+1, inkShade, -1)
	gocv.Circle(p.img, a, p.stroke*2, ink, -1)
}

// join draws a line between two marks when both were found.
func (p *pen) join(a, b vision.Mark, ink color.RGBA) {
	if a.Found() && b.Found() {
		p.line(at(a), at(b), ink)
	}
}

func (p *pen) bat(f *vision.Frame) {
	p.join(f.Knob, f.Tip, inkBat)
	for _, m := range []vision.Mark{f.Knob, f.Tip} {
		if m.Found() {
			p.dot(at(m), inkBat)
		}
	}
}

// body draws the lines the event is read from: shoulders, spine and base
// always; hips at plant and contact; the lead leg from plant on.
func (p *pen) body(f *vision.Frame, hand vision.Hand, e phases.EventID) {
	if len(f.Body) != vision.NumLandmarks {
		return
	}
	b := f.Body
	p.join(b[vision.LeftShoulder], b[vision.RightShoulder], inkBody)
	sh, hip := mid(b[vision.LeftShoulder], b[vision.RightShoulder]), mid(b[vision.LeftHip], b[vision.RightHip])
	p.join(sh, hip, inkBody)
	p.join(b[vision.LeftAnkle], b[vision.RightAnkle], inkLine)
	if e != phases.ToeTouch {
		p.join(b[vision.LeftHip], b[vision.RightHip], inkBody)
		knee := hand.Lead(vision.LeftKnee)
		p.join(b[hand.Lead(vision.LeftHip)], b[knee], inkBody)
		p.join(b[knee], b[hand.Lead(vision.LeftAnkle)], inkBody)
	}
	p.join(b[hand.Lead(vision.LeftElbow)], b[hand.Lead(vision.LeftWrist)], inkBody)
	if f.Head.Found() && f.HeadRadiusPx > 0 {
		gocv.Circle(p.img, at(f.Head), int(f.HeadRadiusPx), inkShade, p.stroke+1)
		gocv.Circle(p.img, at(f.Head), int(f.HeadRadiusPx), inkLine, max(1, p.stroke-1))
	}
}

func mid(a, b vision.Mark) vision.Mark {
	if !a.Found() || !b.Found() {
		return vision.Mark{}
	}
	return vision.Mark{X: (a.X + b.X) / 2, Y: (a.Y + b.Y) / 2, How: a.How}
}

// trail draws the barrel's way from bat parallel to this frame, moved by the
// camera's own motion so that it lies right in this picture.
func (p *pen) trail(res *Result, here *vision.Frame, e phases.EventID) {
	if e != phases.Contact {
		return
	}
	from := math.Inf(1)
	for _, ev := range res.Timeline.Events {
		if ev.ID == phases.BatParallel && ev.Found {
			from = math.Floor(ev.Frame)
		}
	}
	var prev *image.Point
	for i := range res.Track.Frames {
		f := &res.Track.Frames[i]
		if float64(f.Index) < from || f.Index > here.Index || !f.Tip.Found() {
			continue
		}
		x, y := f.Shift.Apply(f.Tip.X, f.Tip.Y)
		x, y = here.Shift.Undo(x, y)
		pt := image.Pt(int(math.Round(x)), int(math.Round(y)))
		if prev != nil {
			p.line(*prev, pt, inkTrail)
		}
		prev = &pt
	}
}

// captionLines names the event and lists the measures read at it alone, the
// surest first.
func captionLines(e phases.Event, f *vision.Frame, res *Result) []string {
	clock := fmt.Sprintf("frame %d", f.Index)
	if res.Track.Clip.Clock.Known {
		clock = fmt.Sprintf("%.0f \u00b1 %.0f ms", e.Ms, 1.96*e.SigmaMs)
	}
	lines := []string{fmt.Sprintf("%s  %s", words(e.ID), clock)}
	for _, g := range []metrics.Grade{metrics.GradeMeasured, metrics.GradeEstimated} {
		for _, m := range res.Swing.Measures {
			if m.Grade != g || len(lines) > maxCaptionMeasures {
				continue
			}
			if d, ok := metrics.Lookup(m.ID); ok && len(d.Events) == 1 && d.Events[0] == e.ID {
				lines = append(lines, fmt.Sprintf("%s  %s", d.Name, metrics.Text(m)))
			}
		}
	}
	return lines
}

// maxCaptionMeasures keeps the caption clear of the hitter.
const maxCaptionMeasures = 7

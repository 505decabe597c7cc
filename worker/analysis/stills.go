package analysis

import (
	"context"
	"errors"
	"fmt"
	"image"
	"image/color"
	"io"
	"math"

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

// drawStills reads the clip once more and draws the frame nearest each found
// event of stillEvents. Events that were not found have no still.
func drawStills(ctx context.Context, path string, res *Result, steps *steps) ([]Still, error) {
	want := map[int][]phases.Event{}
	first, last := math.MaxInt, -1
	for _, e := range res.Timeline.Events {
		for _, id := range stillEvents {
			if e.ID == id && e.Found {
				i := int(math.Round(e.Frame))
				want[i] = append(want[i], e)
				first, last = min(first, i), max(last, i)
			}
		}
	}
	if last < 0 {
		return nil, nil
	}
	r, err := clip.Open(ctx, res.Track.Clip, path)
	if err != nil {
		return nil, fmt.Errorf("open clip %s for its stills: %w", res.Track.Clip.Name, err)
	}
	defer r.Close()
	if err := r.Seek(ctx, first); err != nil {
		return nil, fmt.Errorf("read clip %s for its stills: %w", res.Track.Clip.Name, err)
	}
	var out []Still
	for {
		f, err := r.Next(ctx)
		if errors.Is(err, io.EOF) || (err == nil && f.Index > last) {
			return out, nil
		}
		if err != nil {
			return nil, fmt.Errorf("read clip %s for its stills: %w", res.Track.Clip.Name, err)
		}
		steps.frame()
		for _, e := range want[f.Index] {
			s, err := drawStill(f.BGR, e, res)
			if err != nil {
				return nil, fmt.Errorf("draw the %s still of clip %s: %w", e.ID, res.Track.Clip.Name, err)
			}
			out = append(out, s)
		}
	}
}

func drawStill(frame gocv.Mat, e phases.Event, res *Result) (Still, error) {
	img := frame.Clone()
	defer img.Close()
	at := int(math.Round(e.Frame))
	pen := newPen(&img)
	for k := range res.Track.Frames {
		if res.Track.Frames[k].Index != at {
			continue
		}
		fr := &res.Track.Frames[k]
		pen.trail(res, at, e.ID)
		pen.body(fr, res.Track.Hand, e.ID)
		pen.bat(fr)
	}
	if err := pen.caption(captionLines(e, res)); err != nil {
		return Still{}, err
	}
	buf, err := gocv.IMEncodeWithParams(gocv.JPEGFileExt, img, []int{gocv.IMWriteJpegQuality, jpegQuality})
	if err != nil {
		return Still{}, fmt.Errorf("encode: %w", err)
	}
	defer buf.Close()
	return Still{Event: e.ID, Frame: at, JPEG: append([]byte(nil), buf.GetBytes()...)}, nil
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
func (p *pen) trail(res *Result, frame int, e phases.EventID) {
	if e != phases.Contact {
		return
	}
	from := math.Inf(1)
	for _, ev := range res.Timeline.Events {
		if ev.ID == phases.BatParallel && ev.Found {
			from = math.Floor(ev.Frame)
		}
	}
	var here vision.Affine
	for i := range res.Track.Frames {
		if res.Track.Frames[i].Index == frame {
			here = res.Track.Frames[i].Shift
		}
	}
	var prev *image.Point
	for i := range res.Track.Frames {
		f := &res.Track.Frames[i]
		if float64(f.Index) < from || f.Index > frame || !f.Tip.Found() {
			continue
		}
		x, y := f.Shift.Apply(f.Tip.X, f.Tip.Y)
		x, y = here.Undo(x, y)
		pt := image.Pt(int(math.Round(x)), int(math.Round(y)))
		if prev != nil {
			p.line(*prev, pt, inkTrail)
		}
		prev = &pt
	}
}

// captionLines names the event and lists the measures read at it alone, the
// surest first.
func captionLines(e phases.Event, res *Result) []string {
	clock := fmt.Sprintf("frame %d", int(math.Round(e.Frame)))
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

package sheet

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"image"
	"io"
	"math"
	"os"
	"os/exec"
	"strconv"
	"strings"

	"gocv.io/x/gocv"

	"nightcage/phases"
	"nightcage/vision"
	"nightcage/vision/clip"
	"nightcage/worker/analysis"
)

// ErrClipGone: the clip is not where it was submitted from, or has other bytes.
var ErrClipGone = errors.New("the clip is not there any more as it was measured")

const (
	filmFPS  = 30
	slowdown = 4.0 // a swing of half a second plays for two
	holdMs   = 900 // of playing time, at the instants with a caption
	longSide = 720 // px, of the film
	leadMs   = 150 // of the swing, before its first event and after its last
	jpegGood = 88
)

// held are the instants that the film stops at.
var held = []phases.EventID{phases.ToeTouch, phases.Contact}

// Words is an event's id as a player reads it.
func Words(id phases.EventID) string { return strings.ReplaceAll(string(id), "_", " ") }

// shot is a frame of the clip in the film.
type shot struct {
	frame   int
	repeat  int // pictures of the film
	caption string
}

// shots lays out the film: every picture of the clip, looked at or not, from before the
// first event to after the last, four times slower than it was, held for a moment where
// there is something to see. Without a clock every picture is shown twice.
func shots(t vision.Track, tl phases.Timeline) []shot {
	from, to := math.Inf(1), math.Inf(-1)
	at := map[int]string{}
	for _, e := range tl.Events {
		if !e.Found {
			continue
		}
		from, to = min(from, e.Frame), max(to, e.Frame)
		for _, id := range held {
			if e.ID == id {
				at[int(math.Round(e.Frame))] = Words(id)
			}
		}
	}
	fps := t.Clip.Clock.CaptureFPS
	per := 2.0 // pictures a frame
	lead := 4.0
	if t.Clip.Clock.Known && fps > 0 {
		per, lead = filmFPS*slowdown/fps, leadMs*fps/1000
	}
	var out []shot
	due := 0.0
	if len(t.Frames) == 0 {
		return nil
	}
	for i := t.Frames[0].Index; i <= t.Frames[len(t.Frames)-1].Index; i++ {
		if f := float64(i); f < from-lead || f > to+lead {
			continue
		}
		due += per
		s := shot{frame: i, repeat: int(due)}
		due -= math.Floor(due)
		if words := at[i]; words != "" {
			s.caption, s.repeat = words, s.repeat+filmFPS*holdMs/1000
		}
		if s.repeat > 0 {
			out = append(out, s)
		}
	}
	return out
}

// Still draws the frame nearest an event and returns it as a JPEG.
//
// Errors: ErrClipGone, those of clip.Open and its Reader, analysis.ErrNotTracked.
func Still(ctx context.Context, path string, t vision.Track, tl phases.Timeline, e phases.Event) ([]byte, error) {
	if err := same(path, t.Clip); err != nil {
		return nil, err
	}
	var out []byte
	frame := int(math.Round(e.Frame))
	cut := around(t, []shot{{frame: frame}})
	err := each(ctx, path, t.Clip, []shot{{frame: frame}}, func(s shot, img *gocv.Mat) error {
		if err := sketch(img, t, tl, frame); err != nil {
			return err
		}
		part := img.Region(cut)
		defer part.Close()
		buf, err := gocv.IMEncodeWithParams(gocv.JPEGFileExt, part, []int{gocv.IMWriteJpegQuality, jpegGood})
		if err != nil {
			return err
		}
		defer buf.Close()
		out = bytes.Clone(buf.GetBytes())
		return nil
	})
	if err == nil && out == nil {
		err = analysis.ErrNotTracked
	}
	if err != nil {
		return nil, fmt.Errorf("still of clip %s: %w", t.Clip.Name, err)
	}
	return out, nil
}

// sketch draws the lines of a frame, those of vision.Track.At where it was not looked
// at. The error is analysis.ErrNotTracked where it has none.
func sketch(img *gocv.Mat, t vision.Track, tl phases.Timeline, frame int) error {
	with, _ := t.With(frame)
	return analysis.Sketch(img, with, tl, frame)
}

// Film writes the swing, slowed, with its lines, as MP4 (H.264) to the file mp4 and
// as GIF to the file gif. Neither has sound or any of the clip's own tags.
//
// Errors: as Still's, and what ffmpeg says.
func Film(ctx context.Context, path string, t vision.Track, tl phases.Timeline, mp4, gif string) error {
	if err := same(path, t.Clip); err != nil {
		return err
	}
	list := shots(t, tl)
	if len(list) == 0 {
		return fmt.Errorf("film of clip %s: %w", t.Clip.Name, analysis.ErrNotTracked)
	}
	cut := around(t, list)
	size := filmSize(cut)
	var said bytes.Buffer
	enc := exec.CommandContext(ctx, "ffmpeg", "-hide_banner", "-loglevel", "error", "-y",
		"-f", "rawvideo", "-pix_fmt", "bgr24", "-s", fmt.Sprintf("%dx%d", size.X, size.Y), "-r", strconv.Itoa(filmFPS), "-i", "-",
		"-c:v", "libx264", "-crf", "23", "-pix_fmt", "yuv420p", "-movflags", "+faststart", mp4)
	enc.Stderr = &said
	in, err := enc.StdinPipe()
	if err == nil {
		err = enc.Start()
	}
	if err != nil {
		return fmt.Errorf("film of clip %s: %w", t.Clip.Name, err)
	}
	err = errors.Join(draw(ctx, path, t, tl, list, cut, in), in.Close())
	if werr := enc.Wait(); werr != nil {
		err = fmt.Errorf("%w: %s", werr, strings.TrimSpace(said.String()))
	}
	if err != nil {
		return fmt.Errorf("film of clip %s: %w", t.Clip.Name, err)
	}
	// Messengers show a GIF where they do not play a film; a palette of its own keeps
	// the thin lines clean.
	out, err := exec.CommandContext(ctx, "ffmpeg", "-hide_banner", "-loglevel", "error", "-y", "-i", mp4,
		"-vf", "fps=8,scale=w=320:h=320:force_original_aspect_ratio=decrease:flags=lanczos,split[a][b];[a]palettegen=max_colors=64[p];[b][p]paletteuse=dither=bayer",
		gif).CombinedOutput()
	if err != nil {
		return fmt.Errorf("film of clip %s as GIF: %w: %s", t.Clip.Name, err, strings.TrimSpace(string(out)))
	}
	return nil
}

// around is the part of the picture that the hitter and the bat keep to in the frames
// of list, with some ground and sky about them; all of it when neither was found.
func around(t vision.Track, list []shot) image.Rectangle {
	var box image.Rectangle
	for _, s := range list {
		f, _ := t.At(s.frame)
		for _, m := range append(f.Body[:len(f.Body):len(f.Body)], f.Head, f.Knob, f.Tip) {
			if m.Found() {
				x, y := int(m.X), int(m.Y)
				box = box.Union(image.Rect(x, y, x+1, y+1))
			}
		}
	}
	all := image.Rect(0, 0, t.Clip.Width, t.Clip.Height)
	if box = box.Inset(-max(box.Dx(), box.Dy()) / 8).Intersect(all); box.Empty() {
		return all
	}
	return box
}

// filmSize is the size of the film: small, and even as H.264 wants it.
func filmSize(cut image.Rectangle) image.Point {
	by := min(1, longSide/float64(max(cut.Dx(), cut.Dy())))
	even := func(n int) int { return max(2, int(float64(n)*by)/2*2) }
	return image.Pt(even(cut.Dx()), even(cut.Dy()))
}

// draw sends the pictures of the film to w.
func draw(ctx context.Context, path string, t vision.Track, tl phases.Timeline, list []shot, cut image.Rectangle, w io.Writer) error {
	size := filmSize(cut)
	small := gocv.NewMat()
	defer small.Close()
	return each(ctx, path, t.Clip, list, func(s shot, img *gocv.Mat) error {
		// A picture far from all that were looked at is shown without lines.
		if err := sketch(img, t, tl, s.frame); err != nil && !errors.Is(err, analysis.ErrNotTracked) {
			return err
		}
		part := img.Region(cut)
		defer part.Close()
		gocv.Resize(part, &small, size, 0, 0, gocv.InterpolationArea)
		if s.caption != "" {
			if err := analysis.Caption(&small, s.caption); err != nil {
				return err
			}
		}
		px, err := small.DataPtrUint8()
		if err != nil {
			return err
		}
		for range s.repeat {
			if _, err := w.Write(px); err != nil {
				return err
			}
		}
		return nil
	})
}

// each decodes the frames of list, which ascend, and hands each over to be drawn
// on. A frame that does not decode is passed over.
func each(ctx context.Context, path string, c vision.Clip, list []shot, do func(shot, *gocv.Mat) error) error {
	r, err := clip.Open(ctx, c, path)
	if err != nil {
		return err
	}
	defer r.Close()
	if err := r.Seek(ctx, list[0].frame); err != nil {
		return err
	}
	for len(list) > 0 {
		f, err := r.Next(ctx)
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		for len(list) > 0 && list[0].frame < f.Index {
			list = list[1:]
		}
		if len(list) == 0 || list[0].frame != f.Index {
			continue
		}
		img := f.BGR.Clone()
		err = do(list[0], &img)
		if cerr := img.Close(); err == nil {
			err = cerr
		}
		if err != nil {
			return err
		}
		list = list[1:]
	}
	return nil
}

// same holds the file against the hash of the clip that was measured.
func same(path string, c vision.Clip) error {
	f, err := os.Open(path)
	if err != nil {
		return fmt.Errorf("clip %s: %w: %w", c.Name, ErrClipGone, err)
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return fmt.Errorf("clip %s: %w: %w", c.Name, ErrClipGone, err)
	}
	if hex.EncodeToString(h.Sum(nil)) != c.SHA256 {
		return fmt.Errorf("clip %s: %w", c.Name, ErrClipGone)
	}
	return nil
}

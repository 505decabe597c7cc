package clip

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"

	"gocv.io/x/gocv"

	"nightcage/vision"
)

// damagedPackets is how many packets in a row may decode to nothing beyond the
// pictures still missing before the file counts as read to its end.
const damagedPackets = 32

// Frame is one picture of the clip.
type Frame struct {
	Index int      // into Clip.Times
	BGR   gocv.Mat // upright, 8 bits, Clip.Height x Clip.Width x 3, or less after Shrink; the Reader's own, valid until the next call
}

// Reader decodes a clip picture by picture, in order of presentation. It is
// for one goroutine. Close it.
type Reader struct {
	clip    vision.Clip
	path    string
	capture *capture
	shrink  int
	colour  view
	thumb   view
	gray    gocv.Mat
	grayOK  bool
	upright *gocv.Mat // the last made in colour; nil before the first
	next    int       // index the next picture is expected to have
	last    int       // index of the picture in the decoder, -1 when there is none
	decoded int
	pending int  // index of the picture that Seek decoded for the next Next, else -1
	sought  bool // not every picture has been asked for
}

// Open starts reading the file at path, which Probe described as c.
//
// It fails with an *Error when the file cannot be decoded.
func Open(ctx context.Context, c vision.Clip, path string) (*Reader, error) {
	if err := ctx.Err(); err != nil {
		return nil, fmt.Errorf("open clip %s: %w", c.Name, err)
	}
	full, err := filepath.Abs(path)
	if err != nil {
		return nil, fmt.Errorf("open clip %s: %w", c.Name, err)
	}
	c.Times = slices.Clone(c.Times) // Next marks lost pictures
	r := &Reader{clip: c, path: full, pending: -1, last: -1, shrink: 1}
	if err := r.open(); err != nil {
		return nil, err
	}
	r.colour, r.thumb, r.gray = newView(), newView(), gocv.NewMat()
	return r, nil
}

func (r *Reader) open() error {
	c, err := openCapture(r.path)
	if err != nil {
		return r.undecodable(err)
	}
	r.capture = c
	return nil
}

func (r *Reader) undecodable(err error) error {
	return &Error{Kind: Damaged, Clip: r.clip.Name, Reason: "The pictures in the file cannot be decoded.", Err: err}
}

// Close frees the Reader's native memory, the last Frame's with it.
func (r *Reader) Close() error {
	var err error
	if r.capture != nil {
		err = r.capture.close()
		r.capture = nil
	}
	return errors.Join(err, r.colour.close(), r.thumb.close(), r.gray.Close())
}

// Clip is the clip as known by now: Times[i].Lost is set for pictures that were
// passed over because they did not decode. The slice is a copy.
func (r *Reader) Clip() vision.Clip {
	c := r.clip
	c.Times = slices.Clone(c.Times)
	return c
}

// Next decodes the next picture. After the last it returns io.EOF; by then
// every picture that did not decode is marked in Clip. A file read through of
// which fewer than MinFrames pictures decode ends with an *Error of kind
// Damaged instead.
func (r *Reader) Next(ctx context.Context) (Frame, error) {
	if _, err := r.Skip(ctx); err != nil {
		return Frame{}, err
	}
	return r.Picture()
}

// Skip is Next without the picture, at the price of decoding it: Picture and Thumb
// give it while it is the last.
func (r *Reader) Skip(ctx context.Context) (index int, err error) {
	i := r.pending
	if r.pending = -1; i < 0 {
		i, err = r.advance(ctx)
	}
	return i, err
}

// Picture is the picture that Skip decoded last.
func (r *Reader) Picture() (Frame, error) {
	if err := r.current(); err != nil {
		return Frame{}, err
	}
	made, err := r.make(&r.colour, r.shrink, false)
	if err != nil {
		return Frame{}, err
	}
	r.upright, r.grayOK = made, false
	return Frame{Index: r.last, BGR: *made}, nil
}

// current fails when there is no picture to make.
func (r *Reader) current() error {
	if r.capture == nil {
		return fmt.Errorf("decode clip %s: %w", r.clip.Name, os.ErrClosed)
	}
	if r.last < 0 {
		return fmt.Errorf("decode clip %s: no picture has been decoded", r.clip.Name)
	}
	return nil
}

// advance decodes the next listed picture, and leaves its points in the decoder.
func (r *Reader) advance(ctx context.Context) (index int, err error) {
	for failed := 0; ; failed++ {
		if err := ctx.Err(); err != nil {
			return 0, fmt.Errorf("decode clip %s: %w", r.clip.Name, err)
		}
		if r.capture == nil {
			return 0, fmt.Errorf("decode clip %s: %w", r.clip.Name, os.ErrClosed)
		}
		left := len(r.clip.Times) - r.next
		if left == 0 || failed > left+damagedPackets {
			return 0, r.finish()
		}
		switch r.capture.decode() {
		case damaged:
			continue
		case ended:
			return 0, r.finish()
		}
		i, ok := r.place(r.ms())
		if !ok {
			continue // a picture the container does not list
		}
		for j := r.next; j < i; j++ {
			r.clip.Times[j].Lost = true
		}
		r.at(i)
		return i, nil
	}
}

// ms is when the picture decoded last is shown, as FrameTime.PTSMs; not a number
// when the file does not say.
func (r *Reader) ms() float64 { return r.capture.ms() - r.clip.FirstPTSMs }

// at makes the picture just decoded the one with index i.
func (r *Reader) at(i int) {
	r.next, r.last = i+1, i
	r.decoded++
}

// near is how many pictures are read over rather than jumped: about as many as
// lie between two key frames of a phone's clip, which a jump decodes anyway.
const near = 60

// Seek makes the next call of Next return the picture with the given index, or
// the first after it that decodes; past the end, Next returns io.EOF. Pictures
// read over on the way cost their decoding only.
func (r *Reader) Seek(ctx context.Context, index int) error {
	if err := ctx.Err(); err != nil {
		return fmt.Errorf("seek in clip %s: %w", r.clip.Name, err)
	}
	index = max(index, 0)
	r.pending = -1
	if index >= r.next && (index <= r.next+near || index >= len(r.clip.Times)) {
		return r.readTo(ctx, index)
	}
	if r.capture == nil {
		return fmt.Errorf("seek in clip %s: %w", r.clip.Name, os.ErrClosed)
	}
	r.sought = true
	known := slices.Clone(r.clip.Times)
	if r.jump(index) {
		if err := r.readTo(ctx, index); err != nil {
			return err
		}
		if r.pending == index {
			return nil
		}
	}
	// Damage, or a container without an index: read from the start.
	r.clip.Times, r.next, r.last, r.pending = known, 0, -1, -1
	if err := r.capture.close(); err != nil {
		return fmt.Errorf("seek in clip %s: %w", r.clip.Name, err)
	}
	r.capture = nil
	if err := r.open(); err != nil {
		return err
	}
	return r.readTo(ctx, index)
}

// readTo reads until the picture with the given index, or the first after it
// that decodes, is pending, or the end is reached.
func (r *Reader) readTo(ctx context.Context, index int) error {
	for r.pending < 0 {
		i, err := r.advance(ctx)
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		if i >= index {
			r.pending = i
		}
	}
	return nil
}

// jump lets FFmpeg seek and sees where it landed, which must not be past index.
func (r *Reader) jump(index int) (landed bool) {
	if !r.capture.seek(r.clip.FirstPTSMs+r.clip.Times[index].PTSMs) || r.capture.decode() != decoded {
		return false
	}
	r.next = 0
	i, ok := r.place(r.ms())
	if math.IsNaN(r.ms()) || !ok || i > index {
		return false
	}
	if r.at(i); i == index {
		r.pending = i
	}
	return true
}

// place finds which listed picture is shown at ms: the nearest at or after the one
// expected next, which it is when ms is not a number.
func (r *Reader) place(ms float64) (index int, ok bool) {
	times := r.clip.Times
	if math.IsNaN(ms) {
		return r.next, true
	}
	i := r.next
	for i+1 < len(times) && math.Abs(times[i+1].PTSMs-ms) < math.Abs(times[i].PTSMs-ms) {
		i++
	}
	if i == r.next && i > 0 && ms < (times[i-1].PTSMs+times[i].PTSMs)/2 {
		return 0, false
	}
	return i, true
}

// finish marks what never came and says how reading ended.
func (r *Reader) finish() error {
	r.last = -1
	for ; r.next < len(r.clip.Times); r.next++ {
		r.clip.Times[r.next].Lost = true
	}
	if r.decoded < MinFrames && !r.sought {
		return &Error{Kind: Damaged, Clip: r.clip.Name,
			Reason: fmt.Sprintf("Of %d pictures only %d can be decoded.", len(r.clip.Times), r.decoded)}
	}
	return io.EOF
}

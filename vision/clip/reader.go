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

// drainReads is how many reads may fail in a row beyond the pictures still
// missing before the file counts as read to its end: decoders hold back up to
// 16 pictures and each damaged packet costs one failed read.
const drainReads = 32

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
	stored  gocv.Mat // as decoded
	shrink  int
	small   gocv.Mat // shrunk, when it is to be
	turned  gocv.Mat // upright, when that differs
	gray    gocv.Mat
	grayOK  bool
	upright *gocv.Mat // stored, small or turned; nil before the first picture
	next    int       // index the next picture is expected to have
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
	r := &Reader{clip: c, path: full, pending: -1, shrink: 1}
	if err := r.open(); err != nil {
		return nil, err
	}
	r.stored, r.small, r.turned, r.gray = gocv.NewMat(), gocv.NewMat(), gocv.NewMat(), gocv.NewMat()
	return r, nil
}

func (r *Reader) open() error {
	c, err := openCapture(r.path)
	if err != nil {
		return &Error{Kind: Damaged, Clip: r.clip.Name, Reason: "The pictures in the file cannot be decoded.", Err: err}
	}
	r.capture = c
	return nil
}

// Close frees the Reader's native memory, the last Frame's with it.
func (r *Reader) Close() error {
	if r.capture != nil {
		r.capture.close()
		r.capture = nil
	}
	return errors.Join(r.stored.Close(), r.small.Close(), r.turned.Close(), r.gray.Close())
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
	for {
		i, err := r.pending, error(nil)
		if r.pending = -1; i < 0 {
			i, err = r.advance(ctx)
		}
		switch {
		case err != nil:
			return Frame{}, err
		case r.capture == nil:
			return Frame{}, fmt.Errorf("decode clip %s: %w", r.clip.Name, os.ErrClosed)
		case r.capture.retrieve(&r.stored):
			if err := r.orient(); err != nil {
				return Frame{}, err
			}
			return Frame{Index: i, BGR: *r.upright}, nil
		}
		r.clip.Times[i].Lost = true
		r.decoded--
	}
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
		if left == 0 || failed > left+drainReads {
			return 0, r.finish()
		}
		if !r.capture.grab() {
			continue // a damaged packet, or the end
		}
		i, ok := r.place(r.capture.ms())
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

// at makes the picture just decoded the one with index i.
func (r *Reader) at(i int) {
	r.next = i + 1
	r.decoded++
}

// near is how many pictures are read over rather than jumped: about as many as
// lie between two key frames of a phone's clip, which a jump decodes anyway.
const near = 60

// Seek makes the next call of Next return the picture with the given index, or
// the first after it that decodes; past the end, Next returns io.EOF.
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
	// Damage; or times too uneven for OpenCV, which seeks by a mean rate and
	// may run off the end. Read from the start.
	r.clip.Times, r.next, r.pending = known, 0, -1
	r.capture.close()
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

// jump lets OpenCV seek and sees where it landed, which must not be past index.
func (r *Reader) jump(index int) (landed bool) {
	r.capture.seek(r.clip.Times[index].PTSMs)
	if !r.capture.grab() {
		return false
	}
	ms := r.capture.ms()
	r.next = 0
	i, ok := r.place(ms)
	if ms <= 0 || !ok || i > index {
		return false
	}
	if r.at(i); i == index {
		r.pending = i
	}
	return true
}

// place finds which listed picture has presentation time ms, at or after the
// one expected next. OpenCV reports 0 for pictures that the decoder held back
// to the end; those come in order.
func (r *Reader) place(ms float64) (index int, ok bool) {
	times := r.clip.Times
	if ms <= 0 {
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
	for ; r.next < len(r.clip.Times); r.next++ {
		r.clip.Times[r.next].Lost = true
	}
	if r.decoded < MinFrames && !r.sought {
		return &Error{Kind: Damaged, Clip: r.clip.Name,
			Reason: fmt.Sprintf("Of %d pictures only %d can be decoded.", len(r.clip.Times), r.decoded)}
	}
	return io.EOF
}

package clip

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"

	"gocv.io/x/gocv"

	"nightcage/vision"
)

// aheadPictures is how many pictures wait at most: enough that neither side waits
// for the other's slower pictures.
const aheadPictures = 2

// Ahead gives wanted pictures of a clip while its own goroutine decodes the next
// ones. It is for one goroutine. Close it.
type Ahead struct {
	reader *Reader
	// views are used in turn: for the pictures that wait, the one being made and
	// the one given last.
	views  [aheadPictures + 2]view
	made   chan Frame
	err    error // why no more are made; read it when made is closed
	stop   context.CancelFunc
	given  *gocv.Mat // BGR of the picture given last, nil before
	gray   gocv.Mat
	grayOK bool
	closed bool
}

// Ahead takes the Reader over and gives those of the pictures wanted, ascending
// indices into Clip.Times, that decode, as Next would after Shrink. The others
// cost their decoding only. It stops when ctx ends. The Reader must not be used
// any more; Ahead's Close closes it.
func (r *Reader) Ahead(ctx context.Context, wanted []int) *Ahead {
	ctx, stop := context.WithCancel(ctx)
	a := &Ahead{reader: r, made: make(chan Frame, aheadPictures), stop: stop, gray: gocv.NewMat()}
	for i := range a.views {
		a.views[i] = newView()
	}
	go func() {
		defer close(a.made)
		a.err = a.read(ctx, wanted)
	}()
	return a
}

// read makes the pictures until there are no more, and says why.
func (a *Ahead) read(ctx context.Context, wanted []int) error {
	r := a.reader
	at, made := -1, 0
	for _, w := range wanted {
		if at < w {
			if err := r.Seek(ctx, w); err != nil {
				return err
			}
			var err error
			if at, err = r.Skip(ctx); err != nil {
				return err
			}
		}
		if at != w {
			continue // did not decode
		}
		m, err := r.make(&a.views[made%len(a.views)], r.shrink, false)
		if err != nil {
			return err
		}
		made++
		select {
		case a.made <- Frame{Index: at, BGR: *m}:
		case <-ctx.Done():
			return fmt.Errorf("decode clip %s: %w", r.clip.Name, ctx.Err())
		}
	}
	return io.EOF
}

// Next is the next picture wanted. It ends as Reader.Next does, with io.EOF after
// the last picture wanted too.
func (a *Ahead) Next(ctx context.Context) (Frame, error) {
	name := a.reader.clip.Name
	if a.closed {
		return Frame{}, fmt.Errorf("decode clip %s: %w", name, os.ErrClosed)
	}
	if err := ctx.Err(); err != nil {
		return Frame{}, fmt.Errorf("decode clip %s: %w", name, err)
	}
	select {
	case f, ok := <-a.made:
		if !ok {
			return Frame{}, a.err
		}
		a.given, a.grayOK = &f.BGR, false
		return f, nil
	case <-ctx.Done():
		return Frame{}, fmt.Errorf("decode clip %s: %w", name, ctx.Err())
	}
}

// Gray is the picture that Next gave last in gray, as Reader.Gray.
func (a *Ahead) Gray() gocv.Mat {
	if a.given != nil && !a.grayOK {
		gocv.CvtColor(*a.given, &a.gray, gocv.ColorBGRToGray)
		a.grayOK = true
	}
	return a.gray
}

// Clip ends the reading, and is the clip as known by then, with the pictures that
// were passed over because they did not decode marked.
func (a *Ahead) Clip() vision.Clip {
	a.end()
	return a.reader.Clip()
}

// end waits until the goroutine has ended. Pictures that wait are lost.
func (a *Ahead) end() {
	a.stop()
	for range a.made {
	}
}

// Close ends the reading and frees the native memory, the Reader's with it.
func (a *Ahead) Close() error {
	if a.closed {
		return nil
	}
	a.closed = true
	a.end()
	err := errors.Join(a.reader.Close(), a.gray.Close())
	for i := range a.views {
		err = errors.Join(err, a.views[i].close())
	}
	return err
}

package room

import (
	"container/list"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"image"
	"io"
	"os"
	"sync"

	"gocv.io/x/gocv"

	"nightcage/vision"
	"nightcage/vision/clip"
)

// Browsers seek a video to within a few pictures of where they are told; a coach
// needs the very picture. So pictures are decoded here, by the reader that the
// measures came from, and sent one by one.
const (
	// reelFrames pictures are decoded at a time: some 0.3 s of work.
	reelFrames = 32
	// filmBytes is how much is kept: four slow-motion swings. Pictures are kept in
	// memory alone, so that there is no second copy of a clip to forget.
	filmBytes = 128 << 20
	// filmSide is the longest side of a picture that is sent, px.
	filmSide = 1280
	// filmQuality keeps a reel's pictures near 50 kB each.
	filmQuality = 78
)

// errNoClip: the file behind a swing cannot be shown.
var errNoClip = errors.New("the clip cannot be shown")

// film hands out pictures of clips, frame by frame. It may be used by several
// goroutines; one decodes at a time.
type film struct {
	mu    sync.Mutex
	reels map[reelKey]*list.Element
	order *list.List // of *reel, last used first
	bytes int
	whole map[string]bool // path, size and time of files whose hash was right
}

type reelKey struct {
	sha256 string
	first  int // index of its first picture, a multiple of reelFrames
}

// reel is reelFrames consecutive pictures, JPEG; nil where one did not decode or
// is past the end.
type reel struct {
	key   reelKey
	jpegs [reelFrames][]byte
	bytes int
}

func newFilm() *film {
	return &film{reels: map[reelKey]*list.Element{}, order: list.New(), whole: map[string]bool{}}
}

// reel returns the pictures around index of the file at path, which is c. The
// error is errNoClip when the file is not there or has other bytes than it had.
func (f *film) reel(ctx context.Context, path string, c vision.Clip, index int) (*reel, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	key := reelKey{c.SHA256, index - index%reelFrames}
	if e, ok := f.reels[key]; ok {
		f.order.MoveToFront(e)
		return e.Value.(*reel), nil
	}
	if err := f.check(path, c); err != nil {
		return nil, err
	}
	r, err := shoot(ctx, path, c, key)
	if err != nil {
		return nil, err
	}
	f.reels[key] = f.order.PushFront(r)
	for f.bytes += r.bytes; f.bytes > filmBytes && f.order.Len() > 1; {
		old := f.order.Remove(f.order.Back()).(*reel)
		delete(f.reels, old.key)
		f.bytes -= old.bytes
	}
	return r, nil
}

// check holds a file against its hash, once for as long as it is not written to.
func (f *film) check(path string, c vision.Clip) error {
	gone := func(err error) error { return fmt.Errorf("%w: %s: %w", errNoClip, c.Name, err) }
	file, err := os.Open(path)
	if err != nil {
		return gone(err)
	}
	defer file.Close()
	st, err := file.Stat()
	if err != nil {
		return gone(err)
	}
	key := fmt.Sprint(path, " ", st.Size(), " ", st.ModTime().UnixNano(), " ", c.SHA256)
	if f.whole[key] {
		return nil
	}
	h := sha256.New()
	if _, err := io.Copy(h, file); err != nil {
		return gone(err)
	}
	if hex.EncodeToString(h.Sum(nil)) != c.SHA256 {
		return gone(errors.New("the file has changed since it was measured"))
	}
	f.whole[key] = true
	return nil
}

// shoot decodes one reel.
func shoot(ctx context.Context, path string, c vision.Clip, key reelKey) (_ *reel, err error) {
	defer func() {
		if err != nil {
			err = fmt.Errorf("show clip %s from picture %d: %w", c.Name, key.first, err)
		}
	}()
	in, err := clip.Open(ctx, c, path)
	if err != nil {
		return nil, err
	}
	defer in.Close()
	if err := in.Seek(ctx, key.first); err != nil {
		return nil, err
	}
	small := gocv.NewMat()
	defer small.Close()
	r := &reel{key: key}
	for {
		fr, err := in.Next(ctx)
		if errors.Is(err, io.EOF) || (err == nil && fr.Index >= key.first+reelFrames) {
			return r, nil
		}
		if err != nil {
			return nil, err
		}
		img := fr.BGR
		if long := max(img.Cols(), img.Rows()); long > filmSide {
			by := float64(filmSide) / float64(long)
			gocv.Resize(img, &small, image.Point{}, by, by, gocv.InterpolationArea)
			img = small
		}
		buf, err := gocv.IMEncodeWithParams(gocv.JPEGFileExt, img, []int{gocv.IMWriteJpegQuality, filmQuality})
		if err != nil {
			return nil, err
		}
		r.jpegs[fr.Index-key.first] = append([]byte(nil), buf.GetBytes()...)
		r.bytes += buf.Len()
		buf.Close()
	}
}

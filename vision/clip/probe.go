package clip

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"nightcage/vision"
)

// Bounds on what is taken for a clip of one or a few swings.
const (
	MinFrames   = 12               // a swing at 30 frames per second, forward move to contact and a little on either side
	MaxFrames   = 120_000          // with MaxDuration, 66 frames per second; 8 minutes at 240
	MinSidePx   = 64               // either side of the picture; a hitter in it would be too small to follow
	MaxSidePx   = 8192             // either side of the picture
	MaxBytes    = 8 << 30          // file size
	MaxDuration = 30 * time.Minute // as presented
)

// probeDeadline bounds one look at a file by ffprobe, which takes 0.1 s for a
// usual clip; reading a file of MaxBytes from a slow share is outside it.
const probeDeadline = 60 * time.Second

// Probe finds out what the file at path is: size, turn and mirroring, codec,
// when each picture was taken and how well that is known, and the hash of its
// bytes. It decodes nothing. s supplies the capture rate told with the job, if
// any.
//
// A clip that cannot be used gives an *Error. Cancellation of ctx gives
// ctx.Err(), wrapped; ErrNoFFprobe means that the machine lacks ffprobe.
func Probe(ctx context.Context, path string, s vision.Subject) (vision.Clip, error) {
	name := filepath.Base(path)
	sum, err := hash(ctx, path)
	if err != nil {
		return vision.Clip{}, err
	}
	own, err := ownIndex(path)
	if err != nil {
		return vision.Clip{}, err
	}
	raw, err := runFFprobe(ctx, path, probeDeadline)
	if err != nil {
		return vision.Clip{}, err
	}
	raw.Index = own
	c, err := describe(name, raw, s.CaptureFPS)
	if err != nil {
		return vision.Clip{}, err
	}
	c.SHA256 = sum
	return c, nil
}

// ownIndex reads the file's index where it is of the ISO family. One that
// promises more than can be is refused here: ffprobe makes room for every
// picture promised before it looks for the first.
func ownIndex(path string) (index, error) {
	name := filepath.Base(path)
	f, err := os.Open(path)
	if err != nil {
		return index{}, fmt.Errorf("read the index of clip %s: %w", name, err)
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return index{}, fmt.Errorf("read the index of clip %s: %w", name, err)
	}
	x := readIndex(f, info.Size())
	switch {
	case x.pictures > MaxFrames:
		return index{}, &Error{Kind: TooLarge, Clip: name, Reason: fmt.Sprintf("The clip has %d pictures; cut the swing out of it.", x.pictures)}
	case x.samples > samplesPerByte*info.Size():
		return index{}, &Error{Kind: Damaged, Clip: name, Reason: "The file's index promises more than the file can hold."}
	}
	return x, nil
}

// samplesPerByte: no sample, of sound or picture, takes less than a byte, and
// edit lists show few of them twice.
const samplesPerByte = 4

// hash reads the whole file once and returns its SHA-256, lower-case hex.
func hash(ctx context.Context, path string) (string, error) {
	name := filepath.Base(path)
	unreadable := func(err error) error {
		reason := "The file could not be read."
		if errors.Is(err, os.ErrNotExist) {
			reason = "The file is not there."
		} else if errors.Is(err, os.ErrPermission) {
			reason = "The program is not allowed to read the file."
		}
		return &Error{Kind: Unreadable, Clip: name, Reason: reason, Err: err}
	}
	info, err := os.Stat(path)
	if err != nil {
		return "", unreadable(err)
	}
	switch {
	case !info.Mode().IsRegular():
		return "", &Error{Kind: NotAVideo, Clip: name, Reason: "This is not a file."}
	case info.Size() == 0:
		return "", &Error{Kind: EmptyFile, Clip: name, Reason: "The file is empty; the copy may not have finished."}
	case info.Size() > MaxBytes:
		return "", &Error{Kind: TooLarge, Clip: name, Reason: fmt.Sprintf("The file is larger than %d GB; cut the swing out of it.", MaxBytes>>30)}
	}
	f, err := os.Open(path)
	if err != nil {
		return "", unreadable(err)
	}
	defer f.Close()
	h, buf := sha256.New(), make([]byte, 1<<20)
	for {
		if err := ctx.Err(); err != nil {
			return "", fmt.Errorf("hash clip %s: %w", name, err)
		}
		n, err := f.Read(buf)
		h.Write(buf[:n])
		if errors.Is(err, io.EOF) {
			return hex.EncodeToString(h.Sum(nil)), nil
		}
		if err != nil {
			return "", unreadable(err)
		}
	}
}

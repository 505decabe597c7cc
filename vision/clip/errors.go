package clip

import (
	"errors"
	"fmt"
)

// Kind says what is wrong with a clip. Its strings go into records and never
// change. A Kind is an error, so that errors.Is(err, clip.TooShort) works.
type Kind string

// What can be wrong with a clip. All but Unreadable and Timeout are properties
// of the bytes: trying again gives the same answer.
const (
	EmptyFile     Kind = "empty_file"      // no bytes at all
	NotAVideo     Kind = "not_a_video"     // the bytes are no video container we know
	NoVideoStream Kind = "no_video_stream" // a container with sound or data only
	Truncated     Kind = "truncated"       // cut short before its index was written
	Damaged       Kind = "damaged"         // index and contents disagree, or too little decodes
	TooShort      Kind = "too_short"       // fewer than MinFrames pictures
	TooLarge      Kind = "too_large"       // over MaxBytes, MaxSidePx, MaxFrames or MaxDuration
	Unsupported   Kind = "unsupported"     // a video, but of a sort that cannot be measured
	Unreadable    Kind = "unreadable"      // the file system refused
	Timeout       Kind = "timeout"         // looking at the file took longer than it ever should
)

// Kinds lists every Kind.
func Kinds() []Kind {
	return []Kind{EmptyFile, NotAVideo, NoVideoStream, Truncated, Damaged, TooShort, TooLarge, Unsupported, Unreadable, Timeout}
}

func (k Kind) Error() string { return "clip: " + string(k) }

// Error is what is wrong with one clip.
type Error struct {
	Kind   Kind
	Clip   string // base name
	Reason string // for the coach: one plain sentence
	Err    error  // the cause, for the log; may be nil
}

func (e *Error) Error() string {
	s := fmt.Sprintf("clip %s: %s: %s", e.Clip, e.Kind, e.Reason)
	if e.Err != nil {
		s += " (" + e.Err.Error() + ")"
	}
	return s
}

func (e *Error) Unwrap() error { return e.Err }

// Is reports whether target is e's Kind.
func (e *Error) Is(target error) bool {
	var k Kind
	return errors.As(target, &k) && k == e.Kind
}

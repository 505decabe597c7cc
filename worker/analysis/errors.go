package analysis

import (
	"errors"
	"fmt"

	"nightcage/vision/clip"
)

// Kind says why a sound clip gave no measures. Its strings go into records and
// never change. A Kind is an error, so that errors.Is(err, analysis.NoPerson)
// works.
type Kind string

// What can be missing from a clip.
const (
	NoPerson      Kind = "no_person"      // nobody to measure is in view
	WrongRotation Kind = "wrong_rotation" // people lie on their side or stand on their heads
	NoBat         Kind = "no_bat"         // a person, but no bat
	NoSwing       Kind = "no_swing"       // a hitter with a bat who does not swing
)

// Kinds lists every Kind.
func Kinds() []Kind { return []Kind{NoPerson, WrongRotation, NoBat, NoSwing} }

func (k Kind) Error() string { return string(k) }

// Error is why one clip gave no measures.
type Error struct {
	Kind   Kind
	Clip   string // base name
	Reason string // for the coach: one plain sentence
}

func (e *Error) Error() string { return fmt.Sprintf("clip %s: %s: %s", e.Clip, e.Kind, e.Reason) }

// Unwrap makes errors.Is(err, e.Kind) work.
func (e *Error) Unwrap() error { return e.Kind }

// Reason takes from an error of Run what a record says of it. ok is false for
// errors that are not the clip's fault.
func Reason(err error) (kind, reason string, ok bool) {
	var mine *Error
	var file *clip.Error
	switch {
	case errors.As(err, &mine):
		return string(mine.Kind), mine.Reason, true
	case errors.As(err, &file):
		return string(file.Kind), file.Reason, true
	}
	return "", "", false
}

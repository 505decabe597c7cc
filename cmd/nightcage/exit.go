package main

import (
	"context"
	"errors"

	"github.com/spf13/cobra"

	"nightcage/vision/clip"
	"nightcage/worker"
	"nightcage/worker/access"
	"nightcage/worker/analysis"
	"nightcage/worker/depot"
)

// Exit codes. Scripts rely on them; they never change.
const (
	exitOK          = 0
	exitInternal    = 1
	exitUsage       = 2
	exitBadClip     = 3
	exitNothing     = 4
	exitUnavailable = 5
	exitInterrupted = 130 // 128 + SIGINT, as shells have it
)

// exitCodesHelp ends the help of commands that measure, submit or work.
const exitCodesHelp = `Exit codes:
  0    done
  1    an error of Nightcage itself
  2    the command line or what it says of the hitter is wrong
  3    a clip cannot be read
  4    a clip holds nothing to measure (no person, no bat, no swing)
  5    the queue or the storage is unavailable
  130  interrupted`

// usageError is a mistake in the command line.
type usageError struct{ err error }

func (e usageError) Error() string { return e.err.Error() }
func (e usageError) Unwrap() error { return e.err }

// usageErrors makes the mistakes that cobra itself finds in flags and arguments
// of root and everything below it into usageErrors.
func usageErrors(root *cobra.Command) {
	root.SetFlagErrorFunc(func(_ *cobra.Command, err error) error { return usageError{err} })
	if root.Args == nil && !root.Runnable() {
		// Else an unknown command is an error that cannot be told from others.
		root.Args = cobra.NoArgs
		root.RunE = func(cmd *cobra.Command, _ []string) error { return cmd.Help() }
	}
	if check := root.Args; check != nil {
		root.Args = func(cmd *cobra.Command, args []string) error {
			if err := check(cmd, args); err != nil {
				return usageError{err}
			}
			return nil
		}
	}
	for _, c := range root.Commands() {
		usageErrors(c)
	}
}

// exitCode is the one place where an error becomes an exit code.
func exitCode(err error) int {
	var usage usageError
	var failure *worker.Failure
	var file *clip.Error
	var content *analysis.Error
	switch {
	case err == nil:
		return exitOK
	case errors.As(err, &usage):
		return exitUsage
	case errors.As(err, &content):
		return exitNothing
	case errors.As(err, &file):
		return exitBadClip
	case errors.As(err, &failure):
		return failureCode(failure)
	case errors.Is(err, context.Canceled):
		return exitInterrupted
	case errors.Is(err, worker.ErrUnknownJob), errors.Is(err, worker.ErrNoRecord), errors.Is(err, access.ErrUnknownToken):
		return exitUsage
	case errors.Is(err, worker.ErrQueue), errors.Is(err, worker.ErrStorage), errors.Is(err, worker.ErrDamaged), errors.Is(err, access.ErrFile), errors.Is(err, depot.ErrAway):
		return exitUnavailable
	}
	return exitInternal
}

func failureCode(f *worker.Failure) int {
	switch {
	case f.Kind == worker.KindBadSubject:
		return exitUsage
	case f.Class == worker.ClassBadClip:
		return exitBadClip
	case f.Class == worker.ClassNothing:
		return exitNothing
	case f.Class == worker.ClassShutdown:
		return exitInterrupted
	case f.Kind == worker.KindStorage || f.Kind == worker.KindQueue:
		return exitUnavailable
	}
	return exitInternal
}

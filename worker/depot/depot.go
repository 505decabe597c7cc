// Package depot keeps clips and the files of records where several hosts reach them:
// in a folder that all of them mount, or in a bucket of an object store that speaks
// the S3 protocol. Both pass one suite of tests.
//
// A key is a relative path of lower-case letters, digits and "._-/", such as
// clips/SHA256 or records/JOB/1/contact.jpg.
package depot

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path"
	"regexp"
)

// Sentinels that callers test with errors.Is.
var (
	// ErrAbsent: nothing is kept under the key.
	ErrAbsent = errors.New("not in the depot")
	// ErrAway: the depot does not answer, refuses, or broke off. It may do later.
	ErrAway = errors.New("the depot is unavailable")
	// ErrKey: what was asked for cannot be a key.
	ErrKey = errors.New("not a key of a depot")
)

// Depot is what Dir and Bucket have in common. Methods may be called from several
// goroutines and return soon after ctx ends.
type Depot interface {
	// Put keeps size bytes of r, at least one, under key, whole or not at all, in place of what was
	// there. When it returns nil they are stored as durably as the depot stores.
	Put(ctx context.Context, key string, r io.Reader, size int64) error
	// Get opens what is kept under key; ErrAbsent when nothing is. A reader that ends
	// without error has given all of it. The caller closes it.
	Get(ctx context.Context, key string) (io.ReadCloser, error)
	// Delete removes what is kept under key. Nothing there is no error.
	Delete(ctx context.Context, key string) error
	// List returns the keys under a folder, sorted; all for "".
	List(ctx context.Context, folder string) ([]string, error)
}

var keyForm = regexp.MustCompile(`^[a-z0-9][a-z0-9._/-]{0,250}$`)

func checkKey(key string) error {
	if !keyForm.MatchString(key) || path.Clean(key) != key {
		return fmt.Errorf("%w: %q", ErrKey, key)
	}
	return nil
}

func away(what, key string, err error) error {
	return fmt.Errorf("%w: %s %s: %w", ErrAway, what, key, err)
}

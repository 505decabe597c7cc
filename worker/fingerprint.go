package worker

import (
	"context"
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"golang.org/x/sys/unix"
)

// fingerprint hashes the clip. A clip that is missing may come back, and costs
// attempts; one whose place is away costs none.
func fingerprint(ctx context.Context, path string, touch func()) (string, os.FileInfo, error) {
	st, err := os.Stat(path)
	if err == nil {
		var sum string
		if sum, err = hashClip(ctx, path, touch); err == nil {
			return sum, st, nil
		}
	}
	f := &Failure{Class: ClassTransient, Kind: KindClipMissing, Words: "the clip cannot be read where it was submitted", Err: err}
	if placeAway(path, err) {
		f.Class, f.Words = ClassAway, "the place that the clip was submitted from is away"
	}
	return "", nil, f
}

// placeAway reports whether a clip could not be read because of where it lies: the
// disk or server does not answer, or its folder is gone or empty, as the folder on
// which a share is to be mounted is. A clip that somebody deleted leaves others
// behind it, and where it does not it is waited for in vain, until the queue has
// handed it out maxDeliver times.
func placeAway(path string, err error) bool {
	for _, e := range []unix.Errno{unix.EIO, unix.ESTALE, unix.ENOTCONN, unix.EHOSTDOWN, unix.EHOSTUNREACH, unix.ETIMEDOUT, unix.ENODEV, unix.ENXIO} {
		if errors.Is(err, e) {
			return true
		}
	}
	if !errors.Is(err, fs.ErrNotExist) {
		return false
	}
	d, err := os.Open(filepath.Dir(path))
	if err != nil {
		return true
	}
	defer d.Close()
	_, err = d.ReadDir(1)
	return errors.Is(err, io.EOF)
}

package depot

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

// Dir is a depot in a folder.
type Dir struct{ root string }

// OpenDir names the folder, which must exist: one that is made anew where a share is
// not mounted would hide the loss.
func OpenDir(root string) (*Dir, error) {
	abs, err := filepath.Abs(root)
	if err == nil {
		var info os.FileInfo
		if info, err = os.Stat(abs); err == nil && !info.IsDir() {
			err = errors.New("not a folder")
		}
	}
	if err != nil {
		return nil, away("open", root, err)
	}
	return &Dir{root: abs}, nil
}

// partPrefix begins the names of files that are being written. No key holds it.
const partPrefix = ".part-"

// Put implements Depot. The file is synced and then renamed into place.
func (d *Dir) Put(ctx context.Context, key string, r io.Reader, size int64) error {
	if err := checkKey(key); err != nil {
		return err
	}
	if _, err := os.Stat(d.root); err != nil {
		return away("put", key, err)
	}
	to := filepath.Join(d.root, filepath.FromSlash(key))
	part := filepath.Join(d.root, partPrefix+rand.Text())
	err := os.MkdirAll(filepath.Dir(to), 0o700)
	if err == nil {
		err = writeAll(ctx, part, r, size)
	}
	if err == nil {
		err = os.Rename(part, to)
	}
	if err == nil {
		err = syncFolder(filepath.Dir(to))
	}
	if err != nil {
		os.Remove(part)
		return away("put", key, err)
	}
	return nil
}

func writeAll(ctx context.Context, name string, r io.Reader, size int64) error {
	f, err := os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	n, err := io.Copy(f, ctxReader{ctx, r})
	if err == nil && n != size {
		err = fmt.Errorf("%d bytes of %d", n, size)
	}
	if err == nil {
		err = f.Sync()
	}
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	return err
}

type ctxReader struct {
	ctx context.Context
	r   io.Reader
}

func (r ctxReader) Read(p []byte) (int, error) {
	if err := r.ctx.Err(); err != nil {
		return 0, err
	}
	return r.r.Read(p)
}

func syncFolder(name string) error {
	f, err := os.Open(name)
	if err != nil {
		return err
	}
	defer f.Close()
	return f.Sync()
}

// Get implements Depot.
func (d *Dir) Get(ctx context.Context, key string) (io.ReadCloser, error) {
	if err := checkKey(key); err != nil {
		return nil, err
	}
	f, err := os.Open(filepath.Join(d.root, filepath.FromSlash(key)))
	if err == nil {
		return f, nil
	}
	// A share that is not mounted has no files either.
	if _, rerr := os.Stat(d.root); rerr == nil && errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("%w: %s", ErrAbsent, key)
	}
	return nil, away("get", key, err)
}

// Delete implements Depot. Folders that it empties stay.
func (d *Dir) Delete(ctx context.Context, key string) error {
	if err := checkKey(key); err != nil {
		return err
	}
	_, err := os.Stat(d.root)
	if err == nil {
		err = os.Remove(filepath.Join(d.root, filepath.FromSlash(key)))
		if errors.Is(err, fs.ErrNotExist) {
			return nil
		}
	}
	if err != nil {
		return away("delete", key, err)
	}
	return nil
}

// List implements Depot.
func (d *Dir) List(ctx context.Context, folder string) ([]string, error) {
	if folder != "" {
		if err := checkKey(folder); err != nil {
			return nil, err
		}
	}
	var keys []string
	_, err := os.Stat(d.root)
	if err == nil {
		err = filepath.WalkDir(filepath.Join(d.root, filepath.FromSlash(folder)), func(p string, e fs.DirEntry, err error) error {
			switch {
			case errors.Is(err, fs.ErrNotExist):
				return nil
			case err != nil:
				return err
			case ctx.Err() != nil:
				return ctx.Err()
			case e.Type().IsRegular() && !strings.HasPrefix(e.Name(), partPrefix):
				rel, err := filepath.Rel(d.root, p)
				if err != nil {
					return err
				}
				keys = append(keys, filepath.ToSlash(rel))
			}
			return nil
		})
	}
	if err != nil {
		return nil, away("list", folder, err)
	}
	return keys, nil // WalkDir goes in lexical order of each folder
}

package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"github.com/spf13/pflag"

	"nightcage/metrics/cause"
)

// chainsFlag names a file of cause chains for the pages.
type chainsFlag struct{ path string }

func (f *chainsFlag) bind(flags *pflag.FlagSet) {
	flags.StringVar(&f.path, "chains", "", "YAML `FILE` of cause chains in place of those that ship (default chains.yaml in the home, where there is one)")
}

func (f *chainsFlag) load(home string) (cause.Chains, error) {
	path := f.path
	if path == "" {
		path = filepath.Join(home, "chains.yaml")
	}
	text, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) && f.path == "" {
		return cause.Shipped(), nil
	}
	if err != nil {
		return cause.Chains{}, usageError{fmt.Errorf("read cause chains: %w", err)}
	}
	chains, err := cause.Load(filepath.Base(path), text)
	if err != nil {
		return chains, usageError{err}
	}
	return chains, nil
}

package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"github.com/spf13/pflag"

	"nightcage/metrics/rules"
)

// rulesFlag names a coach's own rules.
type rulesFlag struct{ path string }

func (f *rulesFlag) bind(flags *pflag.FlagSet, absent string) {
	flags.StringVar(&f.path, "rules", "", "YAML `FILE` of your own chains of causes and reference bands, beside those that ship ("+absent+")")
}

// The rules of a command without the flag.
const (
	rulesOfHome    = "default " + rules.FileName + " in the home, where there is one"
	rulesOfShipped = "default those that ship alone"
)

// load reads the named file, else that of the home, else the rules that ship.
// home is "" for commands without one.
func (f *rulesFlag) load(home string) (*rules.Set, error) {
	path := f.path
	if path == "" && home != "" {
		path = filepath.Join(home, rules.FileName)
	}
	if path == "" {
		return rules.Shipped(), nil
	}
	text, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) && f.path == "" {
		return rules.Shipped(), nil
	}
	if err != nil {
		return nil, usageError{fmt.Errorf("read rules: %w", err)}
	}
	set, err := rules.Load(filepath.Base(path), text)
	if err != nil {
		return nil, usageError{err}
	}
	return set, nil
}

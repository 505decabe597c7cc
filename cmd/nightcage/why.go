package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"nightcage/cmd/internal/report"
	"nightcage/metrics"
	"nightcage/metrics/cause"
)

// chainsName is the file in the home that replaces the chains that ship.
const chainsName = "chains.yaml"

// chainsFlag names a file of cause chains.
type chainsFlag struct{ path string }

func (f *chainsFlag) bind(flags *pflag.FlagSet) {
	flags.StringVar(&f.path, "chains", "", "YAML `FILE` of cause chains in place of those that ship (default chains.yaml in the home, where there is one)")
}

// load reads the named file, else the home's, else those that ship. home is ""
// for commands without one.
func (f *chainsFlag) load(home string) (cause.Chains, error) {
	path := f.path
	if path == "" && home != "" {
		path = filepath.Join(home, chainsName)
	}
	if path == "" {
		return cause.Shipped(), nil
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

type whyOptions struct {
	home   homeFlags
	chains chainsFlag
	asJSON bool
	show   bool
}

func newWhyCommand() *cobra.Command {
	var o whyOptions
	cmd := &cobra.Command{
		Use:   "why SWING",
		Short: "Say what led to what in a swing, and what to work on first",
		Long: `Why holds the chains of causes against a stored swing, named by its record's ID
or by a file that measure --json wrote. A chain is raised only when every link is
beyond its limit by more than its own error bar; for the others it says which
link stopped them.

Write your own chains: start from why --print-chains, and keep the file as
chains.yaml in the home or give it with --chains.

` + exitCodesHelp,
		Args: cobra.MaximumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if o.show {
				_, err := cmd.OutOrStdout().Write(cause.ShippedYAML())
				return err
			}
			if len(args) == 0 {
				return usageError{errors.New("name a swing: an ID of records, or a file of measure --json")}
			}
			s, err := o.home.open(cmd.Context(), cmd.ErrOrStderr())
			if err != nil {
				return err
			}
			defer s.close()
			return o.run(s, args[0], cmd.OutOrStdout())
		},
	}
	o.home.bind(cmd.Flags())
	o.chains.bind(cmd.Flags())
	cmd.Flags().BoolVar(&o.asJSON, "json", false, "print the findings as JSON")
	cmd.Flags().BoolVar(&o.show, "print-chains", false, "print the chains that ship and stop")
	return cmd
}

func (o *whyOptions) run(s *store, swing string, out io.Writer) error {
	chains, err := o.chains.load(s.home.Dir())
	if err != nil {
		return err
	}
	record, err := s.swing(swing)
	if err != nil {
		return err
	}
	if record.Status == metrics.StatusFailed {
		return usageError{fmt.Errorf("%s was not measured: %s", record.Clip.Name, record.Failure.Text)}
	}
	if o.asJSON {
		return printJSON(out, cause.Find(record, chains))
	}
	return report.Why(out, record, cause.Through(record, chains))
}

// swing reads one swing: a file that exists, or the ID of a record.
func (s *store) swing(name string) (metrics.Swing, error) {
	var record metrics.Swing
	b, err := os.ReadFile(name)
	switch {
	case err == nil:
		if err := metrics.Validate(b); err != nil {
			return record, usageError{fmt.Errorf("%s is not a swing record: %w", name, err)}
		}
		return record, json.Unmarshal(b, &record)
	case !errors.Is(err, fs.ErrNotExist):
		return record, usageError{err}
	}
	events, _, err := s.find(name)
	if err != nil {
		return record, err
	}
	if len(events) > 1 {
		return record, usageError{fmt.Errorf("%s holds %d swings; add -1 to -%d to its ID", name, len(events), len(events))}
	}
	if err := events[0].DataAs(&record); err != nil {
		return record, fmt.Errorf("record %s: %w", events[0].ID(), err)
	}
	return record, nil
}

package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"

	"github.com/spf13/cobra"

	"nightcage/cmd/internal/report"
	"nightcage/metrics"
	"nightcage/metrics/rules"
)

type whyOptions struct {
	home   homeFlags
	rules  string
	asJSON bool
	show   bool
}

func newWhyCommand() *cobra.Command {
	var o whyOptions
	cmd := &cobra.Command{
		Use:   "why SWING",
		Short: "Say what goes with what in a swing, and what to work on first",
		Long: `Why prints what a stored swing's record says of its causes; the swing is named by
its record's ID or by a file that measure --json wrote. A chain of causes is
raised only when every link is beyond its limit by more than its own error bar;
for the others it says which link stopped them.

The record's findings rest on the rules in force when it was made, which it
names. With --rules the swing is held against other rules, and the record stays
as it is. Write your own: start from why --print-rules, keep what you change as
rules.yaml in the home, and the clips measured from then on are held against it.

` + exitCodesHelp,
		Args: cobra.MaximumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if o.show {
				_, err := cmd.OutOrStdout().Write(rules.ShippedYAML())
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
	cmd.Flags().StringVar(&o.rules, "rules", "", "hold the swing against your own chains in YAML `FILE`, beside those that ship (default the findings in the record)")
	cmd.Flags().BoolVar(&o.asJSON, "json", false, "print the findings as JSON")
	cmd.Flags().BoolVar(&o.show, "print-rules", false, "print the rules that ship and stop")
	return cmd
}

func (o *whyOptions) run(s *store, swing string, out io.Writer) error {
	record, err := s.swing(swing)
	if err != nil {
		return err
	}
	if record.Status == metrics.StatusFailed {
		return usageError{fmt.Errorf("%s was not measured: %s", record.Clip.Name, record.Failure.Text)}
	}
	if o.rules != "" {
		set, err := (&rulesFlag{path: o.rules}).load("")
		if err != nil {
			return err
		}
		set.Apply(&record)
	}
	if o.asJSON {
		return printJSON(out, struct {
			Rules     *metrics.RulesUsed  `json:"rules"`
			Findings  []metrics.Finding   `json:"findings"`
			NotRaised []metrics.NotRaised `json:"not_raised"`
		}{record.Rules, record.Findings, record.NotRaised})
	}
	return report.Why(out, record)
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

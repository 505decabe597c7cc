package main

import (
	"errors"
	"fmt"
	"io"

	"github.com/cloudevents/sdk-go/v2/event"
	"github.com/spf13/cobra"

	"nightcage/cmd/internal/report"
	"nightcage/cmd/internal/season"
	"nightcage/metrics"
	"nightcage/metrics/change"
	"nightcage/worker"
)

type compareOptions struct {
	home     homeFlags
	hitters  bool
	ball     ballFlag
	measures []string
	asJSON   bool
}

func newCompareCommand() *cobra.Command {
	var o compareOptions
	cmd := &cobra.Command{
		Use:   "compare A B",
		Short: "Hold two swings, or two hitters, side by side",
		Long: `Compare holds two swings against each other, each named by its record's ID or by
a file of measure --json, or with --hitters two hitters over all their swings. It
says in which measures they differ by more than their error bars, after taking
back what looking at many measures finds by chance (Holm's procedure).

Two swings that differ need not mean a hitter who changed: for that see change.

` + exitCodesHelp,
		Args: cobra.ExactArgs(2),
		RunE: func(cmd *cobra.Command, args []string) error {
			s, err := o.home.open(cmd.Context(), cmd.ErrOrStderr())
			if err != nil {
				return err
			}
			defer s.close()
			if !o.hitters && o.ball.from != "" {
				return usageError{errors.New("--ball goes with --hitters")}
			}
			if !o.hitters {
				return o.swings(s, args[0], args[1], cmd.OutOrStdout())
			}
			events, damaged, err := s.events(cmd.Context(), func(event.Event) bool { return true })
			if err != nil {
				return err
			}
			return errors.Join(damaged, o.people(events, args[0], args[1], cmd.OutOrStdout()))
		},
	}
	o.home.bind(cmd.Flags())
	o.ball.bind(cmd.Flags())
	cmd.Flags().BoolVar(&o.hitters, "hitters", false, "A and B are names of hitters")
	cmd.Flags().StringSliceVar(&o.measures, "measure", nil, "`ID` of a measure, or several; all where none is named")
	cmd.Flags().BoolVar(&o.asJSON, "json", false, "print the comparison as JSON")
	return cmd
}

func (o *compareOptions) swings(s *store, a, b string, out io.Writer) error {
	defs, err := chosen(o.measures)
	if err != nil {
		return err
	}
	first, err := s.swing(a)
	if err != nil {
		return err
	}
	second, err := s.swing(b)
	if err != nil {
		return err
	}
	return o.print(defs, season.Apart(first, second, ids(defs)), report.Compare{A: a, B: b}, out)
}

func (o *compareOptions) people(events []event.Event, a, b string, out io.Writer) error {
	defs, err := chosen(o.measures)
	if err != nil {
		return err
	}
	all, err := season.Load(events)
	if err == nil {
		all, err = o.ball.of(all)
	}
	if err != nil {
		return err
	}
	for _, h := range []string{a, b} {
		if len(season.Of(all, h)) == 0 {
			return fmt.Errorf("%w: no swings of %s; nightcage records lists who has some", worker.ErrNoRecord, h)
		}
		if err := oneTeam(all, h); err != nil {
			return err
		}
	}
	return o.print(defs, season.Between(all, a, b, ids(defs)), report.Compare{A: a, B: b, Hitters: true}, out)
}

func (o *compareOptions) print(defs []metrics.Definition, answers []change.Answer, c report.Compare, out io.Writer) error {
	for i, d := range defs {
		c.Lines = append(c.Lines, report.NewChangeLine(d, answers[i]))
	}
	if o.asJSON {
		return printJSON(out, c)
	}
	return c.Print(out)
}

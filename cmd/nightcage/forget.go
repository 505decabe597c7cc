package main

import (
	"errors"
	"fmt"
	"io"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"nightcage/worker"
)

type forgetOptions struct {
	home   homeFlags
	queue  queueFlags
	team   string
	yes    bool
	asJSON bool
}

func newForgetCommand() *cobra.Command {
	var o forgetOptions
	cmd := &cobra.Command{
		Use:   "forget HITTER",
		Short: "Remove everything that is kept of a hitter, and prove it",
		Long: `Forget counts what is kept of a hitter: clips, records with their stills and
tracks, ledger rows, queue entries. With --yes it removes all of it, the clip
files themselves included, and counts again by reading every store anew.
Clips that are being measured are stopped and leave no record.

A clip that is another hitter's too stays, and so does a file that is no longer
the one that was submitted; both are named. Copies that you made, backups, and
what was handed to others are out of reach. Where several machines share a queue,
run it on each.

` + exitCodesHelp + `
Forget ends with 1 when anything remains.`,
		Example: "  nightcage forget \"Rook Calder\" --team \"Cinder Creek Comets\" --yes",
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return o.run(cmd, worker.Hitter{Name: args[0], Team: o.team})
		},
	}
	o.home.bind(cmd.Flags())
	o.queue.bind(cmd.Flags())
	cmd.Flags().StringVar(&o.team, "team", "", "the hitter's team, by `NAME`, where two teams have a hitter of that name")
	cmd.Flags().BoolVar(&o.yes, "yes", false, "remove it; without this forget only counts")
	cmd.Flags().BoolVar(&o.asJSON, "json", false, "print the counts as JSON")
	return cmd
}

func (o *forgetOptions) run(cmd *cobra.Command, h worker.Hitter) error {
	ctx := cmd.Context()
	desk, leave, err := o.home.openDesk(ctx, cmd.ErrOrStderr(), o.queue)
	if err != nil {
		return err
	}
	defer leave()
	do := desk.Kept
	if o.yes {
		do = desk.Forget
	}
	p, err := do(ctx, h)
	if errors.Is(err, worker.ErrUnknownHitter) || errors.Is(err, worker.ErrTwoTeams) {
		return usageError{err}
	}
	return errors.Join(err, printProof(cmd.OutOrStdout(), p, o.yes, o.asJSON))
}

// printProof prints what there was and, where done, what there is now.
func printProof(out io.Writer, p worker.Proof, done, asJSON bool) error {
	if asJSON {
		return printJSON(out, p)
	}
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	if done {
		fmt.Fprintln(w, "STORE\tBEFORE\tNOW")
	} else {
		fmt.Fprintln(w, "STORE\tKEPT")
	}
	for _, c := range p.Counts {
		if done {
			fmt.Fprintf(w, "%s\t%d\t%d\n", c.Store, c.Was, c.Is)
		} else {
			fmt.Fprintf(w, "%s\t%d\n", c.Store, c.Was)
		}
	}
	if err := w.Flush(); err != nil {
		return err
	}
	for _, l := range p.Left {
		fmt.Fprintf(out, "left: %s\n", l)
	}
	word := "nothing is removed yet: repeat with --yes"
	switch {
	case done && p.Clean():
		word = "nothing remains"
	case done:
		word = "NOT everything could be removed"
	case p.Clean():
		word = "there is nothing to remove"
	}
	of := "clips with their records"
	if p.Jobs == 1 {
		of = "clip with its record"
	}
	_, err := fmt.Fprintf(out, "%d %s: %s\n", p.Jobs, of, word)
	return err
}

package main

import (
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"nightcage/worker"
)

// errUnbalanced: the audit found a job lost, doubled or damaged.
var errUnbalanced = errors.New("the books do not balance")

func newAuditCommand() *cobra.Command {
	var home homeFlags
	var queue queueFlags
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "audit",
		Short: "Account for every clip that was submitted",
		Long: `Audit reads every stored file and checks that each submitted job has exactly one
record, or a dead letter, or is still on the queue. Its last line is the sum. It
exits with 1 when the sum does not come out.

` + exitCodesHelp,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			ctx, out := cmd.Context(), cmd.OutOrStdout()
			desk, leave, err := home.openDesk(ctx, cmd.ErrOrStderr(), queue)
			if err != nil {
				return err
			}
			defer leave()
			a, err := worker.Audit(ctx, desk)
			if err != nil {
				return err
			}
			if asJSON {
				if err := printJSON(out, a); err != nil {
					return err
				}
			} else {
				for _, l := range []struct {
					what string
					ids  []string
				}{{"lost", a.Lost}, {"twice", a.Twice}, {"damaged", a.Damaged}, {"in the store, not in the ledger", a.Unlisted}} {
					for _, id := range l.ids {
						fmt.Fprintf(out, "%s  %s\n", id, l.what)
					}
				}
				fmt.Fprintln(out, a)
			}
			if !a.Balanced() {
				return errUnbalanced
			}
			return nil
		},
	}
	home.bind(cmd.Flags())
	queue.bind(cmd.Flags())
	cmd.Flags().BoolVar(&asJSON, "json", false, "print the account as JSON")
	return cmd
}

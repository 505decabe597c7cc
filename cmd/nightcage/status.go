package main

import (
	"context"
	"fmt"
	"io"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"nightcage/worker"
)

// statusReport is what status prints.
type statusReport struct {
	worker.Tally
	OldestAgeS float64 `json:"oldest_age_s"` // of the oldest job that is not done, 0 when none
	WorkerPID  int     `json:"worker_pid"`   // process that has the home's queue open, 0 when none
	Walls      string  `json:"walls"`        // what a worker on this machine keeps a clip's analysis from
	// Finish is when what is not done will be, with a spread from measured times.
	Finish worker.Forecast `json:"finish"`
}

func newStatusCommand() *cobra.Command {
	var home homeFlags
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "status",
		Short: "Say how many clips wait, run and are done",
		Long: `Status counts the jobs of the home by state, and says how old the oldest one is
that is not done, when all will be done if the clips ahead are like the last hundred,
whether a worker runs, and from what this machine keeps the
process that opens a clip (see work).

` + exitCodesHelp,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			s, err := home.open(cmd.Context(), cmd.ErrOrStderr())
			if err != nil {
				return err
			}
			defer s.close()
			r, err := s.status(cmd.Context(), time.Now())
			if err != nil {
				return err
			}
			if asJSON {
				return printJSON(cmd.OutOrStdout(), r)
			}
			return r.print(cmd.OutOrStdout())
		},
	}
	home.bind(cmd.Flags())
	cmd.Flags().BoolVar(&asJSON, "json", false, "print the counts as JSON")
	return cmd
}

func (s *store) status(ctx context.Context, now time.Time) (statusReport, error) {
	t, err := s.ledger.Tally(ctx)
	if err != nil {
		return statusReport{}, err
	}
	r := statusReport{Tally: t, Walls: worker.FindWalls().String()}
	if !t.Oldest.IsZero() {
		r.OldestAgeS = now.Sub(t.Oldest).Seconds()
	}
	if r.Finish, err = s.ledger.Forecast(ctx, now); err != nil {
		return r, err
	}
	r.WorkerPID, err = s.home.Owner()
	return r, err
}

func (r statusReport) print(out io.Writer) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', tabwriter.AlignRight)
	for _, s := range worker.States() {
		fmt.Fprintf(w, "%d\t  %s\t\n", r.Count[s], s)
	}
	if err := w.Flush(); err != nil {
		return err
	}
	age := "nothing waits"
	if !r.Oldest.IsZero() {
		age = fmt.Sprintf("the oldest unfinished clip was submitted %v ago", (time.Duration(r.OldestAgeS) * time.Second).Round(time.Second))
	}
	who := "no worker has this home's queue open"
	if r.WorkerPID != 0 {
		who = fmt.Sprintf("process %d has this home's queue open", r.WorkerPID)
	}
	_, err := fmt.Fprintf(out, "%s; %s\n%s\nwalls round an analysis on this machine: %s\n", age, who, finishWords(r.Finish), r.Walls)
	return err
}

// finishWords says when the queue will be empty, and how sure that is.
func finishWords(f worker.Forecast) string {
	if f.Why != "" {
		return "no finish time: " + f.Why
	}
	clock := func(t time.Time) string { return t.Local().Format("Mon 15:04") }
	return fmt.Sprintf("done about %s (19 times in 20 between %s and %s), if the %d clips ahead are like the last %d and %d slots stay at work",
		clock(f.At), clock(f.Low95), clock(f.High95), f.Open, f.Sample, f.Slots)
}

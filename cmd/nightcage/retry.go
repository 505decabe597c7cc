package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"nightcage/worker"
)

type retryOptions struct {
	home   homeFlags
	queue  queueFlags
	all    bool
	list   bool
	asJSON bool
}

func newRetryCommand() *cobra.Command {
	var o retryOptions
	cmd := &cobra.Command{
		Use:   "retry ID... | --all | --list",
		Short: "Measure clips again that were given up, or list them",
		Long: `Retry puts jobs on the queue again that could not be measured, or whose stored
record is damaged. What is stored now stays until the new result replaces it.
An ID may be cut short as long as it is unique. With --all it retries every job of
this home that was given up (not those that hold nothing to measure); with --list
it changes nothing and says which clips were given up and why.

` + exitCodesHelp,
		RunE: func(cmd *cobra.Command, ids []string) error {
			asked := 0
			for _, is := range []bool{len(ids) > 0, o.all, o.list} {
				if is {
					asked++
				}
			}
			if asked != 1 || o.asJSON && !o.list {
				return usageError{errors.New("give IDs, or --all, or --list (which knows --json)")}
			}
			return o.run(cmd.Context(), ids, cmd.OutOrStdout(), cmd.ErrOrStderr())
		},
	}
	o.home.bind(cmd.Flags())
	o.queue.bind(cmd.Flags())
	cmd.Flags().BoolVar(&o.all, "all", false, "retry every job that was given up")
	cmd.Flags().BoolVar(&o.list, "list", false, "only list what was given up")
	cmd.Flags().BoolVar(&o.asJSON, "json", false, "list as JSON, one dead letter a line")
	return cmd
}

func (o *retryOptions) run(ctx context.Context, ids []string, out, log io.Writer) error {
	s, err := o.home.open(ctx, log)
	if err != nil {
		return err
	}
	defer s.close()
	desk, leave, err := s.desk(ctx, o.queue)
	if err != nil {
		return err
	}
	defer leave()
	if o.list {
		letters, err := desk.Queue.DeadLetters(ctx)
		if err != nil {
			return err
		}
		return o.print(out, letters)
	}
	if o.all {
		dead, err := s.ledger.Entries(ctx, worker.StateDead)
		if err != nil {
			return err
		}
		if len(dead) == 0 {
			_, err := fmt.Fprintln(out, "nothing was given up")
			return err
		}
		for _, e := range dead {
			ids = append(ids, e.Job.ID)
		}
	}
	// One that cannot be retried does not keep the others.
	var errs []error
	for _, prefix := range ids {
		id, err := s.jobID(ctx, prefix)
		if err == nil {
			err = desk.Retry(ctx, id)
		}
		if err != nil {
			errs = append(errs, err)
			continue
		}
		fmt.Fprintf(out, "%s  queued\n", shortID(id))
	}
	return errors.Join(errs...)
}

func (o *retryOptions) print(out io.Writer, letters []worker.DeadLetter) error {
	if o.asJSON {
		enc := json.NewEncoder(out)
		for _, l := range letters {
			if err := enc.Encode(l); err != nil {
				return err
			}
		}
		return nil
	}
	if len(letters) == 0 {
		_, err := fmt.Fprintln(out, "nothing was given up")
		return err
	}
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "ID\tGIVEN UP\tHITTER\tCLIP\tATTEMPTS\tREASON")
	for _, l := range letters {
		clip := "-"
		if l.Job.Clip != "" {
			clip = filepath.Base(l.Job.Clip)
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%d\t%s\n", shortID(l.Job.ID), l.At.Local().Format("2006-01-02 15:04"),
			l.Job.Subject.Hitter, clip, l.Attempts, l.Reason.Words)
	}
	return w.Flush()
}

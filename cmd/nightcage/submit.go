package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"nightcage/worker"
	"nightcage/worker/analysis"
)

type submitOptions struct {
	home   homeFlags
	queue  queueFlags
	who    subjectFlags
	agreed consentFlag
	asJSON bool
}

func newSubmitCommand() *cobra.Command {
	var o submitOptions
	cmd := &cobra.Command{
		Use:   "submit CLIP...",
		Short: "Put clips on the queue",
		Long: `Submit puts clips of one hitter on the queue, to be measured by nightcage work.
A clip that was submitted before in the same words is not measured again: submit
says that it is queued, measured, or why it could not be measured.

The clips are not copied: they must stay where they are, unchanged, until they
are measured. Once submit has answered, the job survives a crash or a power cut.

A worker need not be running. If one is, submit reaches the queue through it.

` + exitCodesHelp,
		Example: "  nightcage submit tuesday/*.mp4 --team \"Cinder Creek Comets\" --hitter \"Rook Calder\" --height 67.9in --bat 33.5in",
		Args:    cobra.MinimumNArgs(1),
		RunE: func(cmd *cobra.Command, clips []string) error {
			return o.run(cmd.Context(), clips, cmd.OutOrStdout(), cmd.ErrOrStderr())
		},
	}
	o.home.bind(cmd.Flags())
	o.queue.bind(cmd.Flags())
	o.who.bind(cmd.Flags())
	o.agreed.bind(cmd.Flags())
	cmd.Flags().BoolVar(&o.asJSON, "json", false, "print the answers as JSON")
	return cmd
}

// answer is what submit says of one clip.
type answer struct {
	Clip string `json:"clip"`
	worker.Receipt
	Error string `json:"error,omitempty"`
}

// run submits every clip that it can and returns the errors of the others.
func (o *submitOptions) run(ctx context.Context, clips []string, out, log io.Writer) error {
	subject, err := o.who.named()
	if err != nil {
		return err
	}
	consent, err := o.agreed.told(subject.Level)
	if err != nil {
		return err
	}
	s, err := o.home.open(ctx, log)
	if err != nil {
		return err
	}
	defer s.close()
	// Hash first: the queue's store is kept from others no longer than needed.
	jobs := make([]worker.Job, len(clips))
	errs := make([]error, len(clips))
	for i, path := range clips {
		jobs[i], errs[i] = worker.NewJob(ctx, path, subject, analysis.PipelineVersion, time.Now())
		jobs[i].Consent = consent
		if errs[i] != nil {
			errs[i] = fmt.Errorf("%s: %w", path, errs[i])
		}
		if ctx.Err() != nil {
			return ctx.Err()
		}
	}
	desk, leave, err := s.desk(ctx, o.queue)
	if err != nil {
		return err
	}
	defer leave()
	answers := make([]answer, len(clips))
	var whole []worker.Job
	var of []int // their clips
	for i := range clips {
		answers[i].Clip = filepath.Base(clips[i])
		if errs[i] == nil {
			whole, of = append(whole, jobs[i]), append(of, i)
		}
	}
	receipts, refused := desk.SubmitAll(ctx, whole)
	if ctx.Err() != nil {
		return ctx.Err()
	}
	for n, i := range of {
		answers[i].Receipt, errs[i] = receipts[n], refused[n]
	}
	for i, err := range errs {
		if err != nil {
			answers[i].Error = err.Error()
		}
	}
	if o.asJSON {
		err = printJSON(out, answers)
	} else {
		err = printAnswers(out, answers)
	}
	return errors.Join(append(errs, err)...)
}

func printAnswers(out io.Writer, answers []answer) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	for _, a := range answers {
		switch {
		case a.Error != "":
			continue // on stderr, as the command's error
		case a.Reason != "":
			fmt.Fprintf(w, "%s\t%s\t%s: %s\n", shortID(a.JobID), a.Clip, a.Outcome, a.Reason)
		default:
			fmt.Fprintf(w, "%s\t%s\t%s\n", shortID(a.JobID), a.Clip, a.Outcome)
		}
	}
	return w.Flush()
}

// shortID is how much of an id is shown; commands take any beginning that is
// unique.
func shortID(id string) string { return id[:min(len(id), 10)] }

package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"
	"unicode"

	"github.com/spf13/cobra"

	"nightcage/cmd/internal/roster"
	"nightcage/worker"
	"nightcage/worker/analysis"
)

type watchOptions struct {
	home    homeFlags
	queue   queueFlags
	quiet   time.Duration
	once    bool
	example bool
}

// lookEvery is how often a folder is looked through.
const lookEvery = 5 * time.Second

func newWatchCommand() *cobra.Command {
	var o watchOptions
	cmd := &cobra.Command{
		Use:   "watch DIR",
		Short: "Hand in the clips that land in a folder",
		Long: `Watch puts clips on the queue that land in a folder, from a phone's upload, a
memory card or a network share. Make one folder in it for each hitter, named after
the hitter, and write down who they are in DIR/watch.yaml; --example prints one.

    DIR/watch.yaml
    DIR/Rook Calder/anything.mp4
    DIR/Juniper Sable/tuesday/anything.mov

A clip is handed in when it has stayed as it is for --quiet and nobody on this
machine is still writing it. The same clip is handed in once, whatever it is
called and wherever it is copied to. A file that cannot be handed in is named once,
with the reason, and again when it or the reason changes. Files that are no clips are left
alone. Nothing is moved, changed or removed.

Watch runs until it is stopped, survives the queue's and its own restart, and
needs no worker to run. With --once it stops when all that is there is handed in.

` + exitCodesHelp,
		Example: "  nightcage watch --example > clips/watch.yaml\n  nightcage watch clips",
		Args: func(cmd *cobra.Command, args []string) error {
			if o.example {
				return cobra.NoArgs(cmd, args)
			}
			return cobra.ExactArgs(1)(cmd, args)
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			if o.example {
				_, err := io.WriteString(cmd.OutOrStdout(), roster.Example)
				return err
			}
			return o.run(cmd.Context(), args[0], cmd.OutOrStdout(), cmd.ErrOrStderr())
		},
	}
	o.home.bind(cmd.Flags())
	o.queue.bind(cmd.Flags())
	cmd.Flags().DurationVar(&o.quiet, "quiet", 15*time.Second, "how long a file must stay the same: more than the pauses of a slow upload")
	cmd.Flags().BoolVar(&o.once, "once", false, "stop when all that is there is handed in")
	cmd.Flags().BoolVar(&o.example, "example", false, "print a watch.yaml to begin with")
	return cmd
}

func (o *watchOptions) run(ctx context.Context, dir string, out, log io.Writer) error {
	if o.quiet < 0 {
		return usageError{fmt.Errorf("--quiet %v is negative", o.quiet)}
	}
	dir, err := filepath.Abs(dir)
	if err != nil {
		return err
	}
	if info, err := os.Stat(dir); err != nil || !info.IsDir() {
		return usageError{fmt.Errorf("%s is no folder", dir)}
	}
	if _, err := roster.Read(dir); err != nil {
		return usageError{fmt.Errorf("%w\nnightcage watch --example prints one to begin with", err)}
	}
	s, err := o.home.open(ctx, log)
	if err != nil {
		return err
	}
	defer s.close()
	bad := 0
	w := &worker.Watcher{Dir: dir, Ledger: s.ledger, Pipeline: analysis.PipelineVersion, Quiet: o.quiet,
		Open:   func(ctx context.Context) (*worker.Desk, func(), error) { return s.desk(ctx, o.queue) },
		Roster: func() (worker.Roster, error) { return roster.Read(dir) },
		Report: func(seen worker.Seen) {
			if seen.Err != nil {
				bad++
			}
			printSeen(out, seen)
		}}
	if !o.once {
		return watchOn(ctx, w, log)
	}
	for {
		waiting, err := w.Look(ctx)
		if err != nil {
			return err
		}
		if waiting == 0 && bad == 0 {
			return nil
		}
		if waiting == 0 {
			return &worker.Failure{Class: worker.ClassBadClip, Kind: worker.KindUnreadable, Words: fmt.Sprintf("%d files were not handed in", bad)}
		}
		if err := pause(ctx, min(lookEvery, max(o.quiet/4, 50*time.Millisecond))); err != nil {
			return err
		}
	}
}

// watchOn looks until it is stopped. Trouble with the folder or the queue is said
// once, and so is its end; the next look makes up for it.
func watchOn(ctx context.Context, w *worker.Watcher, log io.Writer) error {
	said := ""
	for {
		_, err := w.Look(ctx)
		switch {
		case ctx.Err() != nil:
			return nil // being stopped is how it ends
		case err != nil && err.Error() != said:
			said = err.Error()
			fmt.Fprintf(log, "cannot go on for now: %v\n", err)
		case err == nil && said != "":
			said = ""
			fmt.Fprintln(log, "going on")
		}
		if pause(ctx, lookEvery) != nil {
			return nil
		}
	}
}

func pause(ctx context.Context, d time.Duration) error {
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-time.After(d):
		return nil
	}
}

// printSeen prints a line for a file. Names come from anywhere: what would move
// the cursor is shown as it is written in Go.
func printSeen(out io.Writer, s worker.Seen) {
	name := s.Path
	if strings.ContainsFunc(name, func(r rune) bool { return !unicode.IsPrint(r) || r == unicode.ReplacementChar }) {
		name = fmt.Sprintf("%q", name)
	}
	var f *worker.Failure
	switch {
	case errors.As(s.Err, &f):
		fmt.Fprintf(out, "not handed in  %s: %s\n", name, f.Words)
	case s.Err != nil:
		fmt.Fprintf(out, "not handed in  %s: %v\n", name, s.Err)
	case s.Receipt.Reason != "":
		fmt.Fprintf(out, "%s  %s  %s: %s\n", shortID(s.Receipt.JobID), name, s.Receipt.Outcome, s.Receipt.Reason)
	default:
		fmt.Fprintf(out, "%s  %s  %s\n", shortID(s.Receipt.JobID), name, s.Receipt.Outcome)
	}
}

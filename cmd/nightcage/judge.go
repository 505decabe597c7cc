package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"runtime"
	"time"

	"github.com/spf13/cobra"

	"nightcage/cmd/internal/judge"
	"nightcage/cmd/internal/report"
	"nightcage/vision"
	"nightcage/worker/analysis"
)

func newJudgeCommand() *cobra.Command {
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "judge DIR",
		Short: "Measure clips that have a truth file and print the errors",
		Long: `Judge measures every clip in DIR that has a truth file (NAME.mp4 with NAME.json
or NAME.json.gz), and prints for each quantity how many values were compared,
the median and 95th percentile of the absolute error, the bias, how many values
were unavailable, and how often the 95 % interval held the truth; then, for the
measures, what the error bars claimed against what the errors were.

The pipeline is told the hitter's height and inseam and the bat's length, as a
coach would tell it, and nothing else.`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			rep, err := judgeFolder(cmd.Context(), args[0], cmd.ErrOrStderr())
			if err != nil {
				return err
			}
			if asJSON {
				return printJSON(cmd.OutOrStdout(), rep)
			}
			return report.Judgement(cmd.OutOrStdout(), rep)
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "print the report as JSON")
	return cmd
}

func newCalibrateCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "calibrate JUDGEMENT...",
		Short: "Make error-bar factors from judgements of clips with truth",
		Long: `Calibrate reads what "nightcage judge DIR --json" printed and prints the factors
by which error bars are to be widened or narrowed, with the data behind them.
It is for developers: make calibrate builds them into the program.`,
		Args: cobra.MinimumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			reports := make([]judge.Report, len(args))
			for i, path := range args {
				raw, err := os.ReadFile(path)
				if err == nil {
					err = json.Unmarshal(raw, &reports[i])
				}
				if err != nil {
					return fmt.Errorf("read judgement: %w", err)
				}
			}
			c, err := judge.Calibrate(reports, time.Now())
			if err != nil {
				return err
			}
			return printJSON(cmd.OutOrStdout(), c)
		},
	}
}

// judgeFolder measures a clip on each core at a time.
func judgeFolder(ctx context.Context, dir string, log io.Writer) (judge.Report, error) {
	var pipelines []judge.Pipeline
	for range runtime.GOMAXPROCS(0) {
		a, err := analysis.New(ctx)
		if err != nil {
			return judge.Report{}, err
		}
		defer a.Close()
		pipelines = append(pipelines, pipeline(a))
	}
	return judge.Folder(ctx, dir, pipelines, func(i, n int, clip string) {
		fmt.Fprintf(log, "%d of %d judged: %s\n", i, n, clip)
	})
}

func pipeline(a *analysis.Analyser) judge.Pipeline {
	return func(ctx context.Context, path string, subject vision.Subject) (judge.Measured, error) {
		found, err := a.Run(ctx, path, subject, analysis.Options{NoStills: true}, nil)
		if err != nil {
			return judge.Measured{}, err
		}
		if len(found) > 1 {
			return judge.Measured{}, fmt.Errorf("judge %s: %d swings were found, the truth file knows of one", path, len(found))
		}
		res := found[0]
		return judge.Measured{Track: res.Track, Timeline: res.Timeline, Swing: res.Swing}, nil
	}
}

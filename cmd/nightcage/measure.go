package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"github.com/schollz/progressbar/v3"
	"github.com/spf13/cobra"
	"golang.org/x/term"

	"nightcage/cmd/internal/report"
	"nightcage/metrics"
	"nightcage/vision"
	"nightcage/worker/analysis"
)

type measureOptions struct {
	who      subjectFlags
	asJSON   bool
	track    string
	timeline string
	stills   string
	budget   bool
	rules    rulesFlag
}

func newMeasureCommand() *cobra.Command {
	var o measureOptions
	cmd := &cobra.Command{
		Use:   "measure CLIP",
		Short: "Measure one clip now, without the queue",
		Long: `Measure finds the swings in CLIP and prints for each its events and measures, each
with a 95 % error bar, or a reason where it could not be measured.

Of a clip with several swings --json prints one record after the other, and the
files of swing 2 are named FILE-2: track-2.json for --track track.json.

Tell what you know: the hitter's height or the bat's length sets the scale, the
true capture rate sets the clock of a slow-motion clip.

` + exitCodesHelp,
		Example: "  nightcage measure swing.mp4 --height 70in --bat 33in\n" +
			"  nightcage measure slowmo.mov --height 5ft4in --bat 30in --capture-fps 240 --stills stills",
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			subject, err := o.who.subject()
			if err != nil {
				return err
			}
			return o.run(cmd.Context(), args[0], subject, cmd.OutOrStdout(), cmd.ErrOrStderr())
		},
	}
	o.who.bind(cmd.Flags())
	o.rules.bind(cmd.Flags(), rulesOfShipped)
	cmd.Flags().BoolVar(&o.asJSON, "json", false, "print the record as JSON")
	cmd.Flags().StringVar(&o.track, "track", "", "also write where body, bat and ball are in each picture looked at, as JSON, to `FILE`")
	cmd.Flags().StringVar(&o.timeline, "timeline", "", "also write the events and phases, as JSON, to `FILE`")
	cmd.Flags().StringVar(&o.stills, "stills", "", "also write the stills, with lines drawn, into `DIR`")
	cmd.Flags().BoolVar(&o.budget, "budget", false, "say which source of error gives what share of each error bar")
	return cmd
}

func (o *measureOptions) run(ctx context.Context, path string, subject vision.Subject, out, log io.Writer) error {
	held, err := o.rules.load("")
	if err != nil {
		return err
	}
	a, err := analysis.New(ctx)
	if err != nil {
		return err
	}
	defer a.Close()
	progress, done := bar(log, "measuring "+filepath.Base(path))
	found, err := a.Run(ctx, path, subject, analysis.Options{NoStills: o.stills == "", Budget: o.budget, Rules: held}, progress)
	done()
	if err != nil {
		return o.failed(a, path, subject, err, out)
	}
	for i, res := range found {
		if err := o.files(res); err != nil {
			return err
		}
		if o.asJSON {
			err = printJSON(out, res.Swing)
		} else {
			if i > 0 {
				fmt.Fprintln(out)
			}
			err = report.Swing(out, res.Swing)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// failed prints the record of a clip that could not be measured, for readers
// of records, and passes the error on.
func (o *measureOptions) failed(a *analysis.Analyser, path string, subject vision.Subject, err error, out io.Writer) error {
	kind, reason, isClip := analysis.Reason(err)
	if !isClip || !o.asJSON {
		return err
	}
	s := a.Failed(metrics.Failure{Kind: kind, Text: reason}, vision.Clip{Name: filepath.Base(path)}, subject)
	return errors.Join(err, printJSON(out, s))
}

// numbered puts the number of a swing that is one of several at the end of a
// file's name, before its extension.
func numbered(path string, c metrics.ClipFacts) string {
	if c.Swings < 2 || path == "" {
		return path
	}
	ext := filepath.Ext(path)
	return fmt.Sprintf("%s-%d%s", strings.TrimSuffix(path, ext), c.Swing, ext)
}

// files writes what was asked for beside the record.
func (o *measureOptions) files(res *analysis.Result) error {
	for _, f := range []struct {
		path string
		v    any
	}{{numbered(o.track, res.Swing.Clip), res.Track}, {numbered(o.timeline, res.Swing.Clip), res.Timeline}} {
		if f.path == "" {
			continue
		}
		raw, err := json.Marshal(f.v)
		if err == nil {
			err = os.WriteFile(f.path, append(raw, '\n'), 0o644)
		}
		if err != nil {
			return fmt.Errorf("write %s: %w", f.path, err)
		}
	}
	if o.stills == "" {
		return nil
	}
	if err := os.MkdirAll(o.stills, 0o755); err != nil {
		return fmt.Errorf("write stills: %w", err)
	}
	name := numbered(res.Track.Clip.Name, res.Swing.Clip)
	stem := strings.TrimSuffix(name, filepath.Ext(name))
	for _, s := range res.Stills {
		if err := os.WriteFile(filepath.Join(o.stills, stem+"_"+string(s.Event)+".jpg"), s.JPEG, 0o644); err != nil {
			return fmt.Errorf("write stills: %w", err)
		}
	}
	return nil
}

func printJSON(w io.Writer, v any) error {
	enc := json.NewEncoder(w)
	enc.SetIndent("", "  ")
	return enc.Encode(v)
}

// bar shows progress on a terminal and nothing elsewhere.
func bar(log io.Writer, what string) (say func(done, total int), end func()) {
	f, ok := log.(*os.File)
	if !ok || !term.IsTerminal(int(f.Fd())) {
		return nil, func() {}
	}
	b := progressbar.NewOptions(-1, progressbar.OptionSetWriter(f), progressbar.OptionSetDescription(what),
		progressbar.OptionClearOnFinish(), progressbar.OptionShowCount(), progressbar.OptionSetWidth(30))
	return func(done, total int) {
		if total == 0 {
			_ = b.Add(1) // not known yet: a count without an end
			return
		}
		if b.GetMax() != total {
			b.ChangeMax(total)
		}
		// A terminal that went away is no reason to stop measuring.
		_ = b.Set(done)
	}, func() { _ = b.Finish() }
}

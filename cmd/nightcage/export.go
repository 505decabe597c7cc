package main

import (
	"cmp"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/cloudevents/sdk-go/v2/event"
	"github.com/spf13/cobra"

	"nightcage/cmd/internal/export"
	"nightcage/cmd/internal/season"
	"nightcage/worker"
)

type exportOptions struct {
	home   homeFlags
	format string
	to     string
	who    recordsOptions
}

// exportFormats are the values of --format.
var exportFormats = []string{"csv", "parquet", "xlsx", "ndjson", "trc", "c3d"}

func newExportCommand() *cobra.Command {
	var o exportOptions
	cmd := &cobra.Command{
		Use:   "export --format FORMAT [ID...]",
		Short: "Write swings for other programs: tables, records, joints' paths",
		Long: `Export writes the swings of the records named by ID, or of all.

  csv, parquet  a table with a row for each measure of each swing: its value in the
                trade's unit and in SI units, its standard uncertainty, its 95 %
                interval, its grade, and the reason where it could not be had
  xlsx          a workbook: the same table, one with a row for each swing, and what
                the measures are
  ndjson        the records as they are, failures too, one CloudEvent a line
  trc, c3d      where joints and bat were, at the rate that the clip was taken at, for
                programs that read marker files: one file a swing, in the folder named
                by -o. Between pictures that were looked at they lie on straight lines.
                c3d says where, and has the events and the error of each place

Tables and marker files hold full swings, not takes, checks and bunts; of a clip
that was measured more than once the newest. csv and ndjson go to the standard
output where no -o is given. Records that no consent was told for stay here; the
standard error says how many of whom.

` + exitCodesHelp,
		Example: "  nightcage export --format xlsx -o november.xlsx --team \"Cinder Creek Comets\"\n" +
			"  nightcage export --format trc -o markers 3fa9c1",
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := o.check(); err != nil {
				return err
			}
			s, err := o.home.open(cmd.Context(), cmd.ErrOrStderr())
			if err != nil {
				return err
			}
			defer s.close()
			return o.run(cmd.Context(), s, args, cmd.OutOrStdout(), cmd.ErrOrStderr())
		},
	}
	o.home.bind(cmd.Flags())
	cmd.Flags().StringVar(&o.format, "format", "", "`FORMAT`: "+strings.Join(exportFormats, ", "))
	cmd.Flags().StringVarP(&o.to, "output", "o", "", "`FILE` to write; for trc and c3d the folder")
	cmd.Flags().StringVar(&o.who.team, "team", "", "only swings of the team with this `NAME`")
	cmd.Flags().StringVar(&o.who.hitter, "hitter", "", "only swings of the hitter with this `NAME`")
	return cmd
}

func (o *exportOptions) check() error {
	if !slices.Contains(exportFormats, o.format) {
		return usageError{fmt.Errorf("--format %q: one of %s", o.format, strings.Join(exportFormats, ", "))}
	}
	if o.to == "" && o.format != "csv" && o.format != "ndjson" {
		return usageError{fmt.Errorf("--format %s: say where to with -o", o.format)}
	}
	return nil
}

// run exports what can be read. A damaged record is named, does not hide the
// others, and is the command's error.
func (o *exportOptions) run(ctx context.Context, s *store, ids []string, out, log io.Writer) error {
	events, damaged, err := o.events(ctx, s, ids)
	if err != nil {
		return err
	}
	if events, err = s.shared(ctx, events, log); err != nil {
		return errors.Join(damaged, err)
	}
	if o.format == "ndjson" {
		return errors.Join(damaged, o.write(out, func(w io.Writer) error { return printLines(w, events) }))
	}
	swings, err := season.Load(events)
	if err != nil {
		return err
	}
	if len(swings) == 0 {
		return errors.Join(damaged, fmt.Errorf("%w: no full swing to export", worker.ErrNoRecord))
	}
	switch o.format {
	case "trc", "c3d":
		err = o.markers(ctx, s, swings, out, log)
	case "xlsx":
		err = o.write(out, func(w io.Writer) error { return export.Workbook(w, swings) })
	default:
		table := map[string]func(io.Writer, []export.Row) error{"csv": export.CSV, "parquet": export.Parquet}[o.format]
		var rows []export.Row
		if rows, err = export.Rows(swings); err == nil {
			err = o.write(out, func(w io.Writer) error { return table(w, rows) })
		}
	}
	return errors.Join(damaged, err)
}

func (o *exportOptions) events(ctx context.Context, s *store, ids []string) (events []event.Event, damaged, err error) {
	if len(ids) == 0 {
		return s.events(ctx, o.who.wants)
	}
	for _, id := range ids {
		found, _, err := s.find(id)
		if err != nil {
			return nil, nil, err
		}
		for _, e := range found {
			if o.who.wants(e) {
				events = append(events, e)
			}
		}
	}
	return events, nil, nil
}

// shared are the events that may leave the home. Those that may not are named on log,
// hitter by hitter; when all of them are, that is the error.
func (s *store) shared(ctx context.Context, events []event.Event, log io.Writer) ([]event.Event, error) {
	var out []event.Event
	var first error
	held := map[string]int{}
	for _, e := range events {
		err := s.ledger.MayShare(ctx, e)
		switch {
		case errors.Is(err, worker.ErrNoConsent):
			held[e.Subject()]++
			first = cmp.Or(first, err)
		case err != nil:
			return nil, err
		default:
			out = append(out, e)
		}
	}
	if len(out) == 0 && first != nil {
		return nil, usageError{first}
	}
	for _, h := range slices.Sorted(maps.Keys(held)) {
		fmt.Fprintf(log, "left out: %d of %s: %v\n", held[h], cmp.Or(h, "a hitter without a name"), worker.ErrNoConsent)
	}
	return out, nil
}

// write fills the output: a file appears whole or not at all.
func (o *exportOptions) write(out io.Writer, fill func(io.Writer) error) error {
	if o.to == "" {
		return fill(out)
	}
	return writeWhole(o.to, fill)
}

// writeWhole writes a file under another name and gives it its own when it is
// complete and synced.
func writeWhole(path string, fill func(io.Writer) error) (err error) {
	f, err := os.OpenFile(filepath.Join(filepath.Dir(path), ".nightcage-"+rand.Text()), os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return fmt.Errorf("write %s: %w", path, err)
	}
	defer os.Remove(f.Name()) // gone already when all went well
	if err = fill(f); err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		return fmt.Errorf("write %s: %w", path, err)
	}
	return nil
}

package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/cloudevents/sdk-go/v2/event"
	"github.com/spf13/cobra"

	"nightcage/cmd/internal/report"
	"nightcage/cmd/internal/room/correct"
	"nightcage/cmd/internal/season"
	"nightcage/metrics"
	"nightcage/phases"
	"nightcage/worker"
)

type recordsOptions struct {
	home   homeFlags
	team   string
	hitter string
	all    bool
	asJSON bool
}

func newRecordsCommand() *cobra.Command {
	var o recordsOptions
	cmd := &cobra.Command{
		Use:   "records [ID]",
		Short: "List stored records, or print one",
		Long: `Records lists the swings that were measured and the clips that could not be,
oldest first, or prints one in full. Of a clip with several records, by newer
versions or remade, the newest is listed, with --all each. An ID may be cut short
as long as it is unique. Every record is checked against its checksum as it is read.

` + exitCodesHelp,
		Args: cobra.MaximumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			s, err := o.home.open(cmd.Context(), cmd.ErrOrStderr())
			if err != nil {
				return err
			}
			defer s.close()
			if len(args) == 1 {
				return o.one(s, args[0], cmd.OutOrStdout())
			}
			return o.list(cmd.Context(), s, cmd.OutOrStdout())
		},
	}
	o.home.bind(cmd.Flags())
	cmd.Flags().StringVar(&o.team, "team", "", "only those of the team with this `NAME`")
	cmd.Flags().StringVar(&o.hitter, "hitter", "", "only those of the hitter with this `NAME`")
	cmd.Flags().BoolVar(&o.all, "all", false, "also the earlier records of a clip")
	cmd.Flags().BoolVar(&o.asJSON, "json", false, "print the records as JSON, one CloudEvent a line")
	return cmd
}

// list prints a table. A damaged record is named, does not hide the others, and
// is the command's error.
func (o *recordsOptions) list(ctx context.Context, s *store, out io.Writer) error {
	events, damaged, err := s.events(ctx, o.wants)
	if err != nil {
		return err
	}
	if !o.all {
		events = season.Latest(events)
	}
	print := printTable
	if o.asJSON {
		print = printLines
	}
	return errors.Join(damaged, print(out, events))
}

// events reads the wanted events of every record, oldest first, as they
// were last corrected by hand. damaged joins what
// was wrong with records that could not be read.
func (s *store) events(ctx context.Context, wants func(event.Event) bool) (events []event.Event, damaged, err error) {
	ids, err := s.records.IDs()
	if err != nil {
		return nil, nil, err
	}
	var bad []error
	for _, id := range ids {
		if ctx.Err() != nil {
			return nil, nil, ctx.Err()
		}
		rec, err := s.records.Get(id)
		switch {
		case errors.Is(err, worker.ErrDamaged):
			bad = append(bad, err)
		case errors.Is(err, worker.ErrNoRecord): // being replaced this very moment
		case err != nil:
			return nil, nil, err
		}
		for _, e := range rec.Events {
			if !wants(e) {
				continue
			}
			e, err := correct.Of(s.home).Latest(e)
			switch {
			case errors.Is(err, worker.ErrDamaged):
				bad = append(bad, err)
			case err != nil:
				return nil, nil, err
			default:
				events = append(events, e)
			}
		}
	}
	slices.SortStableFunc(events, func(a, b event.Event) int { return a.Time().Compare(b.Time()) })
	return events, errors.Join(bad...), nil
}

func (o *recordsOptions) wants(e event.Event) bool {
	team, _ := e.Extensions()["team"].(string)
	return (o.team == "" || strings.EqualFold(o.team, team)) && (o.hitter == "" || strings.EqualFold(o.hitter, e.Subject()))
}

func printLines(out io.Writer, events []event.Event) error {
	enc := json.NewEncoder(out)
	for _, e := range events {
		if err := enc.Encode(e); err != nil {
			return err
		}
	}
	return nil
}

func printTable(out io.Writer, events []event.Event) error {
	if len(events) == 0 {
		_, err := fmt.Fprintln(out, "no records")
		return err
	}
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "ID\tRECORDED\tHITTER\tCLIP\tSWING\tBAT SPEED\tATTACK ANGLE\tMEASURES")
	for _, e := range events {
		var s metrics.Swing
		if err := e.DataAs(&s); err != nil {
			return fmt.Errorf("record %s: %w", e.ID(), err)
		}
		row := []string{swingID(e.ID(), s), e.Time().Local().Format("2006-01-02 15:04"), e.Subject(), s.Clip.Name, which(s)}
		if s.Status == metrics.StatusFailed {
			row = append(row, "-", "-", "none: "+s.Failure.Text)
		} else {
			row = append(row, short(s, "bat_speed_contact"), short(s, "attack_angle_contact"), grades(s))
		}
		fmt.Fprintln(w, strings.Join(row, "\t"))
	}
	return w.Flush()
}

// swingID is a record's id cut short, with the number that tells it from the other
// swings of its clip.
func swingID(id string, s metrics.Swing) string {
	if s.Clip.Swings < 2 {
		return shortID(id)
	}
	return fmt.Sprintf("%s-%d", shortID(id), s.Clip.Swing)
}

// which says which swing of its clip a record is of, and what sort when it is no
// full swing.
func which(s metrics.Swing) string {
	if s.Status == metrics.StatusFailed {
		return "-"
	}
	words := fmt.Sprintf("%d of %d", max(s.Clip.Swing, 1), max(s.Clip.Swings, 1))
	if s.Timeline.Kind != phases.KindSwing {
		words += ", " + string(s.Timeline.Kind)
	}
	return words
}

// short prints a measure with half the width of its 95 % interval.
func short(s metrics.Swing, id string) string {
	r, ok := s.Find(id)
	if !ok || r.Value == nil {
		return "-"
	}
	return fmt.Sprintf("%.0f ± %.0f %s", *r.Value, (*r.High95-*r.Low95)/2, r.Unit)
}

// grades counts the measures by grade.
func grades(s metrics.Swing) string {
	n := map[metrics.Grade]int{}
	for _, r := range s.Measures {
		n[r.Grade]++
	}
	return fmt.Sprintf("%d measured, %d estimated, %d unavailable",
		n[metrics.GradeMeasured], n[metrics.GradeEstimated], n[metrics.GradeUnavailable])
}

func (o *recordsOptions) one(s *store, prefix string, out io.Writer) error {
	events, rec, err := s.find(prefix)
	if err != nil {
		return err
	}
	for _, e := range events {
		if err := o.print(e, rec, out); err != nil {
			return err
		}
	}
	return nil
}

// find reads the record whose ID begins with prefix: all swings of its job, or the
// one that the prefix numbers (ID-2), as they were last corrected by
// hand.
func (s *store) find(prefix string) ([]event.Event, worker.Record, error) {
	ids, err := s.records.IDs()
	if err != nil {
		return nil, worker.Record{}, err
	}
	job, _, _ := strings.Cut(prefix, "-")
	id, err := unique(job, ids, worker.ErrNoRecord)
	if err != nil {
		return nil, worker.Record{}, err
	}
	rec, err := s.records.Get(id)
	if err != nil {
		return nil, rec, err
	}
	var events []event.Event
	for _, e := range rec.Events {
		if job == prefix || e.ID() == id+strings.TrimPrefix(prefix, job) {
			if e, err = correct.Of(s.home).Latest(e); err != nil {
				return nil, rec, err
			}
			events = append(events, e)
		}
	}
	if len(events) == 0 {
		return nil, rec, fmt.Errorf("%w: %s", worker.ErrNoRecord, prefix)
	}
	return events, rec, nil
}

func (o *recordsOptions) print(e event.Event, rec worker.Record, out io.Writer) error {
	if o.asJSON {
		return printJSON(out, e)
	}
	var s metrics.Swing
	if err := e.DataAs(&s); err != nil {
		return fmt.Errorf("record %s: %w", e.ID(), err)
	}
	fmt.Fprintf(out, "record %s, %s\nstored in %s\n", e.ID(), e.Time().Local().Format(time.RFC1123), rec.Dir)
	if n, ok := e.Extensions()[correct.Mark]; ok {
		fmt.Fprintf(out, "as correction %v by hand has it; the film room has the machine's version too\n", n)
	}
	fmt.Fprintln(out)
	return report.Swing(out, s)
}

// unique returns the one of ids that begins with prefix.
func unique(prefix string, ids []string, none error) (string, error) {
	var found []string
	for _, id := range ids {
		if strings.HasPrefix(id, prefix) {
			found = append(found, id)
		}
	}
	switch {
	case len(found) == 0:
		return "", fmt.Errorf("%w: %s", none, prefix)
	case len(found) > 1:
		return "", usageError{fmt.Errorf("%s is the beginning of %d ids", prefix, len(found))}
	}
	return found[0], nil
}

// jobID completes a job's id from the ledger.
func (s *store) jobID(ctx context.Context, prefix string) (string, error) {
	entries, err := s.ledger.Entries(ctx)
	if err != nil {
		return "", err
	}
	ids := make([]string, len(entries))
	for i, e := range entries {
		ids[i] = e.Job.ID
	}
	job, _, _ := strings.Cut(prefix, "-")
	return unique(job, ids, worker.ErrUnknownJob)
}

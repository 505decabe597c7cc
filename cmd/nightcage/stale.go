package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"nightcage/cmd/internal/room/correct"
	"nightcage/metrics"
	"nightcage/worker"
)

type staleOptions struct {
	home   homeFlags
	queue  queueFlags
	values bool
	submit bool
	asJSON bool
}

func newStaleCommand() *cobra.Command {
	var o staleOptions
	cmd := &cobra.Command{
		Use:   "stale",
		Short: "List the records that this version would change",
		Long: `Stale lists, of each hitter's clip, the newest record when an older version made
it, with what brings it up to date:

  remake                       only the measuring has changed: nightcage remake
  measure again                what is seen in the clip has: nightcage stale --submit
  remake from the older track  so it has, but the clip is gone
  none                         the clip is gone and the record keeps no track that serves

A clip that could not be measured is among them when a newer version looks at
clips otherwise. Records of a version later than this one are left alone.

With --values it remakes each in passing, stores nothing, and prints the measures
that would change, from what to what. With --submit the clips that have to be
measured again are put on the queue behind all others: a worker takes one when it
has nothing else to do. One that was corrected by hand is left alone: submit it
yourself, and correct what is still wrong.

` + exitCodesHelp,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if o.values && o.submit {
				return usageError{errors.New("--values only looks; leave it out with --submit")}
			}
			s, err := o.home.open(cmd.Context(), cmd.ErrOrStderr())
			if err != nil {
				return err
			}
			defer s.close()
			held, err := (&rulesFlag{}).load(s.home.Dir())
			if err != nil {
				return err
			}
			return o.run(cmd.Context(), s, remaker(s.home, held), cmd.OutOrStdout())
		},
	}
	o.home.bind(cmd.Flags())
	o.queue.bind(cmd.Flags())
	cmd.Flags().BoolVar(&o.values, "values", false, "also print the measures that a remake would change")
	cmd.Flags().BoolVar(&o.submit, "submit", false, "put the clips to be measured again on the queue, behind all others")
	cmd.Flags().BoolVar(&o.asJSON, "json", false, "print the list as JSON")
	return cmd
}

// staleLine is one record of the list.
type staleLine struct {
	worker.Stale
	Outcome worker.Outcome `json:"outcome,omitempty"` // with --submit
	// Corrected is how many corrections by hand its swings have.
	Corrected int           `json:"corrected,omitempty"`
	Changes   []valueChange `json:"changes,omitempty"` // with --values
}

// valueChange is a measure that a remake would change, in the words of a list.
type valueChange struct {
	Swing   int    `json:"swing"`
	Measure string `json:"measure"`
	From    string `json:"from,omitempty"` // empty: the record has no such measure
	To      string `json:"to,omitempty"`   // empty: this version has no such measure
}

type staleReport struct {
	Lines   []staleLine `json:"stale"`
	Current int         `json:"current"`
	Newer   int         `json:"newer"`
}

// run lists what it can read and returns the errors of the others.
func (o *staleOptions) run(ctx context.Context, s *store, m worker.Remaker, out io.Writer) error {
	desk := &worker.Desk{Ledger: s.ledger, Records: s.records}
	all, damaged, err := desk.Stale(ctx, m)
	if err != nil {
		return err
	}
	errs := []error{damaged}
	r := staleReport{Lines: []staleLine{}, Current: all.Current, Newer: all.Newer}
	if o.submit && all.Count(worker.RemedyMeasure) > 0 {
		d, leave, err := s.desk(ctx, o.queue)
		if err != nil {
			return errors.Join(damaged, err)
		}
		defer leave()
		desk = d
	}
	for _, x := range all.Stale {
		l := staleLine{Stale: x}
		var err error
		if l.Corrected, err = correct.Of(s.home).Count(x.JobID); err != nil {
			return err
		}
		switch {
		case o.submit && x.Remedy == worker.RemedyMeasure && l.Corrected == 0:
			var receipt worker.Receipt
			receipt, err = desk.Again(ctx, m, x.JobID)
			l.Outcome = receipt.Outcome
		case o.values && (x.Remedy == worker.RemedyRemake || x.Remedy == worker.RemedyOldTrack):
			l.Changes, err = s.changes(ctx, m, x.JobID)
		}
		if ctx.Err() != nil {
			return ctx.Err()
		}
		errs = append(errs, err)
		r.Lines = append(r.Lines, l)
	}
	if o.asJSON {
		err = printJSON(out, r)
	} else {
		err = r.print(out, o.values)
	}
	return errors.Join(append(errs, err)...)
}

// changes remakes a record, stores nothing, and compares.
func (s *store) changes(ctx context.Context, m worker.Remaker, jobID string) ([]valueChange, error) {
	rec, err := s.records.Get(jobID)
	if err != nil {
		return nil, err
	}
	res, _, err := m.Make(ctx, s.records, jobID)
	if err != nil {
		return nil, err
	}
	var out []valueChange
	for i, w := range res.Swings {
		var was, is metrics.Swing
		if err := rec.Events[i].DataAs(&was); err != nil {
			return nil, fmt.Errorf("%w: %s: %w", worker.ErrDamaged, rec.Events[i].ID(), err)
		}
		if err := json.Unmarshal(w.Data, &is); err != nil {
			return nil, fmt.Errorf("remake %s: %w", jobID, err)
		}
		out = append(out, compareValues(i+1, was, is)...)
	}
	return out, nil
}

// compareValues lists the measures of two records of one swing that a coach would
// read differently: to the digits that their error bars leave, by grade, or by the
// reason for there being none.
func compareValues(swing int, was, is metrics.Swing) (out []valueChange) {
	for _, b := range is.Measures {
		c := valueChange{Swing: swing, Measure: b.ID, To: valueWords(b)}
		if a, ok := was.Find(b.ID); ok {
			c.From = valueWords(a)
		}
		if c.From != c.To {
			out = append(out, c)
		}
	}
	for _, a := range was.Measures {
		if _, ok := is.Find(a.ID); !ok {
			out = append(out, valueChange{Swing: swing, Measure: a.ID, From: valueWords(a)})
		}
	}
	return out
}

func valueWords(r metrics.Result) string {
	if r.Value == nil {
		return "unavailable: " + r.ReasonText
	}
	return metrics.Text(r) + ", " + string(r.Grade)
}

func (r staleReport) print(out io.Writer, values bool) error {
	n := map[worker.Remedy]int{}
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	if len(r.Lines) > 0 {
		fmt.Fprintln(w, "ID\tHITTER\tCLIP\tMADE BY\tTRACK BY\tREMEDY")
	}
	for _, l := range r.Lines {
		n[l.Remedy]++
		track, remedy := l.Vision, string(l.Remedy)
		switch {
		case l.Failed:
			track = "- (not measured)"
		case track == "":
			track = "not said"
		}
		switch {
		case l.Outcome != "":
			remedy += ": " + string(l.Outcome)
		case l.Waiting:
			remedy += ": already queued"
		case l.Corrected > 0 && l.Remedy == worker.RemedyMeasure:
			remedy += ": corrected by hand, left alone"
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\n", shortID(l.JobID), l.Hitter, l.Clip, l.Pipeline, track, remedy)
	}
	if err := w.Flush(); err != nil {
		return err
	}
	for _, l := range r.Lines {
		if !values || l.Remedy == worker.RemedyMeasure || l.Remedy == worker.RemedyNone {
			continue
		}
		if err := l.printChanges(out); err != nil {
			return err
		}
	}
	var words []string
	for _, k := range worker.Remedies() {
		if n[k] > 0 {
			words = append(words, fmt.Sprintf("%d %s", n[k], k))
		}
	}
	total := len(r.Lines) + r.Current + r.Newer
	if len(words) == 0 {
		words = []string{"nothing to do"}
	}
	_, err := fmt.Fprintf(out, "%d of %d clips have a stale record: %s\n", len(r.Lines), total, strings.Join(words, ", "))
	if err == nil && r.Newer > 0 {
		_, err = fmt.Fprintf(out, "%d of a version later than this one, left alone\n", r.Newer)
	}
	return err
}

func (l staleLine) printChanges(out io.Writer) error {
	fmt.Fprintf(out, "\n%s  %s\n", shortID(l.JobID), l.Clip)
	if len(l.Changes) == 0 {
		_, err := fmt.Fprintln(out, "  no measure changes")
		return err
	}
	for _, c := range l.Changes {
		from, to := c.From, c.To
		if from == "" {
			from = "new"
		}
		if to == "" {
			to = "gone"
		}
		if _, err := fmt.Fprintf(out, "  swing %d  %s: %s -> %s\n", c.Swing, c.Measure, from, to); err != nil {
			return err
		}
	}
	return nil
}

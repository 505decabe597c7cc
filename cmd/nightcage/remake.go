package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"time"

	"github.com/spf13/cobra"

	"nightcage/cmd/internal/room/correct"
	"nightcage/metrics"
	"nightcage/metrics/rules"
	"nightcage/phases"
	"nightcage/vision"
	"nightcage/worker"
	"nightcage/worker/analysis"
)

// remaker is what makes the home's records anew in the present version, held against
// a set of rules. What a person corrected stays corrected.
func remaker(home worker.Home, held *rules.Set) worker.Remaker {
	o := metrics.Options{Rules: held}
	return worker.Remaker{
		Pipeline: analysis.PipelineVersion,
		Vision:   analysis.VisionVersion,
		Schema:   recordSchema(),
		Measure: func(ctx context.Context, track, timeline json.RawMessage) (json.RawMessage, error) {
			t, tl, err := decoded(track, timeline)
			if err != nil {
				return nil, err
			}
			_, swing, err := analysis.Measure(ctx, t, tl, o)
			if err != nil {
				return nil, err
			}
			return json.Marshal(swing)
		},
		Carry: func(ctx context.Context, from, to string, r worker.Result) error {
			for i, w := range r.Swings {
				t, tl, err := decoded(w.Track, w.Timeline)
				if err == nil {
					err = correct.Of(home).Carry(ctx, from, to, i+1, t, tl, o)
				}
				if err != nil {
					return err
				}
			}
			return nil
		},
	}
}

func decoded(track, timeline json.RawMessage) (t vision.Track, tl phases.Timeline, err error) {
	if err := json.Unmarshal(track, &t); err != nil {
		return t, tl, fmt.Errorf("%w: track: %w", worker.ErrDamaged, err)
	}
	if err := json.Unmarshal(timeline, &tl); err != nil {
		return t, tl, fmt.Errorf("%w: timeline: %w", worker.ErrDamaged, err)
	}
	return t, tl, nil
}

type remakeOptions struct {
	home  homeFlags
	queue queueFlags
	stale bool
}

func newRemakeCommand() *cobra.Command {
	var o remakeOptions
	cmd := &cobra.Command{
		Use:   "remake ID... | --stale",
		Short: "Make records anew from their tracks, without the clips",
		Long: `Remake measures swings anew, with this version's measures, from where body, bat
and ball were seen in the clip, which is kept beside each record. The clip need
not be there. The old record stays; lists and comparisons take the newest. What was
corrected by hand is so in the new record too.

With --stale it remakes every record for which that is the remedy, as nightcage
stale lists them. With an ID it also remakes one whose clip had better be measured
again; what it saw of the clip is then still that of the older version.

A remade record has no stills: those of the old record show the old values.

` + exitCodesHelp,
		Example: "  nightcage remake --stale\n  nightcage remake 50aa21",
		RunE: func(cmd *cobra.Command, args []string) error {
			if o.stale == (len(args) > 0) {
				return usageError{errors.New("name records by their IDs, or give --stale")}
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
			return o.run(cmd.Context(), s, remaker(s.home, held), args, cmd.OutOrStdout())
		},
	}
	o.home.bind(cmd.Flags())
	o.queue.bind(cmd.Flags())
	cmd.Flags().BoolVar(&o.stale, "stale", false, "every record that can be brought up to date so")
	return cmd
}

// run remakes what it can and returns the errors of the others.
func (o *remakeOptions) run(ctx context.Context, s *store, m worker.Remaker, prefixes []string, out io.Writer) error {
	all, damaged, err := (&worker.Desk{Ledger: s.ledger, Records: s.records}).Stale(ctx, m)
	if err != nil {
		return err
	}
	var ids []string
	if o.stale {
		for _, x := range all.Stale {
			if x.Remedy == worker.RemedyRemake || x.Remedy == worker.RemedyOldTrack {
				ids = append(ids, x.JobID)
			}
		}
		if len(ids) == 0 {
			fmt.Fprintln(out, "no record can be brought up to date from its track")
			return damaged
		}
	} else if ids, err = s.remakable(all, prefixes); err != nil {
		return err
	}
	desk, leave, err := s.desk(ctx, o.queue)
	if err != nil {
		return errors.Join(damaged, err)
	}
	defer leave()
	errs := []error{damaged}
	if !o.stale {
		errs = nil // of records that were not asked for
	}
	for _, id := range ids {
		began := time.Now()
		rec, err := desk.Remake(ctx, m, id)
		if ctx.Err() != nil {
			return ctx.Err()
		}
		switch {
		case errors.Is(err, worker.ErrRecorded):
			fmt.Fprintf(out, "%s  is remade already, as %s\n", shortID(id), shortID(rec.JobID))
		case err != nil:
			errs = append(errs, err)
		default:
			fmt.Fprintf(out, "%s  remade as %s, %d %s, %d ms\n", shortID(id), shortID(rec.JobID), len(rec.Events),
				plural(len(rec.Events), "swing", "swings"), time.Since(began).Milliseconds())
		}
	}
	return errors.Join(errs...)
}

// remakable completes IDs and refuses those of records that are up to date, or of
// which there is a newer one.
func (s *store) remakable(all worker.Staleness, prefixes []string) (ids []string, err error) {
	known, err := s.records.IDs()
	if err != nil {
		return nil, err
	}
	for _, p := range prefixes {
		id, err := unique(p, known, worker.ErrNoRecord)
		if err != nil {
			return nil, err
		}
		if !all.Has(id) {
			return nil, usageError{fmt.Errorf("record %s is up to date, cannot be read, or a newer one of its clip has taken its place", shortID(id))}
		}
		ids = append(ids, id)
	}
	return ids, nil
}

func plural(n int, one, more string) string {
	if n == 1 {
		return one
	}
	return more
}

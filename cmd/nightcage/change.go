package main

import (
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"github.com/cloudevents/sdk-go/v2/event"
	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"nightcage/cmd/internal/report"
	"nightcage/cmd/internal/season"
	"nightcage/metrics"
	"nightcage/metrics/change"
	"nightcage/vision"
	"nightcage/worker"
)

type changeOptions struct {
	home     homeFlags
	team     string
	measures []string
	since    string
	worth    float64
	ball     ballFlag
	asJSON   bool
}

func newChangeCommand() *cobra.Command {
	var o changeOptions
	cmd := &cobra.Command{
		Use:   "change HITTER",
		Short: "Say whether a hitter's measure has changed",
		Long: `Change compares a hitter's swings before a day with those since and answers
"changed", "no detectable change" or "not enough swings". Without --since the
last session is held against all before it.

Swings of one session share what that session changes (the camera's place, a
tired hitter), so sessions count, not swings. What a session changes is learnt
from all hitters of the team. With several measures, or all, the answers take
back what looking at many finds by chance (Holm's procedure).

A swing off a tee is not one at a pitch: where a hitter has both, --ball takes one
kind, and without it the answer says that they are mixed.

` + exitCodesHelp,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			s, err := o.home.open(cmd.Context(), cmd.ErrOrStderr())
			if err != nil {
				return err
			}
			defer s.close()
			events, damaged, err := s.events(cmd.Context(), func(e event.Event) bool {
				team, _ := e.Extensions()["team"].(string)
				return o.team == "" || strings.EqualFold(o.team, team)
			})
			if err != nil {
				return err
			}
			return errors.Join(damaged, o.run(events, args[0], cmd.OutOrStdout()))
		},
	}
	o.home.bind(cmd.Flags())
	cmd.Flags().StringVar(&o.team, "team", "", "the hitter's team, by `NAME`, where two teams have a hitter of that name")
	cmd.Flags().StringSliceVar(&o.measures, "measure", nil, "`ID` of a measure, or several; all where none is named")
	cmd.Flags().StringVar(&o.since, "since", "", "first `DAY` of the later period, 2026-11-20 (default the last session)")
	cmd.Flags().Float64Var(&o.worth, "worth", 0, "the difference that would matter, in the measure's unit: how many more sessions would show it")
	o.ball.bind(cmd.Flags())
	cmd.Flags().BoolVar(&o.asJSON, "json", false, "print the answers as JSON")
	return cmd
}

// ballFlag takes the swings at balls from one place.
type ballFlag struct{ from string }

func (f *ballFlag) bind(flags *pflag.FlagSet) {
	flags.StringVar(&f.from, "ball", "", "only swings told as at a ball from `WHERE`: "+listed(vision.BallsFrom()))
}

// of is those of the swings; all without the flag.
func (f *ballFlag) of(all []season.Swing) ([]season.Swing, error) {
	from := vision.BallFrom(f.from)
	if from == "" {
		return all, nil
	}
	if !slices.Contains(vision.BallsFrom(), from) {
		return nil, usageError{fmt.Errorf("--ball %q: %s", f.from, listed(vision.BallsFrom()))}
	}
	return slices.DeleteFunc(all, func(s season.Swing) bool { return s.Record.Subject.Ball != from }), nil
}

// ballsOf lists where the balls of swings came from, as far as told, each once.
func ballsOf(swings []season.Swing) (from []vision.BallFrom) {
	for _, b := range vision.BallsFrom() {
		if slices.ContainsFunc(swings, func(s season.Swing) bool { return s.Record.Subject.Ball == b }) {
			from = append(from, b)
		}
	}
	return from
}

func (o *changeOptions) run(events []event.Event, hitter string, out io.Writer) error {
	defs, err := chosen(o.measures)
	if err != nil {
		return err
	}
	if o.worth < 0 || (o.worth > 0 && len(defs) != 1) {
		return usageError{errors.New("--worth is for one measure, and above 0")}
	}
	all, err := season.Load(events)
	if err == nil {
		all, err = o.ball.of(all)
	}
	if err != nil {
		return err
	}
	if o.team == "" {
		if err := oneTeam(all, hitter); err != nil {
			return err
		}
	}
	mine := season.Of(all, hitter)
	if len(mine) == 0 {
		return fmt.Errorf("%w: no swings of %s; nightcage records lists who has some", worker.ErrNoRecord, hitter)
	}
	// Another team is another age, another camera, another coach.
	all = slices.DeleteFunc(all, func(s season.Swing) bool { return !strings.EqualFold(s.Team, mine[0].Team) })
	at, err := o.splitAt(mine)
	if err != nil {
		return err
	}
	c := report.Change{Hitter: mine[0].Hitter, Since: at, Balls: ballsOf(mine)}
	for _, s := range mine {
		if s.From == season.FromRecorded {
			c.Undated++
		}
	}
	before, after := season.Split(mine, at)
	others := season.Others(all, hitter, at)
	answers := season.Compare(all, hitter, at, ids(defs))
	for i, d := range defs {
		c.Lines = append(c.Lines, o.line(d, answers[i], before, after, season.PeriodReadings(others, d.ID)))
	}
	if o.asJSON {
		return printJSON(out, c)
	}
	return c.Print(out)
}

// line adds to an answer how much more filming would tell.
func (o *changeOptions) line(d metrics.Definition, a change.Answer, before, after []season.Swing, others [][]change.Reading) report.ChangeLine {
	l := report.NewChangeLine(d, a)
	worth := o.worth
	if worth == 0 && a.Verdict != change.Changed && a.Difference != 0 {
		worth = max(a.Difference, -a.Difference)
	}
	if worth > 0 && a.Verdict != change.NotEnoughSwings || o.worth > 0 {
		days, each, ok := change.More(season.Readings(before, d.ID), season.Readings(after, d.ID), others, worth)
		l.More = &report.More{Worth: worth, Reach: ok, Sessions: days}
		if ok {
			l.More.Swings = each
		}
	}
	return l
}

// splitAt is the instant that parts the periods.
func (o *changeOptions) splitAt(mine []season.Swing) (time.Time, error) {
	if o.since != "" {
		at, dayOnly, err := worker.Filmed(o.since)
		if err != nil {
			return at, usageError{fmt.Errorf("--since %w", err)}
		}
		if dayOnly {
			at = at.Add(-12 * time.Hour)
		}
		return at, nil
	}
	return season.LastSession(mine), nil
}

// oneTeam refuses a hitter's name that two teams have.
func oneTeam(all []season.Swing, hitter string) error {
	team, any := "", false
	for _, s := range season.Of(all, hitter) {
		if any && !strings.EqualFold(s.Team, team) {
			return usageError{fmt.Errorf("%s is a hitter of %s and of %s: name one with --team", hitter, team, s.Team)}
		}
		team, any = s.Team, true
	}
	return nil
}

func ids(defs []metrics.Definition) []string {
	out := make([]string, len(defs))
	for i, d := range defs {
		out[i] = d.ID
	}
	return out
}

// chosen looks measures up; none means all.
func chosen(ids []string) ([]metrics.Definition, error) {
	if len(ids) == 0 {
		return metrics.Catalogue(), nil
	}
	var out []metrics.Definition
	for _, id := range ids {
		d, ok := metrics.Lookup(id)
		if !ok {
			return nil, usageError{fmt.Errorf("there is no measure %q; nightcage measures lists them all", id)}
		}
		out = append(out, d)
	}
	return out, nil
}

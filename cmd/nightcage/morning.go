package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/cloudevents/sdk-go/v2/event"
	"github.com/spf13/cobra"

	"nightcage/cmd/internal/morning"
	"nightcage/cmd/internal/room"
	"nightcage/worker"
)

type morningOptions struct {
	home  homeFlags
	team  string
	since string
	out   string
}

func newMorningCommand() *cobra.Command {
	var o morningOptions
	cmd := &cobra.Command{
		Use:   "morning",
		Short: "Make the sheet of last night: what came in, what changed, whom to look at first",
		Long: `Morning prints, for each team, what came in since yesterday at this time: clips
and swings, what could not be measured and why, what changed against the sessions
before, and whom to look at first, with the reason. It also writes a page to
print, one file a team, that needs no network.

The sheet is the coach's own: hitters of whom nobody has consented are on it, and
marked.

` + exitCodesHelp,
		Example: "  nightcage morning --team \"Cinder Creek Comets\" --since 2026-11-20 --out sheets",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			now := time.Now()
			since, err := sinceWhen(o.since, now)
			if err != nil {
				return err
			}
			s, err := o.home.open(cmd.Context(), cmd.ErrOrStderr())
			if err != nil {
				return err
			}
			defer s.close()
			return o.run(cmd.Context(), s, since, now, cmd.OutOrStdout())
		},
	}
	o.home.bind(cmd.Flags())
	cmd.Flags().StringVar(&o.team, "team", "", "only the team with this `NAME` (default every team of which something came in)")
	cmd.Flags().StringVar(&o.since, "since", "24h", "first `DAY` that counts, 2026-11-20, or how long ago, 36h")
	cmd.Flags().StringVar(&o.out, "out", ".", "`DIR` for the pages, made where absent")
	return cmd
}

func (o *morningOptions) run(ctx context.Context, s *store, since, now time.Time, out io.Writer) error {
	events, damaged, err := s.events(ctx, func(event.Event) bool { return true })
	if err != nil {
		return err
	}
	entries, err := s.ledger.Entries(ctx)
	if err != nil {
		return err
	}
	teams := teamsOf(events, entries)
	if o.team != "" {
		teams = slices.DeleteFunc(teams, func(t string) bool { return !strings.EqualFold(t, o.team) })
		if len(teams) == 0 {
			return errors.Join(damaged, fmt.Errorf("%w: nothing of a team called %s", worker.ErrNoRecord, o.team))
		}
	}
	used := map[string]int{}
	told := 0
	for _, team := range teams {
		var hidden error
		sheet, err := morning.New(morning.Sources{Team: team, Since: since, Now: now,
			Events:  slices.DeleteFunc(slices.Clone(events), func(e event.Event) bool { return !strings.EqualFold(eventTeam(e), team) }),
			Entries: slices.DeleteFunc(slices.Clone(entries), func(e worker.Entry) bool { return !strings.EqualFold(e.Job.Subject.Team, team) }),
			MayShare: func(e event.Event) bool {
				err := s.ledger.MayShare(ctx, e)
				if err != nil && !errors.Is(err, worker.ErrNoConsent) {
					hidden = err
				}
				return err == nil
			},
			Advice: room.Advice})
		if err = errors.Join(err, hidden); err != nil {
			return err
		}
		if sheet.Empty() && o.team == "" {
			continue
		}
		told++
		path, err := o.write(sheet, used)
		if err == nil {
			err = sheet.Text(out)
		}
		if err == nil {
			_, err = fmt.Fprintf(out, "\npage: %s\n\n", path)
		}
		if err != nil {
			return err
		}
	}
	if told == 0 {
		_, err = fmt.Fprintf(out, "nothing came in since %s\n", since.Local().Format("Mon 2 Jan 15:04"))
	}
	return errors.Join(damaged, err)
}

// write writes the page, in one step, and returns its path. used counts names:
// two teams may come to one.
func (o *morningOptions) write(sheet morning.Sheet, used map[string]int) (path string, err error) {
	name := sheet.FileName()
	if used[name]++; used[name] > 1 {
		name = fmt.Sprintf("%s-%d.html", strings.TrimSuffix(name, ".html"), used[name])
	}
	path = filepath.Join(o.out, name)
	bad := func(err error) (string, error) {
		return "", fmt.Errorf("%w: page of %s: %w", worker.ErrStorage, sheet.Team, err)
	}
	if err := os.MkdirAll(o.out, 0o700); err != nil {
		return bad(err)
	}
	f, err := os.CreateTemp(o.out, ".morning-") // mode 0600: it names minors
	if err != nil {
		return bad(err)
	}
	defer os.Remove(f.Name())
	err = sheet.HTML(f)
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	if err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		return bad(err)
	}
	return path, nil
}

func eventTeam(e event.Event) string {
	team, _ := e.Extensions()["team"].(string)
	return team
}

// teamsOf lists the teams by name.
func teamsOf(events []event.Event, entries []worker.Entry) (teams []string) {
	add := func(team string) {
		if !slices.ContainsFunc(teams, func(t string) bool { return strings.EqualFold(t, team) }) {
			teams = append(teams, team)
		}
	}
	for _, e := range events {
		add(eventTeam(e))
	}
	for _, e := range entries {
		add(e.Job.Subject.Team)
	}
	slices.SortFunc(teams, func(a, b string) int { return strings.Compare(strings.ToLower(a), strings.ToLower(b)) })
	return teams
}

// sinceWhen reads a day of this place, or how long ago.
func sinceWhen(s string, now time.Time) (time.Time, error) {
	if day, err := time.ParseInLocation(time.DateOnly, s, time.Local); err == nil {
		return day, nil
	}
	if ago, err := time.ParseDuration(s); err == nil && ago > 0 {
		return now.Add(-ago), nil
	}
	return time.Time{}, usageError{fmt.Errorf("--since %q: a day (2026-11-20) or how long ago (36h)", s)}
}

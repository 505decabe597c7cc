package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"github.com/cloudevents/sdk-go/v2/event"
	"github.com/cloudevents/sdk-go/v2/types"
	"github.com/spf13/cobra"

	"nightcage/cmd/internal/room/correct"
	"nightcage/cmd/internal/sheet"
	"nightcage/metrics"
	"nightcage/phases"
	"nightcage/vision"
	"nightcage/worker"
)

type sheetOptions struct {
	home homeFlags
	to   string
	cue  string
}

func newSheetCommand() *cobra.Command {
	var o sheetOptions
	cmd := &cobra.Command{
		Use:   "sheet ID -o DIR",
		Short: "Make a page for the player, with a short slowed clip to send",
		Long: `Sheet writes three files for the player of the swing with this ID into DIR: a page
to print with one picture and one thing to try, and the swing slowed down with the
lines drawn on it, as a film (MP4) and as a moving picture (GIF).

The one thing is the cue of the finding to work on first. Where no finding shows
clearly there is none, and the page says so; a coach who has one gives it with --cue.

Without consent (see consent) nothing is written: what is handed out is out.

` + exitCodesHelp,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if o.to == "" {
				return usageError{errors.New("say where to with -o")}
			}
			s, err := o.home.open(cmd.Context(), cmd.ErrOrStderr())
			if err != nil {
				return err
			}
			defer s.close()
			return o.run(cmd.Context(), s, args[0], cmd.OutOrStdout())
		},
	}
	o.home.bind(cmd.Flags())
	cmd.Flags().StringVarP(&o.to, "output", "o", "", "folder to write to, `DIR`")
	cmd.Flags().StringVar(&o.cue, "cue", "", "the one thing to try, in the coach's `WORDS`")
	return cmd
}

func (o *sheetOptions) run(ctx context.Context, s *store, id string, out io.Writer) error {
	e, w, err := s.one(id)
	if err != nil {
		return err
	}
	if err := s.ledger.MayShare(ctx, e); errors.Is(err, worker.ErrNoConsent) {
		return usageError{err}
	} else if err != nil {
		return err
	}
	at, ok := sheet.Instant(w)
	if !ok {
		return usageError{fmt.Errorf("record %s shows no swing to make a sheet of", e.ID())}
	}
	track, _, err := s.stages(e.ID())
	if err != nil {
		return err
	}
	if track, err = s.corrected(e, track); err != nil {
		return err
	}
	id, _, _ = worker.SwingOf(e.ID())
	job, err := s.ledger.Get(ctx, id)
	if err != nil {
		return err
	}
	still, err := sheet.Still(ctx, job.Job.Clip, track, w.Timeline, at)
	if err != nil {
		return err
	}
	if err := os.MkdirAll(o.to, 0o755); err != nil {
		return fmt.Errorf("sheet of %s: %w", e.ID(), err)
	}
	name := filepath.Join(o.to, swingID(e.ID(), w))
	page := sheet.New(w, e.Time(), o.cue, at.ID, still)
	if err := writeWhole(name+".html", page.Page); err != nil {
		return err
	}
	if err := film(ctx, job.Job.Clip, track, w.Timeline, name); err != nil {
		return err
	}
	for _, ext := range []string{".html", ".mp4", ".gif"} {
		fmt.Fprintln(out, name+ext)
	}
	return nil
}

// corrected moves the points of a track to where a person put them, for a record that
// is shown so.
func (s *store) corrected(e event.Event, t vision.Track) (vision.Track, error) {
	n, err := types.ToInteger(e.Extensions()[correct.Mark])
	if err != nil {
		return t, nil // nobody did
	}
	job, swing, _ := worker.SwingOf(e.ID())
	k, err := correct.Of(s.home).Get(job, swing, int(n))
	if err != nil {
		return t, err
	}
	return correct.Move(t, k.Places)
}

// film makes both films under other names first, so that they appear whole or not at
// all.
func film(ctx context.Context, clip string, t vision.Track, tl phases.Timeline, name string) error {
	tmp, err := os.MkdirTemp(filepath.Dir(name), ".nightcage-")
	if err != nil {
		return fmt.Errorf("film of clip %s: %w", t.Clip.Name, err)
	}
	defer os.RemoveAll(tmp)
	mp4, gif := filepath.Join(tmp, "a.mp4"), filepath.Join(tmp, "a.gif")
	if err := sheet.Film(ctx, clip, t, tl, mp4, gif); err != nil {
		return err
	}
	return errors.Join(os.Rename(mp4, name+".mp4"), os.Rename(gif, name+".gif"))
}

// one reads the one swing that an id names.
func (s *store) one(id string) (event.Event, metrics.Swing, error) {
	var w metrics.Swing
	events, rec, err := s.find(id)
	if err != nil {
		return event.Event{}, w, err
	}
	if rec.Failed {
		return event.Event{}, w, fmt.Errorf("%w: %s was not measured", worker.ErrNoRecord, id)
	}
	if len(events) > 1 {
		return event.Event{}, w, usageError{fmt.Errorf("%s has %d swings: name one, such as %s-1", id, len(events), shortID(rec.JobID))}
	}
	if err := events[0].DataAs(&w); err != nil {
		return event.Event{}, w, fmt.Errorf("%w: record %s: %w", worker.ErrDamaged, events[0].ID(), err)
	}
	return events[0], w, nil
}

package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"nightcage/cmd/internal/export"
	"nightcage/cmd/internal/room/correct"
	"nightcage/cmd/internal/season"
	"nightcage/metrics"
	"nightcage/phases"
	"nightcage/vision"
	"nightcage/worker"
)

// markers writes a file a swing. Swings that cannot have one are named on log; when
// none can, that is the error.
func (o *exportOptions) markers(ctx context.Context, s *store, swings []season.Swing, out, log io.Writer) error {
	if err := os.MkdirAll(o.to, 0o755); err != nil {
		return fmt.Errorf("export markers: %w", err)
	}
	var left []error
	for _, w := range swings {
		t, tl, err := s.shown(ctx, w.ID)
		if err != nil {
			return err
		}
		name := w.ID + "." + o.format
		var b bytes.Buffer
		if o.format == "c3d" {
			err = export.C3D(&b, t, tl)
		} else {
			err = export.TRC(&b, name, t)
		}
		if errors.Is(err, export.ErrNoClock) || errors.Is(err, export.ErrNoSolution) {
			left = append(left, fmt.Errorf("swing %s: %w", w.ID, err))
			continue
		}
		if err == nil {
			err = writeWhole(filepath.Join(o.to, name), func(w io.Writer) error { _, err := b.WriteTo(w); return err })
		}
		if err != nil {
			return err
		}
		fmt.Fprintln(out, filepath.Join(o.to, name))
	}
	if len(left) == len(swings) {
		return errors.Join(left...)
	}
	for _, err := range left {
		fmt.Fprintln(log, "left out:", err)
	}
	return nil
}

// shown are the stages of a swing as it is shown: solved anew where a person
// corrected it.
func (s *store) shown(ctx context.Context, recordID string) (t vision.Track, tl phases.Timeline, err error) {
	if t, tl, err = s.stages(recordID); err != nil {
		return t, tl, err
	}
	job, n, _ := worker.SwingOf(recordID)
	all, err := correct.Of(s.home).List(job, n)
	if err != nil || len(all) == 0 {
		return t, tl, err
	}
	t, tl, _, err = correct.Measure(ctx, t, tl, all[len(all)-1].Correction, metrics.Options{})
	return t, tl, err
}

// stages reads what the record of a swing was made from.
func (s *store) stages(recordID string) (t vision.Track, tl phases.Timeline, err error) {
	job, n, ok := worker.SwingOf(recordID)
	if !ok {
		return t, tl, fmt.Errorf("%w: swing %s", worker.ErrNoRecord, recordID)
	}
	res, err := s.records.Result(job)
	if err != nil {
		return t, tl, err
	}
	if n > len(res.Swings) {
		return t, tl, fmt.Errorf("%w: swing %s", worker.ErrNoRecord, recordID)
	}
	w := res.Swings[n-1]
	if err = json.Unmarshal(w.Track, &t); err == nil {
		err = json.Unmarshal(w.Timeline, &tl)
	}
	if err != nil {
		err = fmt.Errorf("%w: track or timeline of swing %s: %w", worker.ErrDamaged, recordID, err)
	}
	return t, tl, err
}

package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"nightcage/cmd/internal/export"
	"nightcage/cmd/internal/season"
	"nightcage/phases"
	"nightcage/vision"
	"nightcage/worker"
)

// markers writes a file a swing. Swings that cannot have one are named on log; when
// none can, that is the error.
func (o *exportOptions) markers(s *store, swings []season.Swing, out, log io.Writer) error {
	if err := os.MkdirAll(o.to, 0o755); err != nil {
		return fmt.Errorf("export markers: %w", err)
	}
	var left []error
	for _, w := range swings {
		t, _, err := s.stages(w.ID)
		if err != nil {
			return err
		}
		name := w.ID + ".trc"
		var b bytes.Buffer
		err = export.TRC(&b, name, t)
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

// stages reads what the record of a swing was made from.
func (s *store) stages(recordID string) (t vision.Track, tl phases.Timeline, err error) {
	job, number, _ := strings.Cut(recordID, "-")
	n, err := strconv.Atoi(number)
	if err != nil {
		return t, tl, fmt.Errorf("%w: swing %s", worker.ErrNoRecord, recordID)
	}
	res, err := s.records.Result(job)
	if err != nil {
		return t, tl, err
	}
	if n < 1 || n > len(res.Swings) {
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

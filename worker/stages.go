package worker

import (
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
)

// trackName is a swing's track in its record's directory, compressed: some 0.4 to
// 2 MB a swing, by its number of frames (JSON digits give no more; gzip's highest
// level saves another 2 %).
const trackName = "track.json.gz"

// Result reads back what a job's swings were made from, and their data, checked;
// without their stills. ErrNoRecord when the job has no record or a failure,
// ErrDamaged when a file is not what was written.
func (r *Records) Result(jobID string) (Result, error) {
	rec, err := r.Get(jobID)
	if err != nil {
		return Result{}, err
	}
	if rec.Failed {
		return Result{}, fmt.Errorf("%w: %s was not measured", ErrNoRecord, jobID)
	}
	var res Result
	for i, e := range rec.Events {
		packed, err := r.ReadFile(jobID, fmt.Sprintf("%d/%s", i+1, trackName))
		if errors.Is(err, ErrNoRecord) {
			return Result{}, fmt.Errorf("%w: %w", ErrNoMaker, err) // stored when tracks were plain JSON
		}
		w := Swing{Data: e.Data()}
		if err == nil {
			w.Timeline, err = r.ReadFile(jobID, fmt.Sprintf("%d/timeline.json", i+1))
		}
		if err != nil {
			return Result{}, err
		}
		if w.Track, err = unpack(packed); err != nil {
			return Result{}, fmt.Errorf("%w: %s/%d/%s: %w", ErrDamaged, jobID, i+1, trackName, err)
		}
		res.Swings = append(res.Swings, w)
	}
	return res, nil
}

// pack compresses. The same bytes always give the same.
func pack(b []byte) ([]byte, error) {
	var buf bytes.Buffer
	w := gzip.NewWriter(&buf)
	_, err := w.Write(b)
	if cerr := w.Close(); err == nil {
		err = cerr
	}
	return buf.Bytes(), err
}

// unpack undoes pack, up to the size that an analysis may hand over.
func unpack(b []byte) ([]byte, error) {
	r, err := gzip.NewReader(bytes.NewReader(b))
	if err != nil {
		return nil, err
	}
	out, err := io.ReadAll(io.LimitReader(r, maxResultBytes+1))
	if err == nil && len(out) > maxResultBytes {
		err = fmt.Errorf("more than %d bytes", maxResultBytes)
	}
	return out, err
}

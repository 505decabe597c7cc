package worker

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"sync"
	"time"
)

// ServeChild is what the process behind Child does: it confines itself, for good,
// reads one request from in, analyses, writes progress lines to out and its result
// into the directory that the request names. An error means that there is no
// result; the process should exit with another code than 0.
func ServeChild(ctx context.Context, in io.Reader, out io.Writer, a Analyzer) error {
	if err := Confine(); err != nil {
		return err
	}
	return serve(ctx, in, out, a)
}

func serve(ctx context.Context, in io.Reader, out io.Writer, a Analyzer) error {
	var req childRequest
	if err := json.NewDecoder(in).Decode(&req); err != nil {
		return fmt.Errorf("read request: %w", err)
	}
	if !filepath.IsAbs(req.Out) {
		return fmt.Errorf("read request: out %q is not absolute", req.Out)
	}
	res, err := a.Analyze(ctx, req.Job, (&progressLines{out: out}).say)
	if err != nil {
		f := asFailure(err)
		if f.Class == ClassShutdown || (errors.Is(err, context.Canceled) && ctx.Err() != nil) {
			return err
		}
		r := reasonOf(f)
		return writeJSON(filepath.Join(req.Out, manifestName), childManifest{Failure: &r})
	}
	var m childManifest
	for i, w := range res.Swings {
		dir := filepath.Join(req.Out, fmt.Sprint(i+1))
		if err := os.Mkdir(dir, 0o700); err != nil {
			return fmt.Errorf("write result: %w", err)
		}
		files := append([]File{{"data.json", w.Data}, {"track.json", w.Track}, {"timeline.json", w.Timeline}}, w.Stills...)
		for _, f := range files {
			if err := os.WriteFile(filepath.Join(dir, f.Name), f.Bytes, 0o600); err != nil {
				return fmt.Errorf("write result: %w", err)
			}
		}
		s := childSwing{Stills: []string{}}
		for _, f := range w.Stills {
			s.Stills = append(s.Stills, f.Name)
		}
		m.Swings = append(m.Swings, s)
	}
	return writeJSON(filepath.Join(req.Out, manifestName), m)
}

// writeJSON puts the file in place whole. It is not synced: a machine that
// stops loses the attempt, not the job.
func writeJSON(path string, v any) error {
	b, err := json.Marshal(v)
	if err == nil {
		err = os.WriteFile(path+".new", b, 0o600)
	}
	if err == nil {
		err = os.Rename(path+".new", path)
	}
	if err != nil {
		return fmt.Errorf("write result: %w", err)
	}
	return nil
}

// progressLines writes at most ten lines a second.
type progressLines struct {
	out  io.Writer
	mu   sync.Mutex
	last time.Time
}

func (p *progressLines) say(done, total int) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if time.Since(p.last) < 100*time.Millisecond {
		return
	}
	p.last = time.Now()
	// The parent may be gone; it will say so by killing this process.
	json.NewEncoder(p.out).Encode(childProgress{done, total})
}

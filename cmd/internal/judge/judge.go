// Package judge runs the pipeline on clips that have a truth file and says, per
// quantity, how far the result lies from the truth and how often its error
// bars hold it.
package judge

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"

	"golang.org/x/sync/errgroup"

	"nightcage/metrics"
	"nightcage/phases"
	"nightcage/vision"
	"nightcage/vision/truth"
)

// Measured is what the pipeline made of one clip.
type Measured struct {
	Track    vision.Track
	Timeline phases.Timeline
	Swing    metrics.Swing
}

// Pipeline measures one clip, told what its submitter would tell.
type Pipeline func(ctx context.Context, path string, subject vision.Subject) (Measured, error)

// Report is the judgement of a folder of clips.
type Report struct {
	Pipeline    string        `json:"pipeline_version"`
	Clips       int           `json:"clips"`
	Names       []string      `json:"names"`  // of the clips, in the order judged
	Failed      []Failed      `json:"failed"` // clips the pipeline could not measure at all
	Quantities  []Quantity    `json:"quantities"`
	Reliability []Reliability `json:"reliability"` // all measures, then each
	Splits      []Split       `json:"splits"`
}

// Split is the judgement of the clips that have something in common.
type Split struct {
	By         string     `json:"by"` // "fps", "shutter", "view", "place" or "bats"
	Value      string     `json:"value"`
	Clips      int        `json:"clips"`
	Quantities []Quantity `json:"quantities"`
}

// commons says what a clip has in common with others. The place stands for the
// light: rendered clips are lit by where they are set.
func commons(t *truth.File) [][2]string {
	return [][2]string{
		{"fps", fmt.Sprintf("%.0f", t.FPS)},
		{"shutter", fmt.Sprintf("1/%.0f s", 1/t.ShutterS)},
		{"view", string(t.View)},
		{"place", t.Scene.Background},
		{"bats", t.Handedness},
	}
}

// Failed is a clip without a result; all its quantities count as unavailable.
type Failed struct {
	Clip   string `json:"clip"`
	Reason string `json:"reason"`
}

// ErrNoClips is returned for a folder without a single clip that has a truth
// file.
var ErrNoClips = errors.New("no clip with a truth file")

// Folder judges every clip of a folder that has a truth file beside it, as many at
// a time as there are pipelines, each of which measures one at a time. The report
// is in the clips' name order. done is called after each clip, by one goroutine at
// a time. A clip that fails does not end the run; the end of ctx does.
func Folder(ctx context.Context, dir string, pipelines []Pipeline, done func(i, n int, clip string)) (Report, error) {
	clips, err := withTruth(dir)
	if err != nil {
		return Report{}, err
	}
	outcomes, err := measureAll(ctx, clips, pipelines, done)
	if err != nil {
		return Report{}, err
	}
	rep := Report{Clips: len(clips), Names: []string{}, Failed: []Failed{}, Splits: []Split{}}
	all := newTallies()
	var order [][2]string
	parts, sizes := map[[2]string]*tallies{}, map[[2]string]int{}
	for i, o := range outcomes {
		name := filepath.Base(clips[i])
		rep.Names = append(rep.Names, name)
		if o.failure != "" {
			rep.Failed = append(rep.Failed, Failed{Clip: name, Reason: o.failure})
		}
		if o.got.Swing.Pipeline != "" {
			rep.Pipeline = o.got.Swing.Pipeline
		}
		all.compare(o.got, o.truth, o.want)
		for _, k := range commons(o.truth) {
			if parts[k] == nil {
				parts[k] = newTallies()
				order = append(order, k)
			}
			parts[k].compare(o.got, o.truth, o.want)
			sizes[k]++
		}
	}
	rep.Quantities, rep.Reliability = all.quantities(), all.reliabilities()
	slices.SortFunc(order, func(a, b [2]string) int {
		return cmp.Or(cmp.Compare(a[0], b[0]), cmp.Compare(len(a[1]), len(b[1])), cmp.Compare(a[1], b[1]))
	})
	for _, k := range order {
		rep.Splits = append(rep.Splits, Split{By: k[0], Value: k[1], Clips: sizes[k], Quantities: parts[k].quantities()})
	}
	return rep, nil
}

// outcome is one clip measured, beside what it should have been.
type outcome struct {
	truth   *truth.File
	want    map[string]float64
	got     Measured
	failure string // why the pipeline could not measure the clip; "" when it could
}

// measureAll gives the outcomes in the order of clips.
func measureAll(ctx context.Context, clips []string, pipelines []Pipeline, done func(i, n int, clip string)) ([]outcome, error) {
	out := make([]outcome, len(clips))
	next := make(chan int)
	var mu sync.Mutex
	finished := 0
	g, ctx := errgroup.WithContext(ctx)
	g.Go(func() error {
		defer close(next)
		for i := range clips {
			select {
			case next <- i:
			case <-ctx.Done():
				return ctx.Err()
			}
		}
		return nil
	})
	for _, run := range pipelines {
		g.Go(func() error {
			for i := range next {
				var err error
				if out[i], err = measureOne(ctx, clips[i], run); err != nil {
					return err
				}
				mu.Lock()
				finished++
				done(finished, len(clips), filepath.Base(clips[i]))
				mu.Unlock()
			}
			return nil
		})
	}
	return out, g.Wait()
}

func measureOne(ctx context.Context, path string, run Pipeline) (outcome, error) {
	tf, err := truth.Find(path)
	if err != nil {
		return outcome{}, err
	}
	t, err := truth.Read(tf)
	if err != nil {
		return outcome{}, err
	}
	want, err := exact(ctx, t)
	if err != nil {
		return outcome{}, err
	}
	o := outcome{truth: t, want: want}
	o.got, err = run(ctx, path, Subject(t))
	if ctx.Err() != nil {
		return outcome{}, fmt.Errorf("judge clip %s: %w", filepath.Base(path), ctx.Err())
	}
	if err != nil {
		o.failure = err.Error()
		o.got = Measured{Timeline: phases.Timeline{Events: missing()}}
	}
	return o, nil
}

// Subject is what a coach would tell of the hitter: sizes, not the side of the
// plate, which is judged too.
func Subject(t *truth.File) vision.Subject {
	return vision.Subject{HeightIn: t.Hitter.HeightIn, InseamIn: t.Hitter.InseamIn, BatIn: t.Bat.LengthIn, Bats: vision.SideUnknown}
}

// missing lists every event as not found.
func missing() []phases.Event {
	var out []phases.Event
	for _, id := range phases.Events() {
		out = append(out, phases.Event{ID: id})
	}
	return out
}

var videoExt = map[string]bool{".mp4": true, ".mov": true, ".m4v": true, ".avi": true, ".mkv": true, ".webm": true}

func withTruth(dir string) ([]string, error) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil, fmt.Errorf("list clips to judge: %w", err)
	}
	var out []string
	for _, e := range entries {
		path := filepath.Join(dir, e.Name())
		if e.IsDir() || !videoExt[strings.ToLower(filepath.Ext(path))] {
			continue
		}
		if _, err := truth.Find(path); err == nil {
			out = append(out, path)
		} else if !errors.Is(err, truth.ErrNoTruth) {
			return nil, err
		}
	}
	if len(out) == 0 {
		return nil, fmt.Errorf("judge %s: %w", filepath.Base(dir), ErrNoClips)
	}
	slices.Sort(out)
	return out, nil
}

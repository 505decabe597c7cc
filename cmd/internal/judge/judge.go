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

// Folder judges every clip of a folder that has a truth file beside it, in name
// order. done is called after each clip. A clip that fails does not end the
// run; the end of ctx does.
func Folder(ctx context.Context, dir string, run Pipeline, done func(i, n int, clip string)) (Report, error) {
	clips, err := withTruth(dir)
	if err != nil {
		return Report{}, err
	}
	rep := Report{Clips: len(clips), Names: []string{}, Failed: []Failed{}, Splits: []Split{}}
	all := newTallies()
	var order [][2]string
	parts, sizes := map[[2]string]*tallies{}, map[[2]string]int{}
	for i, path := range clips {
		name := filepath.Base(path)
		rep.Names = append(rep.Names, name)
		tf, err := truth.Find(path)
		if err != nil {
			return Report{}, err
		}
		t, err := truth.Read(tf)
		if err != nil {
			return Report{}, err
		}
		want, err := exact(ctx, t)
		if err != nil {
			return Report{}, err
		}
		m, err := run(ctx, path, Subject(t))
		if ctx.Err() != nil {
			return Report{}, fmt.Errorf("judge clip %s: %w", name, ctx.Err())
		}
		if err != nil {
			rep.Failed = append(rep.Failed, Failed{Clip: name, Reason: err.Error()})
			m = Measured{Timeline: phases.Timeline{Events: missing()}}
		}
		if m.Swing.Pipeline != "" {
			rep.Pipeline = m.Swing.Pipeline
		}
		all.compare(m, t, want)
		for _, k := range commons(t) {
			if parts[k] == nil {
				parts[k] = newTallies()
				order = append(order, k)
			}
			parts[k].compare(m, t, want)
			sizes[k]++
		}
		done(i+1, len(clips), name)
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

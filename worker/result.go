package worker

import (
	"context"
	"encoding/json"
	"fmt"
	"regexp"
)

// Analyzer measures one clip. Implementations may be called from several
// goroutines at once, one per slot.
//
// progress is to be called, from any goroutine, whenever work has been done:
// the worker takes silence for a hang. total is 0 while it is not known.
//
// When ctx ends, Analyze returns soon with its cause. An error that is a
// *Failure decides the verdict; any other is tried again later.
type Analyzer interface {
	Analyze(ctx context.Context, job Job, progress func(done, total int)) (Result, error)
}

// Result is what an analysis hands over. It has at least one swing; a clip
// without one is a Failure of ClassNothing.
type Result struct {
	Swings []Swing
	// From is the job whose stored tracks the swings were made from; empty when
	// they were made from the clip.
	From string
}

// Swing is one measured swing, stage by stage, so that a later stage can be
// rerun from the one before.
type Swing struct {
	Data     json.RawMessage // the record's data, valid against Schema
	Track    json.RawMessage // vision.Track, as the timeline was found from it
	Timeline json.RawMessage // phases.Timeline
	Stills   []File
}

// File is a name without folders and its content.
type File struct {
	Name  string
	Bytes []byte
}

// Schema is what record data must look like.
type Schema struct {
	URI      string                      // dataschema of the event
	Validate func(json.RawMessage) error // nil error: valid
	// Failed makes the data of a job that could not be measured.
	Failed func(j Job, kind Kind, words string) (json.RawMessage, error)
}

// A name that is safe in any folder and any subject.
var fileName = regexp.MustCompile(`^[a-z0-9][a-z0-9_.-]{0,79}$`)

// check refuses a result that must not be stored. The error is a *Failure of
// ClassBroken.
func (r Result) check(s Schema) error {
	bad := func(format string, a ...any) error {
		return &Failure{Class: ClassBroken, Kind: KindMalformed,
			Words: "the analysis gave a result that fails its checks", Err: fmt.Errorf(format, a...)}
	}
	if len(r.Swings) == 0 {
		return bad("no swing and no reason")
	}
	for i, w := range r.Swings {
		if err := s.Validate(w.Data); err != nil {
			return bad("swing %d: %w", i+1, err)
		}
		if !json.Valid(w.Track) || !json.Valid(w.Timeline) {
			return bad("swing %d: track or timeline is not JSON", i+1)
		}
		seen := map[string]bool{"record.json": true, trackName: true, "timeline.json": true}
		for _, f := range w.Stills {
			if !fileName.MatchString(f.Name) || seen[f.Name] || len(f.Bytes) == 0 {
				return bad("swing %d: still %q (%d bytes)", i+1, f.Name, len(f.Bytes))
			}
			seen[f.Name] = true
		}
	}
	return nil
}

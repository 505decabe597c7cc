package worker

import (
	"bytes"
	_ "embed"
	"encoding/json"
	"fmt"
	"net/url"
	"path/filepath"
	"time"

	"github.com/cloudevents/sdk-go/v2/event"
	"github.com/santhosh-tekuri/jsonschema/v6"

	"nightcage/vision"
)

// Types of the events, CloudEvents 1.0 attribute "type".
const (
	TypeMeasured   = "dev.nightcage.swing.v1"
	TypeUnmeasured = "dev.nightcage.clip.unmeasured.v1"
)

// FailureSchemaURI identifies the schema of a FailureData.
const FailureSchemaURI = "https://nightcage.dev/schema/clip-unmeasured-v1.json"

//go:embed clip-unmeasured-v1.json
var failureSchemaText []byte

// FailureData is the data of a record about a clip that was not measured.
type FailureData struct {
	Status   string         `json:"status"` // always "failed"
	Clip     FailureClip    `json:"clip"`
	Subject  vision.Subject `json:"subject"`
	Reason   Reason         `json:"reason"`
	Attempts int            `json:"attempts"`
	Round    int            `json:"round"`
	Pipeline string         `json:"pipeline"` // version that tried
}

// FailureClip names the clip.
type FailureClip struct {
	Name   string `json:"name"` // base name, never a path
	SHA256 string `json:"sha256"`
}

// Reason is a Failure in a record.
type Reason struct {
	Class  Class  `json:"class"`
	Kind   Kind   `json:"kind"`
	Words  string `json:"words"`
	Detail string `json:"detail,omitempty"` // for whoever repairs it
}

func reasonOf(f *Failure) Reason {
	r := Reason{Class: f.Class, Kind: f.Kind, Words: f.Words}
	if f.Err != nil {
		r.Detail = f.Err.Error()
	}
	return r
}

// ValidateFailure checks data against the schema at FailureSchemaURI.
func ValidateFailure(data json.RawMessage) error {
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(failureSchemaText))
	if err != nil {
		return fmt.Errorf("failure schema: %w", err)
	}
	c := jsonschema.NewCompiler()
	if err := c.AddResource(FailureSchemaURI, doc); err != nil {
		return fmt.Errorf("failure schema: %w", err)
	}
	s, err := c.Compile(FailureSchemaURI)
	if err != nil {
		return fmt.Errorf("failure schema: %w", err)
	}
	v, err := jsonschema.UnmarshalJSON(bytes.NewReader(data))
	if err != nil {
		return fmt.Errorf("failure data: %w", err)
	}
	return s.Validate(v)
}

// newEvent wraps data as a CloudEvent of a job. n numbers the swings of the
// clip from 1; a failure has n = 0 and the job's ID as its own.
func newEvent(j Job, n int, pipeline string, now time.Time, typ, schemaURI string, data json.RawMessage) (event.Event, error) {
	e := event.New(event.CloudEventsVersionV1)
	e.SetID(RecordID(j.ID, n))
	e.SetSource("/nightcage/teams/" + url.PathEscape(teamToken(j.Subject.Team)))
	e.SetType(typ)
	e.SetTime(now.UTC())
	if j.Subject.Hitter != "" {
		e.SetSubject(j.Subject.Hitter)
	}
	e.SetDataSchema(schemaURI)
	e.SetExtension("clipsha256", j.ClipSHA256)
	e.SetExtension("pipeline", pipeline)
	if j.Subject.Team != "" {
		e.SetExtension("team", j.Subject.Team)
	}
	if err := e.SetData(event.ApplicationJSON, data); err != nil {
		return e, fmt.Errorf("event %s: %w", e.ID(), err)
	}
	if err := e.Validate(); err != nil {
		return e, fmt.Errorf("event %s: %w", e.ID(), err)
	}
	return e, nil
}

// RecordID is the id of the n-th swing of a job, or of its failure when n is 0.
func RecordID(jobID string, n int) string {
	if n == 0 {
		return jobID
	}
	return fmt.Sprintf("%s-%d", jobID, n)
}

// bundle lays out the files of a measured job's record directory.
func (r Result) bundle(j Job, s Schema, pipeline string, now time.Time) ([]File, error) {
	var fs []File
	for i, w := range r.Swings {
		e, err := newEvent(j, i+1, pipeline, now, TypeMeasured, s.URI, w.Data)
		if err != nil {
			return nil, err
		}
		b, err := json.Marshal(e)
		if err != nil {
			return nil, fmt.Errorf("event %s: %w", e.ID(), err)
		}
		dir := fmt.Sprintf("%d/", i+1)
		fs = append(fs, File{dir + "record.json", b}, File{dir + "track.json", w.Track}, File{dir + "timeline.json", w.Timeline})
		for _, f := range w.Stills {
			fs = append(fs, File{dir + f.Name, f.Bytes})
		}
	}
	return fs, nil
}

// failureBundle lays out the record directory of a job that was not measured.
func failureBundle(j Job, f *Failure, t Tries, pipeline string, now time.Time) ([]File, error) {
	d := FailureData{
		Status:   "failed",
		Clip:     FailureClip{Name: filepath.Base(j.Clip), SHA256: j.ClipSHA256},
		Subject:  j.Subject,
		Reason:   reasonOf(f),
		Attempts: t.Attempts,
		Round:    j.Round,
		Pipeline: pipeline,
	}
	data, err := json.Marshal(d)
	if err != nil {
		return nil, fmt.Errorf("failure of %s: %w", j.ID, err)
	}
	if err := ValidateFailure(data); err != nil {
		return nil, fmt.Errorf("failure of %s: %w", j.ID, err)
	}
	e, err := newEvent(j, 0, pipeline, now, TypeUnmeasured, FailureSchemaURI, data)
	if err != nil {
		return nil, err
	}
	b, err := json.Marshal(e)
	if err != nil {
		return nil, fmt.Errorf("failure of %s: %w", j.ID, err)
	}
	return []File{{"failure.json", b}}, nil
}

// failureOf reads the data of a failure record.
func failureOf(rec Record) (FailureData, error) {
	var f FailureData
	if !rec.Failed || len(rec.Events) != 1 {
		return f, fmt.Errorf("record %s is not a failure", rec.JobID)
	}
	if err := rec.Events[0].DataAs(&f); err != nil {
		return f, fmt.Errorf("%w: %s: %w", ErrDamaged, rec.JobID, err)
	}
	return f, nil
}

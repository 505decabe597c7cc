package worker

import (
	"context"
	"encoding/json"
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/cloudevents/sdk-go/v2/event"
	"github.com/cloudevents/sdk-go/v2/types"
)

// Types of the events, CloudEvents 1.0 attribute "type". Both carry data of the
// same schema; its status says "measured" in the one, "failed" in the other.
const (
	TypeMeasured   = "dev.nightcage.swing.v1"
	TypeUnmeasured = "dev.nightcage.swing.unmeasured.v1"
)

// Extension attributes of the events. The latter ones are on TypeUnmeasured.
const (
	extClip     = "clipsha256" // lower-case hex
	extPipeline = "pipeline"   // version that made the record
	extTeam     = "team"
	extFrom     = "remadefrom" // job whose tracks the record was made from; absent when made from the clip
	extClass    = "failclass"  // a Class
	extKind     = "failkind"   // a Kind
	extText     = "failtext"   // for people
	extAttempts = "attempts"
	extRound    = "round" // Job.Round that it ended
)

// Reason is a Failure as it is stored.
type Reason struct {
	Class  Class  `json:"class"`
	Kind   Kind   `json:"kind"`
	Words  string `json:"words"`
	Detail string `json:"detail,omitempty"` // for whoever repairs it; not in records
}

func reasonOf(f *Failure) Reason {
	r := Reason{Class: f.Class, Kind: f.Kind, Words: f.Words}
	if f.Err != nil {
		r.Detail = f.Err.Error()
	}
	return r
}

// ended is what a failure record says of the attempts behind it.
type ended struct {
	Reason   Reason
	Attempts int
	Round    int
}

// failureOf reads a failure record.
func failureOf(rec Record) (ended, error) {
	var f ended
	if !rec.Failed || len(rec.Events) != 1 {
		return f, fmt.Errorf("record %s is not a failure", rec.JobID)
	}
	ext := rec.Events[0].Extensions()
	text := func(name string) string { s, _ := ext[name].(string); return s }
	f.Reason = Reason{Class: Class(text(extClass)), Kind: Kind(text(extKind)), Words: text(extText)}
	attempts, err := types.ToInteger(ext[extAttempts])
	if err == nil {
		var round int32
		round, err = types.ToInteger(ext[extRound])
		f.Attempts, f.Round = int(attempts), int(round)
	}
	if err != nil || !slices.Contains(Classes(), f.Reason.Class) || f.Reason.Kind == "" {
		return f, fmt.Errorf("%w: %s: not what a failure record says: %v", ErrDamaged, rec.JobID, ext)
	}
	return f, nil
}

// newEvent wraps data as a CloudEvent of a job. n numbers the swings of the
// clip from 1; a failure has n = 0 and the job's ID as its own.
func newEvent(j Job, n int, pipeline string, now time.Time, schemaURI string, data json.RawMessage) (event.Event, error) {
	e := event.New(event.CloudEventsVersionV1)
	e.SetID(RecordID(j.ID, n))
	e.SetSource("/nightcage/teams/" + url.PathEscape(teamToken(j.Subject.Team)))
	e.SetType(TypeMeasured)
	if n == 0 {
		e.SetType(TypeUnmeasured)
	}
	e.SetTime(now.UTC())
	if j.Subject.Hitter != "" {
		e.SetSubject(j.Subject.Hitter)
	}
	e.SetDataSchema(schemaURI)
	e.SetExtension(extClip, j.ClipSHA256)
	e.SetExtension(extPipeline, pipeline)
	if j.Subject.Team != "" {
		e.SetExtension(extTeam, j.Subject.Team)
	}
	j.Consent.mark(&e)
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

// SwingOf undoes RecordID for a swing. ok is false for an id that is of none.
func SwingOf(recordID string) (jobID string, n int, ok bool) {
	jobID, number, _ := strings.Cut(recordID, "-")
	n, err := strconv.Atoi(number)
	ok = err == nil && n > 0 && RecordID(jobID, n) == recordID
	return jobID, n, ok
}

// bundle lays out the files of a measured job's record directory.
func (r Result) bundle(j Job, s Schema, pipeline string, now time.Time) ([]File, error) {
	var fs []File
	for i, w := range r.Swings {
		e, err := newEvent(j, i+1, pipeline, now, s.URI, w.Data)
		if err != nil {
			return nil, err
		}
		if r.From != "" {
			e.SetExtension(extFrom, r.From)
		}
		track, err := pack(w.Track)
		if err != nil {
			return nil, fmt.Errorf("event %s: %w", e.ID(), err)
		}
		b, err := json.Marshal(e)
		if err != nil {
			return nil, fmt.Errorf("event %s: %w", e.ID(), err)
		}
		dir := fmt.Sprintf("%d/", i+1)
		fs = append(fs, File{dir + "record.json", b}, File{dir + trackName, track}, File{dir + "timeline.json", w.Timeline})
		for _, f := range w.Stills {
			fs = append(fs, File{dir + f.Name, f.Bytes})
		}
	}
	return fs, nil
}

// failureBundle lays out the record directory of a job that was not measured.
func failureBundle(j Job, f *Failure, t Tries, s Schema, pipeline string, now time.Time) ([]File, error) {
	bad := func(err error) ([]File, error) { return nil, fmt.Errorf("failure record of %s: %w", j.ID, err) }
	data, err := s.Failed(j, f.Kind, f.Words)
	if err != nil {
		return bad(err)
	}
	if err := s.Validate(data); err != nil {
		return bad(err)
	}
	e, err := newEvent(j, 0, pipeline, now, s.URI, data)
	if err != nil {
		return bad(err)
	}
	e.SetExtension(extClass, string(f.Class))
	e.SetExtension(extKind, string(f.Kind))
	e.SetExtension(extText, f.Words)
	e.SetExtension(extAttempts, t.Attempts)
	e.SetExtension(extRound, j.Round)
	if err := e.Validate(); err != nil {
		return bad(err)
	}
	b, err := json.Marshal(e)
	if err != nil {
		return bad(err)
	}
	return []File{{"failure.json", b}}, nil
}

// announceAll publishes a record's events.
func (q *Queue) announceAll(ctx context.Context, team string, rec Record) error {
	for _, e := range rec.Events {
		b, err := json.Marshal(e)
		if err == nil && int64(len(b)) > q.nc.MaxPayload()-4096 {
			// The feed carries a reference in its place (CloudEvents extension
			// "dataref").
			e.DataEncoded = nil
			e.SetExtension("dataref", e.ID())
			b, err = json.Marshal(e)
		}
		if err != nil {
			return fmt.Errorf("announce record %s: %w", e.ID(), err)
		}
		if err := q.Announce(ctx, team, e.ID(), b); err != nil {
			return err
		}
	}
	return nil
}

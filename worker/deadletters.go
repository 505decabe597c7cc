package worker

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

// DeadLetter is a job that was given up, with the reason.
type DeadLetter struct {
	Job      Job       `json:"job"`
	Raw      []byte    `json:"raw,omitempty"` // the message, when it could not be read as a job
	Reason   Reason    `json:"reason"`
	Attempts int       `json:"attempts"`
	At       time.Time `json:"at"`
}

// DeadLetters returns every dead letter on the queue, oldest first: of this home's
// jobs, of other homes that share the queue, and of messages that were no jobs.
func (q *Queue) DeadLetters(ctx context.Context) ([]DeadLetter, error) {
	info, err := q.dead.Info(ctx, jetstream.WithSubjectFilter(deadPrefix+"*"))
	if err != nil {
		return nil, fmt.Errorf("%w: dead letters: %w", ErrQueue, err)
	}
	var ls []DeadLetter
	for subject := range info.State.Subjects {
		m, err := q.dead.GetLastMsgForSubject(ctx, subject)
		if errors.Is(err, jetstream.ErrMsgNotFound) {
			continue // retried this moment
		}
		var l DeadLetter
		if err == nil {
			err = json.Unmarshal(m.Data, &l)
		}
		if err != nil {
			return nil, fmt.Errorf("%w: dead letter %s: %w", ErrQueue, strings.TrimPrefix(subject, deadPrefix), err)
		}
		if l.Job.ID == "" {
			l.Job.ID = strings.TrimPrefix(subject, deadPrefix)
		}
		ls = append(ls, l)
	}
	slices.SortFunc(ls, func(a, b DeadLetter) int { return a.At.Compare(b.At) })
	return ls, nil
}

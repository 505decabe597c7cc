package worker

import (
	"context"
	"fmt"
	"strings"
	"time"
)

// Listing asks for some of the ledger's jobs, by when they were submitted. Of a
// hitter's clip that was measured several times, by newer versions or from its
// tracks, only the last is among them.
type Listing struct {
	States []State   // any of these
	Find   string    // words that are all in hitter, team, clip, level or day (2026-11-27, local)
	Since  time.Time // whose state changed then or later; zero: whenever
	Oldest bool      // oldest first, else newest
	Offset int       // jobs to pass over
	Limit  int       // most jobs to return; below 0: all
}

// searched is the text that Listing.Find looks in.
const searched = `(hitter || ' ' || team || ' ' || json_extract(job,'$.clip') || ' ' || ifnull(json_extract(job,'$.subject.level'),'') || ' ' ||
	strftime('%Y-%m-%d', submitted_ms/1000, 'unixepoch', 'localtime'))`

// newest leaves out jobs whose clip was measured again for the same hitter: the
// state of one that is measured changed when it was.
const newest = ` AND NOT (state='measured' AND EXISTS (SELECT 1 FROM jobs AS j
	WHERE j.state='measured' AND json_extract(j.job,'$.clip_sha256')=json_extract(jobs.job,'$.clip_sha256')
	AND j.hitter=jobs.hitter AND j.team=jobs.team AND (j.changed_ms,j.id)>(jobs.changed_ms,jobs.id)))`

// Newest returns the measured jobs, oldest first; of a hitter's clip that was
// measured several times, the last. Errors wrap ErrStorage.
func (l *Ledger) Newest(ctx context.Context) ([]Entry, error) {
	es, _, err := l.List(ctx, Listing{States: []State{StateMeasured}, Oldest: true, Limit: -1})
	return es, err
}

// List returns the jobs that q asks for, and how many fit in all. Only those that are
// returned are read whole, so that it takes the same time in a ledger of any size
// that a team fills. Errors wrap ErrStorage.
func (l *Ledger) List(ctx context.Context, q Listing) (es []Entry, total int, err error) {
	fail := func(err error) ([]Entry, int, error) {
		return nil, 0, fmt.Errorf("%w: ledger: list: %w", ErrStorage, err)
	}
	if len(q.States) == 0 {
		return nil, 0, nil
	}
	where := ` FROM jobs WHERE state IN (?` + strings.Repeat(",?", len(q.States)-1) + `)` + newest
	var args []any
	for _, s := range q.States {
		args = append(args, string(s))
	}
	if !q.Since.IsZero() {
		where, args = where+` AND changed_ms >= ?`, append(args, q.Since.UnixMilli())
	}
	for _, word := range strings.Fields(q.Find) {
		where, args = where+` AND instr(lower(`+searched+`), lower(?)) > 0`, append(args, word)
	}
	if err := l.db.QueryRowContext(ctx, `SELECT count(*)`+where, args...).Scan(&total); err != nil {
		return fail(err)
	}
	order := " DESC"
	if q.Oldest {
		order = ""
	}
	rows, err := l.db.QueryContext(ctx, `SELECT `+entryColumns+where+` ORDER BY submitted_ms`+order+`, id LIMIT ? OFFSET ?`, append(args, q.Limit, q.Offset)...)
	if err != nil {
		return fail(err)
	}
	defer rows.Close()
	for rows.Next() {
		e, err := scanEntry(rows)
		if err != nil {
			return fail(err)
		}
		es = append(es, e)
	}
	if err := rows.Err(); err != nil {
		return fail(err)
	}
	return es, total, nil
}

package worker

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
)

// entered is a job as the ledger has it after it was handed in.
type entered struct {
	Entry
	created bool // it had not been there
}

// addToSend is Add for jobs that are to be published at once, in one transaction: of a
// job that is new the first publication is claimed too, unless it is held back.
func (l *Ledger) addToSend(ctx context.Context, jobs []Job) (es []entered, err error) {
	if len(jobs) == 0 {
		return nil, nil
	}
	err = l.tx(ctx, "add jobs", func(tx *sql.Tx) error {
		es = nil
		for _, j := range jobs {
			e, created, err := l.add(ctx, tx, j, 1)
			if err != nil {
				return err
			}
			es = append(es, entered{e, created})
		}
		return nil
	})
	return es, err
}

// sending is a publication that the queue confirmed.
type sending struct {
	id  string
	seq uint64 // where in the stream
	of  int    // the caller's number of the job
}

// queuedAll notes publications in one transaction. A job that a worker has taken
// meanwhile, or that is forgotten, stays as it is.
func (l *Ledger) queuedAll(ctx context.Context, sent []sending) error {
	if len(sent) == 0 {
		return nil
	}
	return l.tx(ctx, "note jobs on the queue", func(tx *sql.Tx) error {
		last := uint64(0)
		for _, s := range sent {
			moved, err := l.moveIn(ctx, tx, s.id, step{to: StateQueued,
				only: func(was State) bool { return was == StateSubmitted }, // a worker may have been faster
				set:  `seq=?`, args: []any{int64(s.seq)}})
			if err != nil && !errors.Is(err, ErrUnknownJob) {
				return err
			}
			if moved {
				last = max(last, s.seq)
			}
		}
		if last == 0 {
			return nil
		}
		_, err := tx.ExecContext(ctx, `INSERT INTO marks(name,value) VALUES(?,?)
			ON CONFLICT(name) DO UPDATE SET value=max(value,excluded.value)`, lastSeqMark, int64(last))
		return err
	})
}

// place is where a look through the jobs of a state stopped: after the job that was
// submitted then. The zero value is the beginning.
type place struct{ submittedMs, row int64 }

// some returns up to n jobs of a state, oldest first, that come after a place, and the
// place after them: the beginning again when there are no more.
func (l *Ledger) some(ctx context.Context, s State, after place, n int) (es []Entry, next place, err error) {
	fail := func(err error) ([]Entry, place, error) {
		return nil, after, fmt.Errorf("%w: ledger: list: %w", ErrStorage, err)
	}
	rows, err := l.db.QueryContext(ctx, `SELECT `+entryColumns+`,submitted_ms,rowid FROM jobs
		WHERE state=? AND (submitted_ms,rowid)>(?,?) ORDER BY submitted_ms,rowid LIMIT ?`, string(s), after.submittedMs, after.row, n)
	if err != nil {
		return fail(err)
	}
	defer rows.Close()
	for rows.Next() {
		e, err := scanEntry(rows, &next.submittedMs, &next.row)
		if err != nil {
			return fail(err)
		}
		es = append(es, e)
	}
	if err := rows.Err(); err != nil {
		return fail(err)
	}
	if len(es) < n {
		next = place{}
	}
	return es, next, nil
}

// each calls f for every job of a state, oldest first. f may change the ledger: a job
// that comes into the state meanwhile may be among them or not.
func (l *Ledger) each(ctx context.Context, s State, f func(Entry) error) error {
	const page = 1000
	for at, more := (place{}), true; more; more = at != (place{}) {
		es, next, err := l.some(ctx, s, at, page)
		for i := 0; i < len(es) && err == nil; i++ {
			err = f(es[i])
		}
		if err != nil {
			return err
		}
		at = next
	}
	return nil
}

package worker

import (
	"context"
	"database/sql"
	"errors"
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

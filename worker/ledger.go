package worker

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"time"

	_ "modernc.org/sqlite" // pure-Go driver "sqlite"
)

// Ledger remembers every job that was submitted through this home and every
// change of its state. It is a SQLite file that several processes may have open
// at once. A change is on the disk when the method that makes it returns.
type Ledger struct {
	db  *sql.DB
	now func() time.Time
}

// Entry is one job as the ledger knows it.
type Entry struct {
	Job   Job
	State State
	Tries Tries
	// Ours is false for a job that reached this home's worker from someone
	// else's submit; its submitter answers for it.
	Ours bool
	// Sends counts publications; each has its own message id, so that a
	// deliberate one is never taken for a duplicate.
	Sends   int
	Seq     uint64 // stream sequence of the last confirmed publication, 0 before it
	Records int    // records stored: swings, or 1 for a failure
	Kind    Kind   // last failure, empty when none
	Reason  string
	Changed time.Time
}

// Change is one line of a job's history.
type Change struct {
	At       time.Time
	From, To State
	Why      string
}

const ledgerSchema = `
CREATE TABLE IF NOT EXISTS jobs (
  id TEXT PRIMARY KEY,
  job TEXT NOT NULL,
  hitter TEXT NOT NULL,
  team TEXT NOT NULL,
  state TEXT NOT NULL,
  ours INTEGER NOT NULL,
  sends INTEGER NOT NULL DEFAULT 0,
  seq INTEGER NOT NULL DEFAULT 0,
  attempts INTEGER NOT NULL DEFAULT 0,
  broken INTEGER NOT NULL DEFAULT 0,
  records INTEGER NOT NULL DEFAULT 0,
  kind TEXT NOT NULL DEFAULT '',
  reason TEXT NOT NULL DEFAULT '',
  submitted_ms INTEGER NOT NULL,
  changed_ms INTEGER NOT NULL
) STRICT;
CREATE INDEX IF NOT EXISTS jobs_by_state ON jobs(state, submitted_ms);
CREATE INDEX IF NOT EXISTS jobs_by_clip ON jobs(json_extract(job,'$.clip_sha256'));
CREATE TABLE IF NOT EXISTS changes (
  n INTEGER PRIMARY KEY,
  id TEXT NOT NULL,
  at_ms INTEGER NOT NULL,
  was TEXT NOT NULL,
  became TEXT NOT NULL,
  why TEXT NOT NULL
) STRICT;
CREATE INDEX IF NOT EXISTS changes_by_id ON changes(id, n);
CREATE TABLE IF NOT EXISTS marks (name TEXT PRIMARY KEY, value INTEGER NOT NULL) STRICT;
`

// OpenLedger opens or creates the ledger. Errors wrap ErrStorage.
func OpenLedger(ctx context.Context, path string) (*Ledger, error) {
	abs, err := filepath.Abs(path)
	if err != nil {
		return nil, fmt.Errorf("%w: ledger %s: %w", ErrStorage, path, err)
	}
	// The driver would let everyone read it, and it holds players' names.
	f, err := os.OpenFile(abs, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, fmt.Errorf("%w: ledger %s: %w", ErrStorage, path, err)
	}
	f.Close()
	q := url.Values{"_txlock": {"immediate"}, "_pragma": {
		"busy_timeout(10000)",
		"journal_mode(WAL)",
		"synchronous(FULL)", // WAL with NORMAL may lose the last commits on power loss
		"secure_delete(ON)", // what is forgotten must not stay in free pages
	}}
	db, err := sql.Open("sqlite", (&url.URL{Scheme: "file", Path: abs, RawQuery: q.Encode()}).String())
	if err != nil {
		return nil, fmt.Errorf("%w: ledger %s: %w", ErrStorage, path, err)
	}
	db.SetMaxOpenConns(1) // one writer anyway; spares the process its own lock waits
	l := &Ledger{db: db, now: time.Now}
	if _, err := db.ExecContext(ctx, ledgerSchema+consentSchema+watchedSchema); err != nil {
		db.Close()
		return nil, fmt.Errorf("%w: ledger %s: %w", ErrStorage, path, err)
	}
	return l, nil
}

// Close closes the file.
func (l *Ledger) Close() error { return l.db.Close() }

// tx runs f in one transaction. Errors of the database wrap ErrStorage.
func (l *Ledger) tx(ctx context.Context, what string, f func(*sql.Tx) error) error {
	tx, err := l.db.BeginTx(ctx, nil)
	if err == nil {
		if err = f(tx); err == nil {
			err = tx.Commit()
		} else {
			tx.Rollback()
		}
	}
	if err == nil || errors.Is(err, ErrUnknownJob) {
		return err
	}
	if ctx.Err() != nil {
		return fmt.Errorf("ledger: %s: %w", what, ctx.Err())
	}
	return fmt.Errorf("%w: ledger: %s: %w", ErrStorage, what, err)
}

// Add enters a job as submitted by this home. When the ledger already has it,
// created is false and the existing entry is returned; a job known from a
// delivery only becomes ours.
func (l *Ledger) Add(ctx context.Context, j Job) (e Entry, created bool, err error) {
	err = l.tx(ctx, "add "+j.ID, func(tx *sql.Tx) error {
		e, created, err = l.add(ctx, tx, j, 0)
		return err
	})
	return e, created, err
}

func (l *Ledger) add(ctx context.Context, tx *sql.Tx, j Job, sends int) (e Entry, created bool, err error) {
	first := StateSubmitted
	if j.Low {
		first, sends = StateHeld, 0
	}
	created, err = l.insert(ctx, tx, j, first, true, sends)
	if err == nil && !created {
		_, err = tx.ExecContext(ctx, `UPDATE jobs SET ours=1 WHERE id=?`, j.ID)
	}
	if err == nil {
		e, err = getEntry(ctx, tx, j.ID)
	}
	return e, created, err
}

func (l *Ledger) insert(ctx context.Context, tx *sql.Tx, j Job, s State, ours bool, sends int) (bool, error) {
	b, err := json.Marshal(j)
	if err != nil {
		return false, err
	}
	now := l.now().UnixMilli()
	res, err := tx.ExecContext(ctx, `INSERT INTO jobs(id,job,hitter,team,state,ours,sends,submitted_ms,changed_ms)
		VALUES(?,?,?,?,?,?,?,?,?) ON CONFLICT(id) DO NOTHING`,
		j.ID, string(b), j.Subject.Hitter, j.Subject.Team, string(s), ours, sends, j.SubmittedAt.UnixMilli(), now)
	if err != nil {
		return false, err
	}
	n, err := res.RowsAffected()
	if err != nil || n == 0 {
		return false, err
	}
	return true, l.note(ctx, tx, j.ID, now, "", s, "")
}

func (l *Ledger) note(ctx context.Context, tx *sql.Tx, id string, nowMs int64, was, became State, why string) error {
	_, err := tx.ExecContext(ctx, `INSERT INTO changes(id,at_ms,was,became,why) VALUES(?,?,?,?,?)`,
		id, nowMs, string(was), string(became), why)
	return err
}

// step is one move of a job.
type step struct {
	to   State
	why  string
	only func(State) bool // further condition on the state before; nil: none
	set  string           // further assignments, with args
	args []any
}

// move makes a step when the state machine allows it. moved is false when it
// does not (another worker was faster); that is no error.
func (l *Ledger) move(ctx context.Context, id string, s step) (moved bool, err error) {
	err = l.tx(ctx, fmt.Sprintf("move %s to %s", id, s.to), func(tx *sql.Tx) error {
		moved, err = l.moveIn(ctx, tx, id, s)
		return err
	})
	return moved, err
}

func (l *Ledger) moveIn(ctx context.Context, tx *sql.Tx, id string, s step) (moved bool, err error) {
	e, err := getEntry(ctx, tx, id)
	if err != nil || !e.State.mayBecome(s.to) || (s.only != nil && !s.only(e.State)) {
		return false, err
	}
	now := l.now().UnixMilli()
	q := `UPDATE jobs SET state=?, changed_ms=?`
	if s.set != "" {
		q += ", " + s.set
	}
	args := append([]any{string(s.to), now}, s.args...)
	if _, err := tx.ExecContext(ctx, q+` WHERE id=?`, append(args, id)...); err != nil {
		return false, err
	}
	return true, l.note(ctx, tx, id, now, e.State, s.to, s.why)
}

// NextSend claims the number of the next publication of a job, from 1.
func (l *Ledger) NextSend(ctx context.Context, id string) (n int, err error) {
	err = l.tx(ctx, "send "+id, func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, `UPDATE jobs SET sends=sends+1 WHERE id=?`, id); err != nil {
			return err
		}
		err := tx.QueryRowContext(ctx, `SELECT sends FROM jobs WHERE id=?`, id).Scan(&n)
		if errors.Is(err, sql.ErrNoRows) {
			return fmt.Errorf("%w: %s", ErrUnknownJob, id)
		}
		return err
	})
	return n, err
}

// Queued notes that the queue confirmed the job at a stream sequence.
func (l *Ledger) Queued(ctx context.Context, id string, seq uint64) error {
	return l.queuedAll(ctx, []sending{{id: id, seq: seq}})
}

// Start notes that a worker took the job, entering it first when this home did
// not submit it, and returns the tries so far, this one included.
func (l *Ledger) Start(ctx context.Context, j Job, worker string) (t Tries, err error) {
	if err = l.adopt(ctx, j); err != nil {
		return t, err
	}
	if _, err = l.move(ctx, j.ID, step{to: StateRunning, why: worker, set: `attempts=attempts+1`}); err != nil {
		return t, err
	}
	e, err := l.Get(ctx, j.ID)
	return e.Tries, err
}

// adopt enters a job that reached this home's worker unless it is known.
func (l *Ledger) adopt(ctx context.Context, j Job) error {
	return l.tx(ctx, "adopt "+j.ID, func(tx *sql.Tx) error {
		_, err := l.insert(ctx, tx, j, StateQueued, false, 0)
		return err
	})
}

// HandBack notes that a worker gave the job back unfinished because it is
// shutting down; the attempt does not count.
func (l *Ledger) HandBack(ctx context.Context, id string) error {
	_, err := l.move(ctx, id, step{to: StateQueued, why: "handed back", set: `attempts=max(attempts-1,0)`})
	return err
}

// Wait notes a failed attempt that will be repeated. One that failed because
// storage or queue was away does not count.
func (l *Ledger) Wait(ctx context.Context, id string, f *Failure) error {
	_, err := l.move(ctx, id, step{to: StateWaiting, why: f.Error(),
		set:  `kind=?, reason=?, broken=broken+?, attempts=max(attempts-?,0)`,
		args: []any{string(f.Kind), f.Error(), b2i(f.Class == ClassBroken), b2i(f.Class == ClassAway)}})
	return err
}

// Measured notes that records are stored.
func (l *Ledger) Measured(ctx context.Context, id string, records int) error {
	_, err := l.move(ctx, id, step{to: StateMeasured, set: `records=?, kind='', reason=''`, args: []any{records}})
	return err
}

// Unmeasured notes that a record with a reason is stored and nothing more will
// be tried.
func (l *Ledger) Unmeasured(ctx context.Context, id string, kind Kind, reason string) error {
	return l.gaveUp(ctx, id, StateUnmeasured, kind, reason)
}

// Dead notes that the job was given up.
func (l *Ledger) Dead(ctx context.Context, id string, kind Kind, reason string) error {
	return l.gaveUp(ctx, id, StateDead, kind, reason)
}

func (l *Ledger) gaveUp(ctx context.Context, id string, s State, kind Kind, reason string) error {
	_, err := l.move(ctx, id, step{to: s, why: reason,
		set: `records=1, kind=?, reason=?`, args: []any{string(kind), reason}})
	return err
}

// Release takes a held job to submitted, so that it may be published. moved is
// false when another worker was faster.
func (l *Ledger) Release(ctx context.Context, id string) (moved bool, err error) {
	return l.move(ctx, id, step{to: StateSubmitted, why: "the queue had nothing else to do",
		only: func(s State) bool { return s == StateHeld }})
}

// Resend takes an open job that the queue lost back to submitted. moved is
// false when it has become final in the meantime.
func (l *Ledger) Resend(ctx context.Context, id, why string) (moved bool, err error) {
	return l.move(ctx, id, step{to: StateSubmitted, why: why,
		only: func(s State) bool { return !s.Final() }})
}

// Retry takes a final job back to submitted as j, whose Round must be new. No
// attempts are used then.
func (l *Ledger) Retry(ctx context.Context, j Job, why string) (moved bool, err error) {
	b, err := json.Marshal(j)
	if err != nil {
		return false, err
	}
	return l.move(ctx, j.ID, step{to: StateSubmitted, why: why, only: State.Final,
		set:  `job=?, ours=1, attempts=0, broken=0, records=0`,
		args: []any{string(b)}})
}

const entryColumns = `job,state,ours,sends,seq,attempts,broken,records,kind,reason,changed_ms`

type rower interface{ Scan(...any) error }

func scanEntry(r rower, more ...any) (Entry, error) {
	var e Entry
	var job, state, kind string
	var seq, changed int64
	if err := r.Scan(append([]any{&job, &state, &e.Ours, &e.Sends, &seq, &e.Tries.Attempts, &e.Tries.Broken,
		&e.Records, &kind, &e.Reason, &changed}, more...)...); err != nil {
		return e, err
	}
	e.State, e.Kind, e.Seq, e.Changed = State(state), Kind(kind), uint64(seq), time.UnixMilli(changed)
	if err := json.Unmarshal([]byte(job), &e.Job); err != nil {
		return e, fmt.Errorf("entry: %w", err)
	}
	return e, nil
}

type querier interface {
	QueryRowContext(context.Context, string, ...any) *sql.Row
}

func getEntry(ctx context.Context, q querier, id string) (Entry, error) {
	e, err := scanEntry(q.QueryRowContext(ctx, `SELECT `+entryColumns+` FROM jobs WHERE id=?`, id))
	if errors.Is(err, sql.ErrNoRows) {
		return e, fmt.Errorf("%w: %s", ErrUnknownJob, id)
	}
	return e, err
}

// Get returns one entry. ErrUnknownJob when there is none.
func (l *Ledger) Get(ctx context.Context, id string) (Entry, error) {
	e, err := getEntry(ctx, l.db, id)
	if err != nil && !errors.Is(err, ErrUnknownJob) {
		err = fmt.Errorf("%w: ledger: read %s: %w", ErrStorage, id, err)
	}
	return e, err
}

// Entries returns the jobs in the given states, all when none is given, oldest
// first.
func (l *Ledger) Entries(ctx context.Context, states ...State) ([]Entry, error) {
	q, args := `SELECT `+entryColumns+` FROM jobs`, []any{}
	if len(states) > 0 {
		q += ` WHERE state IN (?` + strings.Repeat(",?", len(states)-1) + `)`
		for _, s := range states {
			args = append(args, string(s))
		}
	}
	rows, err := l.db.QueryContext(ctx, q+` ORDER BY submitted_ms, id`, args...)
	if err != nil {
		return nil, fmt.Errorf("%w: ledger: list: %w", ErrStorage, err)
	}
	defer rows.Close()
	var es []Entry
	for rows.Next() {
		e, err := scanEntry(rows)
		if err != nil {
			return nil, fmt.Errorf("%w: ledger: list: %w", ErrStorage, err)
		}
		es = append(es, e)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("%w: ledger: list: %w", ErrStorage, err)
	}
	return es, nil
}

// History returns a job's changes, oldest first.
func (l *Ledger) History(ctx context.Context, id string) ([]Change, error) {
	rows, err := l.db.QueryContext(ctx, `SELECT at_ms,was,became,why FROM changes WHERE id=? ORDER BY n`, id)
	if err != nil {
		return nil, fmt.Errorf("%w: ledger: history of %s: %w", ErrStorage, id, err)
	}
	defer rows.Close()
	var cs []Change
	for rows.Next() {
		var at int64
		var c Change
		if err := rows.Scan(&at, &c.From, &c.To, &c.Why); err != nil {
			return nil, fmt.Errorf("%w: ledger: history of %s: %w", ErrStorage, id, err)
		}
		c.At = time.UnixMilli(at)
		cs = append(cs, c)
	}
	return cs, rows.Err()
}

// Tally is how many jobs are in each state.
type Tally struct {
	Count map[State]int `json:"count"`
	// Oldest is when the oldest job that is neither final nor of low priority was
	// submitted; zero when there is none.
	Oldest time.Time `json:"oldest"`
}

// Tally counts the jobs by state. It reads an index only, and is as quick as can be
// with a million jobs.
func (l *Ledger) Tally(ctx context.Context) (Tally, error) {
	t := Tally{Count: map[State]int{}}
	fail := func(err error) (Tally, error) { return t, fmt.Errorf("%w: ledger: count: %w", ErrStorage, err) }
	rows, err := l.db.QueryContext(ctx, `SELECT state, count(*) FROM jobs GROUP BY state`)
	if err != nil {
		return fail(err)
	}
	defer rows.Close()
	for rows.Next() {
		var s State
		var n int
		if err := rows.Scan(&s, &n); err != nil {
			return fail(err)
		}
		t.Count[s] = n
	}
	if err := rows.Err(); err != nil {
		return fail(err)
	}
	rows.Close() // the ledger has one connection
	for s := range t.Count {
		if s.Final() || s == StateHeld { // those held back are of low priority
			continue
		}
		var ms int64
		err := l.db.QueryRowContext(ctx, `SELECT submitted_ms FROM jobs WHERE state=? AND NOT ifnull(job->>'low',0)
			ORDER BY submitted_ms LIMIT 1`, string(s)).Scan(&ms)
		if errors.Is(err, sql.ErrNoRows) {
			continue
		}
		if err != nil {
			return fail(err)
		}
		if at := time.UnixMilli(ms); t.Oldest.IsZero() || at.Before(t.Oldest) {
			t.Oldest = at
		}
	}
	return t, nil
}

const lastSeqMark = "last_seq"

// wentBack reports whether the stream's last sequence is lower than one that
// was confirmed before, and takes it as the new mark, so that it is reported
// once.
func (l *Ledger) wentBack(ctx context.Context, lastSeq uint64) (back bool, err error) {
	err = l.tx(ctx, "mark", func(tx *sql.Tx) error {
		var was int64
		err := tx.QueryRowContext(ctx, `SELECT value FROM marks WHERE name=?`, lastSeqMark).Scan(&was)
		if err != nil && !errors.Is(err, sql.ErrNoRows) {
			return err
		}
		back = lastSeq < uint64(was)
		_, err = tx.ExecContext(ctx, `INSERT INTO marks(name,value) VALUES(?,?)
			ON CONFLICT(name) DO UPDATE SET value=excluded.value`, lastSeqMark, int64(lastSeq))
		return err
	})
	return back, err
}

func b2i(b bool) int {
	if b {
		return 1
	}
	return 0
}

package worker

import (
	"bufio"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/cloudevents/sdk-go/v2/event"
)

// eachListed calls f for every job of the ledger.
func (d *Desk) eachListed(ctx context.Context, f func(Job)) error {
	entries, err := d.Ledger.Entries(ctx)
	for _, e := range entries {
		f(e.Job)
	}
	return err
}

// eachRecorded calls f for every event of every record of a job that is not known.
// Of a damaged record only the ledger can say whose it is.
func (d *Desk) eachRecorded(ctx context.Context, known map[string]bool, f func(jobID, team, hitter string)) error {
	ids, err := d.Records.IDs()
	if err != nil {
		return err
	}
	for _, id := range ids {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if known[id] {
			continue
		}
		rec, err := d.Records.Get(id)
		if err != nil && !errors.Is(err, ErrDamaged) && !errors.Is(err, ErrNoRecord) {
			return err
		}
		for _, e := range rec.Events {
			f(id, teamOf(e), e.Subject())
		}
	}
	return nil
}

func teamOf(e event.Event) string {
	team, _ := e.Extensions()[extTeam].(string)
	return team
}

// erase removes once what it can; what is not there is no error, and one thing
// that cannot be removed does not keep the rest.
func (d *Desk) erase(ctx context.Context, x doomed) error {
	var errs []error
	for _, c := range x.clips {
		errs = append(errs, c.remove(ctx))
	}
	errs = append(errs, d.eraseShared(ctx, x), d.Ledger.forget(ctx, x), d.eraseQueued(ctx, x.ids))
	named, err := d.named(x.ids)
	errs = append(errs, err)
	for _, path := range named {
		if err := os.RemoveAll(path); err != nil {
			errs = append(errs, fmt.Errorf("%w: %w", ErrStorage, err))
		}
	}
	return errors.Join(append(errs, d.eraseTraces(ctx, x.ids))...)
}

// count reads every store.
func (d *Desk) count(ctx context.Context, x doomed) (map[string]int, error) {
	n := map[string]int{}
	for _, c := range x.clips {
		there, err := c.there(ctx)
		if err != nil {
			return nil, err
		}
		n[StoreClips] += b2i(there)
	}
	if err := d.Ledger.countOf(ctx, x, n); err != nil {
		return nil, err
	}
	if err := d.countQueued(ctx, x.ids, n); err != nil {
		return nil, err
	}
	named, err := d.named(x.ids)
	if err != nil {
		return nil, err
	}
	for _, path := range named {
		if filepath.Dir(path) != d.Records.dir {
			n[StoreScratch]++
			continue
		}
		n[StoreRecords]++
		err := filepath.WalkDir(path, func(_ string, e fs.DirEntry, err error) error {
			if err == nil && e.Type().IsRegular() {
				n[StoreFiles]++
			}
			return err
		})
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return nil, fmt.Errorf("%w: %w", ErrStorage, err)
		}
	}
	shared, err := d.sharedKeys(ctx, x)
	if err != nil {
		return nil, err
	}
	n[StoreDepot] = len(shared)
	traces, err := d.traces(ctx, x.ids)
	n[StoreTraces] = len(traces)
	return n, err
}

// named lists the files and folders of the home whose name holds a job's ID:
// records, those that are being written, replaced or were damaged, scratch.
func (d *Desk) named(ids map[string]bool) (paths []string, err error) {
	err = d.walkHome(func(path string, e fs.DirEntry) error {
		if !holdsID(e.Name(), ids) {
			return nil
		}
		paths = append(paths, path)
		if e.IsDir() {
			return fs.SkipDir
		}
		return nil
	})
	return paths, err
}

// walkHome visits the home and its record store, the queue's store left out.
func (d *Desk) walkHome(f func(path string, e fs.DirEntry) error) error {
	visit := func(root string, skip func(path string) bool) error {
		err := filepath.WalkDir(root, func(path string, e fs.DirEntry, err error) error {
			switch {
			case errors.Is(err, fs.ErrNotExist):
				return nil // gone this moment
			case err != nil:
				return err
			case path == root:
				return nil
			case e.IsDir() && skip(path):
				return fs.SkipDir
			}
			return f(path, e)
		})
		if err != nil {
			return fmt.Errorf("%w: %w", ErrStorage, err)
		}
		return nil
	}
	home := d.Queue.home
	return errors.Join(
		visit(home.dir, func(path string) bool { return path == home.queueDir() || path == d.Records.dir }),
		// A record's own files are not looked into: another job's names no other.
		visit(d.Records.dir, func(path string) bool {
			return filepath.Dir(path) != d.Records.dir || filepath.Base(path) == forgottenDir
		}))
}

// holdsID reports whether s has one of the IDs in it, at any place.
func holdsID(s string, ids map[string]bool) bool {
	const n = 32
	for i := 0; i+n <= len(s); i++ {
		if ids[s[i:i+n]] {
			return true
		}
	}
	return false
}

// traces lists the files in which the bytes of an ID stand although no store
// answers for it any more: the ledger's free pages, blocks of the queue. Only the
// home's own queue can be read this way.
func (d *Desk) traces(ctx context.Context, ids map[string]bool) (paths []string, err error) {
	if len(ids) == 0 {
		return nil, nil
	}
	look := func(path string) error {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		has, err := fileHoldsID(path, ids)
		if has {
			paths = append(paths, path)
		}
		return err
	}
	home := d.Queue.home
	files, err := filepath.Glob(home.LedgerPath() + "*") // with its log
	if err != nil {
		return nil, err
	}
	for _, path := range files {
		if err := look(path); err != nil {
			return nil, fmt.Errorf("%w: %w", ErrStorage, err)
		}
	}
	err = filepath.WalkDir(home.queueDir(), func(path string, e fs.DirEntry, err error) error {
		if err == nil && e.Type().IsRegular() {
			err = look(path)
		}
		if errors.Is(err, fs.ErrNotExist) {
			return nil
		}
		return err
	})
	if err != nil && ctx.Err() == nil {
		err = fmt.Errorf("%w: %w", ErrStorage, err)
	}
	return paths, err
}

// fileHoldsID looks for IDs among the runs of hex digits of a file of any size.
func fileHoldsID(path string, ids map[string]bool) (bool, error) {
	f, err := os.Open(path)
	if errors.Is(err, fs.ErrNotExist) {
		return false, nil
	}
	if err != nil {
		return false, err
	}
	defer f.Close()
	r := bufio.NewReaderSize(f, 1<<20)
	var run []byte
	for {
		c, err := r.ReadByte()
		hex := err == nil && (c >= '0' && c <= '9' || c >= 'a' && c <= 'f')
		if hex {
			run = append(run, c)
			if len(run) < 1<<16 {
				continue
			}
		}
		if len(run) >= 32 {
			if holdsID(string(run), ids) {
				return true, nil
			}
			run = append(run[:0], run[len(run)-31:]...)
		}
		if !hex {
			run = run[:0]
		}
		if errors.Is(err, io.EOF) {
			return false, nil
		}
		if err != nil {
			return false, err
		}
	}
}

// there reports whether the file that was submitted is at its place.
func (c clipFile) there(ctx context.Context) (bool, error) {
	if _, err := os.Stat(c.path); err != nil {
		return false, nil // nothing that could be read
	}
	sum, err := hashClip(ctx, c.path, nil)
	if ctx.Err() != nil {
		return false, ctx.Err()
	}
	return err == nil && sum == c.sha256, nil
}

// remove removes the file that was submitted, and the link that it was
// submitted by. Any other file at that place is not ours to remove.
func (c clipFile) remove(ctx context.Context) error {
	there, err := c.there(ctx)
	if err != nil || !there {
		return err
	}
	target, err := filepath.EvalSymlinks(c.path)
	if err == nil {
		err = os.Remove(target)
	}
	if err == nil && target != c.path {
		if info, lerr := os.Lstat(c.path); lerr == nil && info.Mode()&fs.ModeSymlink != 0 {
			err = os.Remove(c.path)
		}
	}
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("%w: remove clip: %w", ErrStorage, err)
	}
	return nil
}

// forget removes jobs and their history, and what is kept under the hitter's
// name.
func (l *Ledger) forget(ctx context.Context, x doomed) error {
	err := l.tx(ctx, "forget", func(tx *sql.Tx) error {
		for id := range x.ids {
			for _, q := range []string{`DELETE FROM jobs WHERE id=?`, `DELETE FROM changes WHERE id=?`} {
				if _, err := tx.ExecContext(ctx, q, id); err != nil {
					return err
				}
			}
		}
		if x.who == nil {
			return nil
		}
		for _, t := range []string{"consents", "watched"} {
			if _, err := tx.ExecContext(ctx, `DELETE FROM `+t+` WHERE team=? AND hitter=?`, nameKey(x.who.Team), nameKey(x.who.Name)); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	// The log has the rows as they were; deleted rows themselves are zeroed
	// (secure_delete). Another process that reads just now keeps the log from
	// being cut: then it shows as a trace, and the next turn cuts it.
	if _, err := l.db.ExecContext(ctx, `PRAGMA wal_checkpoint(TRUNCATE)`); err != nil && ctx.Err() == nil {
		return fmt.Errorf("%w: ledger: cut the log: %w", ErrStorage, err)
	}
	return ctx.Err()
}

// vacuum writes the file anew, without free pages.
func (l *Ledger) vacuum(ctx context.Context) error {
	if _, err := l.db.ExecContext(ctx, `VACUUM; PRAGMA wal_checkpoint(TRUNCATE)`); err != nil {
		return fmt.Errorf("%w: ledger: vacuum: %w", ErrStorage, err)
	}
	return nil
}

// countOf counts the ledger's rows of what is doomed.
func (l *Ledger) countOf(ctx context.Context, x doomed, n map[string]int) error {
	one := func(store, q string, args ...any) error {
		var rows int
		if err := l.db.QueryRowContext(ctx, q, args...).Scan(&rows); err != nil {
			return fmt.Errorf("%w: ledger: count: %w", ErrStorage, err)
		}
		n[store] += rows
		return nil
	}
	for id := range x.ids {
		if err := errors.Join(one(StoreJobs, `SELECT count(*) FROM jobs WHERE id=?`, id),
			one(StoreHistory, `SELECT count(*) FROM changes WHERE id=?`, id)); err != nil {
			return err
		}
	}
	if x.who == nil {
		return nil
	}
	team, hitter := nameKey(x.who.Team), nameKey(x.who.Name)
	return errors.Join(one(StoreConsent, `SELECT count(*) FROM consents WHERE team=? AND hitter=?`, team, hitter),
		one(StoreWatched, `SELECT count(*) FROM watched WHERE team=? AND hitter=?`, team, hitter))
}

// eachConsent calls f for every hitter of whom something was told or seen.
func (l *Ledger) eachConsent(ctx context.Context, f func(team, hitter string)) error {
	rows, err := l.db.QueryContext(ctx, `SELECT team,hitter FROM consents UNION SELECT team,hitter FROM watched WHERE hitter<>''`)
	if err != nil {
		return fmt.Errorf("%w: ledger: names: %w", ErrStorage, err)
	}
	defer rows.Close()
	for rows.Next() {
		var team, hitter string
		if err := rows.Scan(&team, &hitter); err != nil {
			return fmt.Errorf("%w: ledger: names: %w", ErrStorage, err)
		}
		f(team, hitter)
	}
	return rows.Err()
}

// jobOfSubject is the job's ID in a subject of the queue, whose last token is it
// or a record's ID.
func jobOfSubject(subject string) string {
	last := subject[strings.LastIndexByte(subject, '.')+1:]
	id, _, _ := strings.Cut(last, "-")
	return id
}

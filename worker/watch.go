package worker

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"golang.org/x/sys/unix"

	"nightcage/vision"
)

// Watcher hands in the clips that land in a folder and the folders below it.
//
// It looks at the folder every so often instead of waiting for the file system's
// word: network folders send none, and overnight seconds do not matter. A file
// counts as complete when its size and time have stayed the same for Quiet and no
// program of this machine has it open for writing. What has been seen to the end
// is remembered in the ledger, so that neither a restart nor the next look reads
// it again. A clip's content is handed in once, however often and under whatever
// names it lies there.
type Watcher struct {
	Dir    string
	Ledger *Ledger
	// Open opens the queue for a batch of clips; leave closes it. It is not held
	// in between, so that workers may come and go.
	Open func(context.Context) (d *Desk, leave func(), err error)
	// Roster is read at every look; it says whose the files are.
	Roster   func() (Roster, error)
	Pipeline string
	Quiet    time.Duration
	// Report is told once of each clip that was handed in, or was not.
	Report func(Seen)

	waiting map[string]quiet
}

// Roster says whose a file is by its path below the folder, in slashes.
type Roster interface {
	Of(path string) (Told, error)
}

// Told is what is known of a clip before it is looked at.
type Told struct {
	Subject vision.Subject
	Consent Consent
}

// Seen is what became of a file. Err is nil when it was handed in.
type Seen struct {
	Path    string // below the folder, in slashes
	Hitter  string
	Receipt Receipt
	Err     error
}

// quiet is a file that may still grow.
type quiet struct {
	stamp
	since time.Time
}

// stamp tells one state of a file from another.
type stamp struct{ size, mtimeNs int64 }

const watchedSchema = `
CREATE TABLE IF NOT EXISTS watched (
  path TEXT PRIMARY KEY,
  team TEXT NOT NULL,
  hitter TEXT NOT NULL,
  size INTEGER NOT NULL,
  mtime_ns INTEGER NOT NULL,
  clip_sha256 TEXT NOT NULL,
  said TEXT NOT NULL
) STRICT;
CREATE INDEX IF NOT EXISTS jobs_by_clip ON jobs(json_extract(job,'$.clip_sha256'));
`

// watched is a file as it was last seen. sha256 is empty until it was read, and
// said until it was reported as bad.
type watched struct {
	stamp
	team, hitter, sha256, said string
}

// clipSuffixes are of files that may be clips; others in the folder are none of
// our business, what a program calls a file that it is still writing among them.
var clipSuffixes = []string{".mp4", ".mov", ".m4v", ".avi", ".mkv", ".webm", ".mts", ".m2ts", ".mpg", ".mpeg", ".3gp"}

func isClipName(name string) bool {
	return !strings.HasPrefix(name, ".") && slices.Contains(clipSuffixes, strings.ToLower(filepath.Ext(name)))
}

// watchBatch is how many clips are read before they are handed in: a full memory card
// takes hours to read, and what is handed in survives a stop.
const watchBatch = 20

// Look goes through the folder once. waiting is how many files may still grow.
// Errors: ErrStorage when the folder or the ledger cannot be read, ErrQueue when
// clips could not be handed in, the roster's, ctx's; what was not done is done by
// a later look.
func (w *Watcher) Look(ctx context.Context) (waiting int, err error) {
	roster, err := w.Roster()
	if err != nil {
		return 0, err
	}
	if w.waiting == nil {
		w.waiting = map[string]quiet{}
	}
	files, unseen := w.files()
	var jobs []Job
	now := time.Now()
	present := map[string]bool{}
	for _, f := range files {
		if ctx.Err() != nil {
			return 0, ctx.Err()
		}
		present[f.abs] = true
		last, known, err := w.Ledger.watched(ctx, f.abs)
		if err != nil {
			return 0, err
		}
		if known && last.stamp == f.stamp && last.sha256 != "" {
			if last.said == "" {
				continue
			}
			// It was another hitter's clip. Is it still?
			if _, still, err := w.Ledger.jobOfClip(ctx, last.sha256); err != nil || still {
				if err != nil {
					return 0, err
				}
				continue
			}
		}
		q, ok := w.waiting[f.abs]
		if !ok || q.stamp != f.stamp {
			q = quiet{f.stamp, now}
		}
		w.waiting[f.abs] = q
		if now.Sub(q.since) < w.Quiet || openForWriting(f.abs) {
			waiting++
			continue
		}
		j, bad, err := w.take(ctx, roster, f)
		if errors.Is(err, errGrew) {
			waiting++
			continue
		}
		if err != nil {
			return 0, err
		}
		if bad != nil {
			if !known || last.stamp != f.stamp || last.said != bad.Error() {
				w.Report(Seen{Path: f.rel, Hitter: j.Subject.Hitter, Err: bad})
			}
			if err := w.Ledger.watch(ctx, f.abs, watched{f.stamp, j.Subject.Team, j.Subject.Hitter, j.ClipSHA256, bad.Error()}); err != nil {
				return 0, err
			}
			continue
		}
		if jobs = append(jobs, j); len(jobs) == watchBatch {
			if err := w.handIn(ctx, jobs); err != nil {
				return waiting, err
			}
			jobs = nil
		}
	}
	maps.DeleteFunc(w.waiting, func(path string, _ quiet) bool { return !present[path] })
	if len(jobs) == 0 {
		return waiting, unseen
	}
	return waiting, errors.Join(unseen, w.handIn(ctx, jobs))
}

// handIn submits a batch, each content once.
func (w *Watcher) handIn(ctx context.Context, jobs []Job) error {
	d, leave, err := w.Open(ctx)
	if err != nil {
		return err
	}
	defer leave()
	for _, j := range jobs {
		rel, err := filepath.Rel(w.Dir, j.Clip)
		if err != nil {
			return err
		}
		s := Seen{Path: filepath.ToSlash(rel), Hitter: j.Subject.Hitter}
		said := ""
		other, known, err := w.Ledger.jobOfClip(ctx, j.ClipSHA256)
		switch {
		case err != nil:
			return err
		case known && (nameKey(other.Subject.Hitter) != nameKey(j.Subject.Hitter) || nameKey(other.Subject.Team) != nameKey(j.Subject.Team)):
			s.Err = fmt.Errorf("the same clip was handed in as %s's, as %s: if that was wrong, submit it by hand", other.Subject.Hitter, filepath.Base(other.Clip))
			said = s.Err.Error()
		case known:
			if s.Receipt, err = w.Ledger.receipt(ctx, other.ID); err != nil {
				return err
			}
		default:
			if s.Receipt, err = d.Submit(ctx, j); err != nil {
				return err
			}
		}
		info, err := os.Lstat(j.Clip)
		if err != nil {
			continue // gone again; the job will say so
		}
		if err := w.Ledger.watch(ctx, j.Clip, watched{stampOf(info), j.Subject.Team, j.Subject.Hitter, j.ClipSHA256, said}); err != nil {
			return err
		}
		w.Report(s)
	}
	return nil
}

// found is a file of the folder.
type found struct {
	abs, rel string
	stamp
	link bool
}

func stampOf(info fs.FileInfo) stamp { return stamp{info.Size(), info.ModTime().UnixNano()} }

// files lists what may be clips, by path. Links are listed and not followed. A
// folder that cannot be read is the error, and does not hide the others.
func (w *Watcher) files() (out []found, unseen error) {
	var errs []error
	err := filepath.WalkDir(w.Dir, func(path string, e fs.DirEntry, err error) error {
		if err != nil {
			if path != w.Dir && errors.Is(err, fs.ErrNotExist) {
				return nil // gone this moment
			}
			errs = append(errs, err)
			return nil
		}
		if e.IsDir() {
			if path != w.Dir && strings.HasPrefix(e.Name(), ".") {
				return fs.SkipDir
			}
			return nil
		}
		if !isClipName(e.Name()) {
			return nil
		}
		info, err := e.Info()
		if errors.Is(err, fs.ErrNotExist) {
			return nil
		}
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(w.Dir, path)
		if err == nil {
			out = append(out, found{path, filepath.ToSlash(rel), stampOf(info), !info.Mode().IsRegular()})
		}
		return err
	})
	if err = errors.Join(append(errs, err)...); err != nil {
		return out, fmt.Errorf("%w: watch %s: %w", ErrStorage, w.Dir, err)
	}
	return out, nil
}

// errGrew: the file changed while it was read.
var errGrew = errors.New("the file changed while it was read")

// take makes the job of a complete file. bad is why there can be none; j then
// holds what is known. err ends the look.
func (w *Watcher) take(ctx context.Context, roster Roster, f found) (j Job, bad, err error) {
	if f.link {
		return j, errors.New("it is a link: put the clip itself into the folder"), nil
	}
	told, bad := roster.Of(f.rel)
	if bad != nil {
		return j, bad, nil
	}
	j.Subject = told.Subject
	if f.size == 0 {
		return j, errors.New("the file is empty"), nil
	}
	if err := CheckConsent(told.Consent.By, told.Subject.Level); err != nil {
		return j, err, nil
	}
	made, err := NewJob(ctx, f.abs, told.Subject, w.Pipeline, time.Now())
	if ctx.Err() != nil {
		return j, nil, ctx.Err()
	}
	if err != nil {
		return j, err, nil
	}
	info, err := os.Lstat(f.abs)
	if err != nil || stampOf(info) != f.stamp {
		return j, nil, errGrew
	}
	made.Consent = told.Consent
	return made, nil, nil
}

// openForWriting reports whether a program of this machine has the file open
// for writing: the kernel then refuses a read lease (fcntl(2), F_SETLEASE). A
// file system without leases, or a file of another user, says nothing.
func openForWriting(path string) bool {
	f, err := os.Open(path)
	if err != nil {
		return false
	}
	defer f.Close() // ends the lease
	_, err = unix.FcntlInt(f.Fd(), unix.F_SETLEASE, unix.F_RDLCK)
	return errors.Is(err, unix.EAGAIN)
}

// watched returns what was noted of a file.
func (l *Ledger) watched(ctx context.Context, path string) (w watched, known bool, err error) {
	err = l.db.QueryRowContext(ctx, `SELECT team,hitter,size,mtime_ns,clip_sha256,said FROM watched WHERE path=?`, path).
		Scan(&w.team, &w.hitter, &w.size, &w.mtimeNs, &w.sha256, &w.said)
	if errors.Is(err, sql.ErrNoRows) {
		return w, false, nil
	}
	if err != nil && ctx.Err() == nil {
		err = fmt.Errorf("%w: ledger: watched file: %w", ErrStorage, err)
	}
	return w, err == nil, err
}

// watch notes a file.
func (l *Ledger) watch(ctx context.Context, path string, w watched) error {
	return l.tx(ctx, "watched file", func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `INSERT OR REPLACE INTO watched(path,team,hitter,size,mtime_ns,clip_sha256,said) VALUES(?,?,?,?,?,?,?)`,
			path, nameKey(w.team), nameKey(w.hitter), w.size, w.mtimeNs, w.sha256, w.said)
		return err
	})
}

// receipt answers for a job that the ledger has.
func (l *Ledger) receipt(ctx context.Context, id string) (Receipt, error) {
	e, err := l.Get(ctx, id)
	r := Receipt{JobID: id, Outcome: OutcomeWaiting}
	switch e.State {
	case StateMeasured:
		r.Outcome = OutcomeMeasured
	case StateUnmeasured, StateDead:
		r.Outcome, r.Reason = OutcomeFailed, e.Reason
	}
	return r, err
}

// jobOfClip returns the job that was submitted first of a clip's content.
func (l *Ledger) jobOfClip(ctx context.Context, sha256 string) (j Job, known bool, err error) {
	e, err := scanEntry(l.db.QueryRowContext(ctx, `SELECT `+entryColumns+` FROM jobs
		WHERE json_extract(job,'$.clip_sha256')=? ORDER BY submitted_ms LIMIT 1`, sha256))
	if errors.Is(err, sql.ErrNoRows) {
		return j, false, nil
	}
	if err != nil && ctx.Err() == nil {
		err = fmt.Errorf("%w: ledger: look for a clip: %w", ErrStorage, err)
	}
	return e.Job, err == nil, err
}

// watchedOf lists a hitter's files that were read, copies of one clip included.
func (l *Ledger) watchedOf(ctx context.Context, h Hitter) (out []clipFile, err error) {
	rows, err := l.db.QueryContext(ctx, `SELECT path,clip_sha256 FROM watched WHERE team=? AND hitter=? AND clip_sha256<>''`, nameKey(h.Team), nameKey(h.Name))
	if err != nil {
		return nil, fmt.Errorf("%w: ledger: watched files: %w", ErrStorage, err)
	}
	defer rows.Close()
	for rows.Next() {
		var c clipFile
		if err := rows.Scan(&c.path, &c.sha256); err != nil {
			return nil, fmt.Errorf("%w: ledger: watched files: %w", ErrStorage, err)
		}
		out = append(out, c)
	}
	return out, rows.Err()
}

package worker

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"golang.org/x/sys/unix"
)

// Home is the directory that holds everything a machine's workers keep.
type Home struct{ dir string }

// OpenHome creates the directory when absent and makes sure that it can be
// written and synced, so that the cause of a later failure is known at once.
// Errors wrap ErrStorage.
func OpenHome(dir string) (Home, error) {
	abs, err := filepath.Abs(dir)
	if err != nil {
		return Home{}, fmt.Errorf("%w: home %s: %w", ErrStorage, dir, err)
	}
	h := Home{dir: abs}
	for _, d := range []string{abs, h.queueDir(), h.scratchDir()} {
		if err := os.MkdirAll(d, 0o700); err != nil {
			return Home{}, fmt.Errorf("%w: home: %w", ErrStorage, err)
		}
		if err := probeDir(d); err != nil {
			return Home{}, fmt.Errorf("%w: home: %w", ErrStorage, err)
		}
	}
	return h, nil
}

// probeDir writes, syncs and removes a file.
func probeDir(dir string) error {
	f, err := os.CreateTemp(dir, ".probe-")
	if err != nil {
		return err
	}
	defer os.Remove(f.Name())
	_, err = f.Write([]byte("probe"))
	if err == nil {
		err = f.Sync()
	}
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	if err != nil {
		return fmt.Errorf("%s: %w", dir, err)
	}
	return nil
}

// Dir is the home directory's absolute path.
func (h Home) Dir() string { return h.dir }

// LedgerPath is where the ledger lies.
func (h Home) LedgerPath() string { return filepath.Join(h.dir, "ledger.db") }

// TokensPath is where the tokens of what is served over HTTP lie.
func (h Home) TokensPath() string { return filepath.Join(h.dir, "tokens.json") }

// RecordsDir is where the record store lies.
func (h Home) RecordsDir() string { return filepath.Join(h.dir, "records") }

func (h Home) queueDir() string    { return filepath.Join(h.dir, "queue") }
func (h Home) scratchDir() string  { return filepath.Join(h.dir, "scratch") }
func (h Home) asideDir() string    { return filepath.Join(h.queueDir(), "damaged") }
func (h Home) addressPath() string { return filepath.Join(h.dir, "queue.json") }

// address is how other processes of the home reach the embedded server.
type address struct {
	URL   string `json:"url"` // loopback only
	Token string `json:"token"`
	PID   int    `json:"pid"`
}

func (h Home) writeAddress(a address) error {
	b, err := json.Marshal(a)
	if err != nil {
		return err
	}
	tmp := h.addressPath() + "." + strconv.Itoa(a.PID)
	if err := os.Remove(tmp); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	if err := writeSynced(tmp, b); err != nil { // mode 0600
		return err
	}
	return os.Rename(tmp, h.addressPath())
}

func (h Home) readAddress() (address, error) {
	var a address
	b, err := os.ReadFile(h.addressPath())
	if err != nil {
		return a, err
	}
	err = json.Unmarshal(b, &a)
	return a, err
}

// errLocked: another process has the queue's store open.
var errLocked = errors.New("another process has the queue's store open")

// lock takes the exclusive lock on the queue's store without waiting. JetStream
// itself does not lock: two servers on one store both acknowledge, and half of
// what they acknowledged is gone after a restart.
func (h Home) lock() (*os.File, error) {
	f, err := os.OpenFile(filepath.Join(h.queueDir(), "lock"), os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, err
	}
	if err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB); err != nil {
		f.Close()
		if errors.Is(err, unix.EWOULDBLOCK) {
			return nil, errLocked
		}
		return nil, err
	}
	return f, nil
}

// setQueueAside moves the queue's store out of the way, in place of one that was
// moved before. Everything in it is in ledger and records too; it is kept for
// whoever wants to know what happened.
func (h Home) setQueueAside() error {
	if err := os.RemoveAll(h.asideDir()); err != nil {
		return err
	}
	return os.Rename(filepath.Join(h.queueDir(), "jetstream"), h.asideDir())
}

// Owner returns the process that has the queue's store open, 0 when none has.
func (h Home) Owner() (pid int, err error) {
	f, err := h.lock()
	if err == nil {
		return 0, f.Close()
	}
	if !errors.Is(err, errLocked) {
		return 0, fmt.Errorf("%w: queue lock: %w", ErrStorage, err)
	}
	a, err := h.readAddress()
	if errors.Is(err, os.ErrNotExist) {
		return 0, nil // a submit in passing: it does not listen
	}
	if err != nil {
		return 0, fmt.Errorf("%w: queue address: %w", ErrStorage, err)
	}
	return a.PID, nil
}

// newScratch makes a directory for one analysis.
func (h Home) newScratch() (string, error) {
	return os.MkdirTemp(h.scratchDir(), strconv.Itoa(os.Getpid())+"-")
}

// sweepScratch removes what analyses of workers that are gone left behind.
func (h Home) sweepScratch() error {
	es, err := os.ReadDir(h.scratchDir())
	if err != nil {
		return err
	}
	for _, e := range es {
		pid, _, ok := strings.Cut(e.Name(), "-")
		if n, err := strconv.Atoi(pid); ok && err == nil && n > 0 && errors.Is(unix.Kill(n, 0), unix.ESRCH) {
			if err := os.RemoveAll(filepath.Join(h.scratchDir(), e.Name())); err != nil {
				return err
			}
		}
	}
	return nil
}

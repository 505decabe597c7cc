package worker

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// Child is an Analyzer that runs each analysis in a process of its own, so that
// a decoder that crashes costs an attempt and not the worker, and one that a
// clip has taken over reaches nothing. The process runs ServeChild.
type Child struct {
	Home    Home
	Command []string // program and arguments, usually this binary and a hidden subcommand
	Env     []string // added to the few variables that are passed on
	Limits  Limits
	Walls   Walls    // usually FindWalls
	Reads   []string // files and folders that it may read besides its clip and the system's libraries
}

// Limits bound one analysis. A zero field means no limit.
type Limits struct {
	Wall time.Duration
	CPU  time.Duration // of all threads together
	// Data bounds what the process may allocate, near enough its resident
	// memory at worst: RLIMIT_DATA counts writable private memory only.
	Data uint64
	// AddressSpace also counts what is reserved and never touched. The Go
	// runtime and malloc reserve much, so it must be far above Data; it stops a
	// file mapping run wild.
	AddressSpace uint64
	FileSize     uint64 // of any one file
	Files        uint64 // open at the same time
}

// DefaultLimits leave a ten-minute clip room on a slow machine; the memory
// target of an analysis is 500 MB.
func DefaultLimits() Limits {
	return Limits{
		Wall:         30 * time.Minute,
		CPU:          30 * time.Minute,
		Data:         3 << 30,
		AddressSpace: 32 << 30,
		FileSize:     1 << 30,
		Files:        256,
	}
}

// passedOn are the variables of the worker that an analysis may see.
var passedOn = []string{"PATH", "LD_LIBRARY_PATH", "LANG", "LC_ALL", "NIGHTCAGE_ONNXRUNTIME"}

// childRequest is what a child reads from its standard input.
type childRequest struct {
	Job Job    `json:"job"`
	Out string `json:"out"` // empty directory for what it makes
}

// childProgress is one line of a child's standard output.
type childProgress struct {
	Done  int `json:"done"`
	Total int `json:"total"`
}

// childManifest is what a child writes last, as manifest.json. Exactly one of
// its fields is set.
type childManifest struct {
	Swings  []childSwing `json:"swings,omitempty"` // swing n: n/data.json, n/track.json, n/timeline.json
	Failure *Reason      `json:"failure,omitempty"`
}

type childSwing struct {
	Stills []string `json:"stills"` // n/NAME
}

const (
	manifestName   = "manifest.json"
	maxResultBytes = 512 << 20
	stderrTail     = 512
)

// Analyze runs one child. Its process group is killed when ctx ends and, in any
// case, before Analyze returns.
func (c Child) Analyze(ctx context.Context, j Job, progress func(done, total int)) (Result, error) {
	out, err := c.Home.newScratch()
	if err != nil {
		return Result{}, &Failure{Class: ClassAway, Kind: KindStorage, Words: "no scratch space for the analysis", Err: err}
	}
	defer os.RemoveAll(out)
	if c.Limits.Wall > 0 {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeoutCause(ctx, c.Limits.Wall, &Failure{Class: ClassBroken, Kind: KindTooLong,
			Words: fmt.Sprintf("the analysis took longer than %v", c.Limits.Wall)})
		defer cancel()
	}
	request, err := json.Marshal(childRequest{Job: j, Out: out})
	if err != nil {
		return Result{}, fmt.Errorf("job %s: %w", j.ID, err)
	}
	grants, err := c.grants(out, j.Clip)
	if err != nil {
		return Result{}, err
	}
	tail := &tailWriter{}
	err = c.run(ctx, out, grants, request, &progressWriter{progress: progress}, tail)
	if cause := context.Cause(ctx); cause != nil {
		return Result{}, cause
	}
	if err != nil {
		return Result{}, c.Limits.died(err, tail.String())
	}
	return readResult(out)
}

// Check runs the child's command with args after it behind the same walls, with
// no clip, so that what they keep from the analysis by mistake is found before the
// first clip is.
func (c Child) Check(ctx context.Context, args ...string) error {
	out, err := c.Home.newScratch()
	if err != nil {
		return fmt.Errorf("%w: check the analysis: %w", ErrStorage, err)
	}
	defer os.RemoveAll(out)
	grants, err := c.grants(out)
	if err != nil {
		return fmt.Errorf("check the analysis: %w", err)
	}
	c.Command = append(slices.Clone(c.Command), args...)
	tail := &tailWriter{}
	if err := c.run(ctx, out, grants, nil, io.Discard, tail); err != nil {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		return fmt.Errorf("the analysis does not start (walls: %s): %w: %s", c.Walls, err, tail)
	}
	return nil
}

// grants are what a child may use: its scratch directory, the files named, the
// system's libraries, and the programs that it is and starts.
func (c Child) grants(scratch string, files ...string) ([]grant, error) {
	gs := append(systemGrants(), grant{scratch, rightsScratch, true})
	for _, f := range files {
		gs = append(gs, grant{f, rightsFile, true})
	}
	for _, p := range c.Reads {
		info, err := os.Stat(p)
		if err != nil {
			return nil, fmt.Errorf("walls: %w", err)
		}
		rights := uint64(rightsFile)
		if info.IsDir() {
			rights = rightsFolder
		}
		gs = append(gs, grant{p, rights, true})
	}
	for _, p := range append(helpers(), c.Command[0]) {
		more, err := programGrants(p)
		if err != nil {
			return nil, fmt.Errorf("walls: %w", err)
		}
		gs = append(gs, more...)
	}
	return gs, nil
}

// run runs the process to its end on a thread that is behind the walls already and
// is given up afterwards: the process is never outside them.
func (c Child) run(ctx context.Context, dir string, grants []grant, request []byte, stdout, stderr io.Writer) error {
	ended := make(chan error)
	go func() {
		// Never unlocked. The thread ends with the goroutine, and not before the
		// child does, which gets a death signal when it does.
		runtime.LockOSThread()
		err := c.Walls.confineThread(grants)
		if err == nil {
			err = c.runHere(ctx, dir, request, stdout, stderr)
		}
		ended <- err
	}()
	return <-ended
}

// runHere starts the process from this thread, limits it before it reads its
// request, and waits.
func (c Child) runHere(ctx context.Context, dir string, request []byte, stdout, stderr io.Writer) error {
	cmd := exec.CommandContext(ctx, c.Command[0], c.Command[1:]...)
	cmd.Dir = dir
	cmd.Stdout, cmd.Stderr = stdout, stderr
	// OpenCV's large temporaries are given back and faulted in again at every
	// call unless malloc keeps them; that made flow and feature search three to
	// six times slower.
	// How many processors a container may use is written where it cannot read.
	cmd.Env = append([]string{"HOME=" + dir, "TMPDIR=" + dir, "MALLOC_TOP_PAD_=67108864", "GOTRACEBACK=single",
		"GOMAXPROCS=" + strconv.Itoa(runtime.GOMAXPROCS(0))}, c.Env...)
	for _, name := range passedOn {
		if v, ok := os.LookupEnv(name); ok {
			cmd.Env = append(cmd.Env, name+"="+v)
		}
	}
	// A group of its own, so that what the child starts dies with it and a
	// Ctrl-C at the terminal reaches only the worker.
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true, Pdeathsig: syscall.SIGKILL}
	cmd.Cancel = func() error { return unix.Kill(-cmd.Process.Pid, unix.SIGKILL) }
	cmd.WaitDelay = 5 * time.Second // a grandchild may hold the pipes open
	stdin, err := cmd.StdinPipe()
	if err != nil {
		return err
	}
	if err := cmd.Start(); err != nil {
		return err
	}
	defer unix.Kill(-cmd.Process.Pid, unix.SIGKILL)
	if err := c.Limits.apply(cmd.Process.Pid); err != nil {
		cmd.Cancel()
		cmd.Wait()
		return fmt.Errorf("limit the analysis: %w", err)
	}
	_, werr := stdin.Write(request)
	stdin.Close()
	err = cmd.Wait()
	if err == nil && werr != nil {
		err = fmt.Errorf("the analysis did not read its request: %w", werr)
	}
	return err
}

func (l Limits) apply(pid int) error {
	limits := []struct {
		resource int
		value    uint64
	}{
		{unix.RLIMIT_CPU, uint64((l.CPU + time.Second - 1) / time.Second)},
		{unix.RLIMIT_DATA, l.Data},
		{unix.RLIMIT_AS, l.AddressSpace},
		{unix.RLIMIT_FSIZE, l.FileSize},
		{unix.RLIMIT_NOFILE, l.Files},
	}
	for _, r := range limits {
		if r.value == 0 {
			continue
		}
		// Soft and hard limit alike: the Go runtime swallows the warning signals
		// SIGXCPU and SIGXFSZ.
		if err := unix.Prlimit(pid, r.resource, &unix.Rlimit{Cur: r.value, Max: r.value}, nil); err != nil {
			return err
		}
	}
	return unix.Prlimit(pid, unix.RLIMIT_CORE, &unix.Rlimit{}, nil) // a core would hold the clip's pictures
}

// died turns the end of a child without a manifest into a Failure.
func (l Limits) died(err error, tail string) *Failure {
	f := &Failure{Class: ClassBroken, Kind: KindCrashed, Words: "the analysis process died", Err: err}
	if tail != "" {
		f.Err = fmt.Errorf("%w: %s", err, tail)
	}
	var exit *exec.ExitError
	if !errors.As(err, &exit) {
		f.Class, f.Kind, f.Words = ClassTransient, KindInternal, "the analysis process could not be run"
		return f
	}
	ws, _ := exit.Sys().(syscall.WaitStatus)
	switch {
	// The Go runtime and C++ say so and abort; there is no signal of their own.
	case strings.Contains(tail, "out of memory") || strings.Contains(tail, "bad_alloc") ||
		strings.Contains(tail, "cannot allocate memory") || strings.Contains(tail, "pthread_create failed"):
		f.Kind, f.Words = KindTooBig, "the analysis ran out of the memory it may use"
	case l.CPU > 0 && ws.Signaled() && ws.Signal() == syscall.SIGKILL &&
		exit.UserTime()+exit.SystemTime() > l.CPU-time.Second/4:
		f.Kind, f.Words = KindTooLong, fmt.Sprintf("the analysis used more than %v of processor time", l.CPU)
	}
	return f
}

// readResult reads what a child left, trusting nothing about it.
func readResult(out string) (Result, error) {
	malformed := func(err error) (Result, error) {
		return Result{}, &Failure{Class: ClassBroken, Kind: KindMalformed,
			Words: "the analysis ended without a usable result", Err: err}
	}
	left := int64(maxResultBytes)
	b, err := readRegular(filepath.Join(out, manifestName), &left)
	if err != nil {
		return malformed(err)
	}
	var m childManifest
	if err := json.Unmarshal(b, &m); err != nil {
		return malformed(err)
	}
	if r := m.Failure; r != nil {
		if len(m.Swings) > 0 || r.Kind == "" || r.Words == "" || r.Class == ClassShutdown {
			return malformed(fmt.Errorf("failure %+v", *r))
		}
		f := &Failure{Class: r.Class, Kind: r.Kind, Words: r.Words}
		if r.Detail != "" {
			f.Err = errors.New(r.Detail)
		}
		return Result{}, f
	}
	var res Result
	for i, s := range m.Swings {
		dir := filepath.Join(out, fmt.Sprint(i+1))
		var w Swing
		for name, into := range map[string]*json.RawMessage{"data.json": &w.Data, "track.json": &w.Track, "timeline.json": &w.Timeline} {
			if *into, err = readRegular(filepath.Join(dir, name), &left); err != nil {
				return malformed(err)
			}
		}
		for _, name := range s.Stills {
			if !fileName.MatchString(name) {
				return malformed(fmt.Errorf("still %q", name))
			}
			b, err := readRegular(filepath.Join(dir, name), &left)
			if err != nil {
				return malformed(err)
			}
			w.Stills = append(w.Stills, File{name, b})
		}
		res.Swings = append(res.Swings, w)
	}
	return res, nil
}

// readRegular reads a file that is no link and fits in what is left.
func readRegular(path string, left *int64) ([]byte, error) {
	f, err := os.OpenFile(path, os.O_RDONLY|unix.O_NOFOLLOW|unix.O_NONBLOCK, 0)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	st, err := f.Stat()
	if err != nil {
		return nil, err
	}
	if !st.Mode().IsRegular() || st.Size() > *left {
		return nil, fmt.Errorf("%s: %v, %d bytes", filepath.Base(path), st.Mode(), st.Size())
	}
	*left -= st.Size()
	return io.ReadAll(io.LimitReader(f, st.Size()))
}

// progressWriter turns a child's output lines into progress; other lines are
// dropped, so noise does not count as life.
type progressWriter struct {
	progress func(done, total int)
	line     []byte
}

func (w *progressWriter) Write(p []byte) (int, error) {
	n := len(p)
	for len(p) > 0 {
		i := bytes.IndexByte(p, '\n')
		if i < 0 {
			if len(w.line)+len(p) <= 4096 {
				w.line = append(w.line, p...)
			}
			break
		}
		var pr childProgress
		if json.Unmarshal(append(w.line, p[:i]...), &pr) == nil {
			w.progress(pr.Done, pr.Total)
		}
		w.line, p = w.line[:0], p[i+1:]
	}
	return n, nil
}

// tailWriter keeps the end of a child's error output.
type tailWriter struct {
	mu  sync.Mutex
	buf []byte
}

func (w *tailWriter) Write(p []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.buf = append(w.buf, p...)
	// Room for a Go panic's first lines as well as the very end.
	if len(w.buf) > 4*stderrTail {
		w.buf = append(w.buf[:stderrTail:stderrTail], w.buf[len(w.buf)-2*stderrTail:]...)
	}
	return len(p), nil
}

func (w *tailWriter) String() string {
	w.mu.Lock()
	defer w.mu.Unlock()
	return strings.ToValidUTF8(strings.TrimSpace(string(w.buf)), "?")
}

package worker

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/rs/zerolog"
)

// long is the fault suite as `make faults` runs it: more of everything, and the
// faults that need a file system of their own.
var long = flag.Bool("long", false, "the fault suite at full length")

// times is how often something is done in the short form and in the long one.
func times(short, full int) int {
	if *long {
		return full
	}
	return short
}

// An ordeal is a home that goes through one kind of fault. Everything is real but
// the analysis, which does what the clip says: queue, ledger, store, worker
// processes, submitting processes.
type ordeal struct {
	*night
	t        *testing.T
	r        *rand.Rand
	jobs     []Job
	promised map[string]bool // ids whose submitter was told that they are safe
	happened map[string]int  // faults by name
	dead     map[string]Kind // jobs that are to end as dead letters; any other one has a record
	env      []string        // of the worker processes
	workers  []*process
	row      string // its line of the table, when another process went through it
}

// process is a worker or submitter that may die.
type process struct {
	cmd  *exec.Cmd
	log  *lockedBuffer
	gone chan struct{}
}

// TestFaults puts homes through faults and accounts for every clip afterwards. The
// table is printed for `make faults`.
func TestFaults(t *testing.T) {
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	if f := onDisk[os.Getenv(insideEnv)]; f != nil {
		if err := mountDisk(); err != nil {
			t.Fatal(err)
		}
		o := newOrdeal(t, newNight(t), rand.New(rand.NewPCG(seed, 0)))
		f(o)
		fmt.Println("row: " + o.account())
		return
	}
	faults := []struct {
		name string
		run  func(*ordeal)
	}{
		{"processes killed", killed},
		{"submitted again and again", submittedOften},
		{"poison clips", poison},
		{"bits flipped in the queue", flipped},
		{"bits flipped in records", flippedRecords},
		{"no room on the disk", noRoom},
		{"clips' storage away and back", deadStorage},
		{"workers frozen, as by a disk that does not answer", frozen},
		{"clocks up to a year off", clockJumps},
		{"several servers on one store", severalServers},
	}
	if *long {
		faults = append(faults, []struct {
			name string
			run  func(*ordeal)
		}{
			{"full disk of its own", func(o *ordeal) { o.inside("full") }},
			{"read-only disk", func(o *ordeal) { o.inside("read-only") }},
		}...)
	}
	var mu sync.Mutex
	rows := make([]string, len(faults))
	t.Cleanup(func() {
		fmt.Printf("| fault | how often | clips = recorded + dead letters | lost | twice |\n|---|---|---|---|---|\n%s\n", strings.Join(rows, "\n"))
	})
	for i, f := range faults {
		t.Run(f.name, func(t *testing.T) {
			t.Parallel()
			o := newOrdeal(t, newNight(t), rand.New(rand.NewPCG(seed, uint64(i))))
			f.run(o)
			row := o.account()
			mu.Lock()
			defer mu.Unlock()
			rows[i] = fmt.Sprintf("| %s | %s |", f.name, row)
		})
	}
}

func newOrdeal(t *testing.T, n *night, r *rand.Rand) *ordeal {
	return &ordeal{night: n, t: t, r: r, promised: map[string]bool{}, happened: map[string]int{}, dead: map[string]Kind{}}
}

// make makes clips with a script, at random lengths of analysis where it says
// "slow", and does not submit them.
func (o *ordeal) make(n int, script string) []Job {
	o.t.Helper()
	var js []Job
	for range n {
		s := script
		if s == "slow" {
			s = fmt.Sprintf("slow %dms", 20+o.r.IntN(150))
		}
		j := o.clip(fmt.Sprintf("%03d.mp4", len(o.jobs)), s)
		o.jobs = append(o.jobs, j)
		js = append(js, j)
	}
	return js
}

// hand submits jobs from this process. A refusal must be an error of queue or
// storage, and is counted.
func (o *ordeal) hand(js ...Job) {
	o.t.Helper()
	q, err := OpenQueue(o.t.Context(), o.Home, QueueOptions{Log: o.Log})
	if err != nil {
		o.refused(err)
		return
	}
	d := &Desk{Ledger: o.Ledger, Records: o.Records, Queue: q}
	defer func() { d.Queue.Close() }()
	for _, j := range js {
		if _, err := d.Submit(o.t.Context(), j); err != nil {
			o.refused(err)
			continue
		}
		o.promised[j.ID] = true
	}
}

func (o *ordeal) refused(err error) {
	o.t.Helper()
	if !errors.Is(err, ErrQueue) && !errors.Is(err, ErrStorage) {
		o.t.Errorf("refused with an error of no kind: %v", err)
	}
	o.t.Logf("refused: %v", err)
	o.happened["submits refused"]++
}

// start starts a worker process with env besides the ordeal's.
func (o *ordeal) start(env ...string) *process {
	o.t.Helper()
	return o.spawn("faulty", append(slices.Clone(o.env), env...)...)
}

func (o *ordeal) spawn(role string, env ...string) *process {
	o.t.Helper()
	p := &process{log: &lockedBuffer{}, gone: make(chan struct{})}
	p.cmd = exec.Command(os.Args[0])
	p.cmd.Env = append(append(os.Environ(), "NIGHTCAGE_TEST_ROLE="+role, "NIGHTCAGE_TEST_HOME="+o.Home.Dir()), env...)
	p.cmd.Stderr = p.log
	if err := p.cmd.Start(); err != nil {
		o.t.Fatal(err)
	}
	o.workers = append(o.workers, p)
	go func() {
		p.cmd.Wait()
		close(p.gone)
	}()
	o.t.Cleanup(func() {
		p.kill()
		if o.t.Failed() {
			o.t.Logf("%s %d:\n%s", role, p.cmd.Process.Pid, tail(p.log.String()))
		}
	})
	return p
}

func tail(s string) string { return s[max(0, len(s)-4000):] }

// kill ends a process the hard way and waits for its end; false when it had ended.
func (p *process) kill() bool {
	err := p.cmd.Process.Kill()
	<-p.gone
	return err == nil && !p.cmd.ProcessState.Exited()
}

func (p *process) said(words string) bool { return strings.Contains(p.log.String(), words) }

func (p *process) ended(within time.Duration) bool {
	select {
	case <-p.gone:
		return true
	case <-time.After(within):
		return false
	}
}

// drain lets worker processes finish what is left. One that ends with an error is
// started again, as a service manager does.
func (o *ordeal) drain() {
	o.t.Helper()
	for range 10 {
		p := o.start("NIGHTCAGE_TEST_DRAIN=1")
		if !p.ended(5 * time.Minute) {
			o.t.Fatalf("a worker neither empties the queue nor gives up:\n%s", tail(p.log.String()))
		}
		if p.cmd.ProcessState.Success() {
			return
		}
		o.happened["workers that gave up"]++
	}
	o.t.Fatal("the queue does not run empty")
}

// account drains, then checks that every clip is there once and as it should be,
// and returns the ordeal's line of the table.
func (o *ordeal) account() string {
	o.t.Helper()
	if o.row != "" {
		return o.row
	}
	for _, p := range o.workers {
		p.kill()
	}
	o.drain()
	var a AuditReport
	o.withQueue(func(d *Desk) {
		var err error
		if a, err = Audit(o.t.Context(), d); err != nil {
			o.t.Fatal(err)
		}
		known := map[string]bool{}
		entries, err := o.Ledger.Entries(o.t.Context())
		if err != nil {
			o.t.Fatal(err)
		}
		for _, e := range entries {
			known[e.Job.ID] = true
			if want := o.dead[e.Job.ID]; (e.State == StateDead) != (want != "") || (want != "any" && e.Kind != want && e.State == StateDead) {
				o.t.Errorf("%s: %s %s (%s), want %q", filepath.Base(e.Job.Clip), e.State, e.Kind, e.Reason, want)
			}
		}
		for _, j := range o.jobs {
			if o.promised[j.ID] && !known[j.ID] {
				o.t.Errorf("%s was promised and is nowhere", filepath.Base(j.Clip))
			}
		}
		// What was promised is done; the rest is submitted now and may not have been
		// known before.
		for _, j := range o.jobs {
			r, err := d.Submit(o.t.Context(), j)
			if err != nil {
				o.t.Fatal(err)
			}
			if known[j.ID] && r.Outcome != OutcomeMeasured && r.Outcome != OutcomeFailed {
				o.t.Errorf("%s in the morning: %s", filepath.Base(j.Clip), r.Outcome)
			}
		}
	})
	if !a.Balanced() || a.Open != 0 || len(a.Unlisted) != 0 {
		o.t.Errorf("%+v", a)
	}
	var words []string
	for name, n := range o.happened {
		words = append(words, fmt.Sprintf("%d %s", n, name))
	}
	slices.Sort(words)
	return fmt.Sprintf("%s | %d = %d + %d | %d | %d", strings.Join(words, ", "), a.Submitted, a.Recorded, a.Dead, len(a.Lost), len(a.Twice))
}

// The worker and submitter processes of the suite.
func init() {
	switch os.Getenv("NIGHTCAGE_TEST_ROLE") {
	case "faulty":
		os.Exit(faultyWorker())
	case "submitter":
		os.Exit(submitter())
	}
}

func faultyWorker() int {
	fail := func(err error) int {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	stop, cancel := signal.NotifyContext(context.Background(), syscall.SIGTERM)
	defer cancel()
	w, closeAll, err := newWorker(os.Getenv("NIGHTCAGE_TEST_HOME"), script{})
	if err != nil {
		return fail(err)
	}
	defer closeAll()
	if skew, err := time.ParseDuration(os.Getenv("NIGHTCAGE_TEST_CLOCK")); err == nil {
		w.Ledger.now = func() time.Time { return time.Now().Add(skew) }
	}
	if os.Getenv("NIGHTCAGE_TEST_CHILDREN") != "" {
		w.Analyzer = Child{Home: w.Home, Command: []string{os.Args[0]}, Env: []string{"NIGHTCAGE_TEST_ROLE=child"}, Walls: FindWalls(),
			Limits: Limits{Wall: time.Minute, CPU: time.Second, Data: 1 << 30, FileSize: 4 << 20, Files: 256}}
	}
	w.Drain = os.Getenv("NIGHTCAGE_TEST_DRAIN") != ""
	w.Slots = 2
	w.StallAfter = 8 * time.Second // a busy machine takes seconds to start a child
	// Being killed counts as an attempt, and the suite kills far more often than a
	// night does.
	w.Policy = Policy{MaxAttempts: 40, MaxBroken: 2, Delays: []time.Duration{50 * time.Millisecond, 200 * time.Millisecond}}
	w.Log = zerolog.New(os.Stderr).With().Timestamp().Logger()
	if err := w.Serve(stop, context.Background(), QueueOptions{Listen: true, Log: w.Log}); err != nil {
		return fail(err)
	}
	return 0
}

// submitter submits the clips that are named, a few at a time, and says which are
// safe.
func submitter() int {
	n, closeAll, err := newWorker(os.Getenv("NIGHTCAGE_TEST_HOME"), script{})
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	defer closeAll()
	ctx := context.Background()
	q, err := OpenQueue(ctx, n.Home, QueueOptions{Log: n.Log})
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	d := &Desk{Ledger: n.Ledger, Records: n.Records, Queue: q}
	defer func() { d.Queue.Close() }()
	for these := range slices.Chunk(filepath.SplitList(os.Getenv("NIGHTCAGE_TEST_CLIPS")), 3) {
		var jobs []Job
		for _, path := range these {
			j, err := NewJob(ctx, path, testSubject, testPipeline, time.Now())
			if err != nil {
				fmt.Fprintln(os.Stderr, err)
				return 1
			}
			jobs = append(jobs, j)
		}
		_, errs := d.SubmitAll(ctx, jobs)
		for i, err := range errs {
			if err != nil {
				fmt.Fprintln(os.Stderr, err)
				continue
			}
			fmt.Fprintln(os.Stderr, "safe "+jobs[i].ID)
		}
		if errors.Join(errs...) != nil {
			return 1
		}
	}
	return 0
}

// collect notes what a submitter promised before it ended.
func (o *ordeal) collect(p *process) {
	for line := range strings.Lines(p.log.String()) {
		if id, ok := strings.CutPrefix(strings.TrimSpace(line), "safe "); ok && validID(id) {
			o.promised[id] = true
		}
	}
}

func paths(js []Job) string {
	var ps []string
	for _, j := range js {
		ps = append(ps, j.Clip)
	}
	return "NIGHTCAGE_TEST_CLIPS=" + strings.Join(ps, string(os.PathListSeparator))
}

// until waits for f. A minute is long, but the suite may share its processors.
func (o *ordeal) until(f func() bool) {
	o.t.Helper()
	for end := time.Now().Add(time.Minute); !f(); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(end) {
			o.t.Fatal("waited a minute in vain")
		}
	}
}

// nap waits a random time.
func (o *ordeal) nap(most time.Duration) { time.Sleep(time.Duration(o.r.Int64N(int64(most)))) }

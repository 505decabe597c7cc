package worker

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"nightcage/metrics"
	"nightcage/vision"
)

const testPipeline = "test-1"

var testSubject = vision.Subject{Hitter: "Wren Alder", Team: "Cinder Creek Comets", HeightIn: 66, BatIn: 31}

// The record's own schema and its own way to say failed.
var testSchema = Schema{
	URI:      "urn:nightcage:swing:1",
	Validate: metrics.Validate,
	Failed: func(j Job, kind Kind, words string) (json.RawMessage, error) {
		return json.Marshal(metrics.Failed(metrics.Failure{Kind: string(kind), Text: words},
			vision.Clip{Name: filepath.Base(j.Clip), SHA256: j.ClipSHA256}, j.Subject, metrics.Options{Pipeline: testPipeline}))
	},
}

// testTrack is a track of the vision that testPipeline has.
var testTrack = []byte(`{"frames":[],"maker":{"version":"` + testPipeline + `","models":[]}}`)

// testSwing is valid data of a measured swing.
func testSwing(j Job, note string) json.RawMessage {
	s := metrics.Failed(metrics.Failure{Text: "not looked for in this test"}, vision.Clip{Name: filepath.Base(j.Clip), SHA256: j.ClipSHA256}, j.Subject, metrics.Options{Pipeline: testPipeline})
	s.Status, s.Failure, s.Notes = metrics.StatusMeasured, nil, []string{note}
	b, err := json.Marshal(s)
	if err != nil {
		panic(err)
	}
	return b
}

// script is an Analyzer that does what the first line of the clip says.
type script struct{ log string } // file to which every start is appended, empty: none

func (s script) Analyze(ctx context.Context, j Job, progress func(done, total int)) (Result, error) {
	if s.log != "" {
		f, err := os.OpenFile(s.log, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
		if err != nil {
			return Result{}, err
		}
		fmt.Fprintln(f, j.ID)
		f.Close()
	}
	b, err := os.ReadFile(j.Clip)
	if err != nil {
		return Result{}, err
	}
	line, _, _ := strings.Cut(string(b), "\n")
	verb, arg, _ := strings.Cut(line, " ")
	switch verb {
	case "ok", "two": // swings
	case "slow": // with progress
		d, err := time.ParseDuration(arg)
		if err != nil {
			return Result{}, err
		}
		for end := time.Now().Add(d); time.Now().Before(end); progress(1, 0) {
			select {
			case <-ctx.Done():
				return Result{}, context.Cause(ctx)
			case <-time.After(20 * time.Millisecond):
			}
		}
	case "hang": // without
		<-ctx.Done()
		return Result{}, context.Cause(ctx)
	case "nothing":
		return Result{}, &Failure{Class: ClassNothing, Kind: "no_swing", Words: "no swing in the clip"}
	case "bad":
		return Result{}, &Failure{Class: ClassBadClip, Kind: KindUnreadable, Words: "no video in the file"}
	case "flaky": // fails until the named file exists
		if _, err := os.Stat(arg); err != nil {
			return Result{}, errors.New("share is away")
		}
	case "segv":
		syscall.Kill(os.Getpid(), syscall.SIGSEGV)
		select {}
	case "exit":
		n, _ := strconv.Atoi(arg)
		os.Exit(n)
	case "memory":
		var hold [][]byte
		for i := 0; ; i++ {
			hold = append(hold, make([]byte, 16<<20))
			for j := 0; j < 16<<20; j += 4096 {
				hold[i][j] = 1
			}
			progress(i, 0)
		}
	case "spin":
		for {
			progress(1, 0)
		}
	case "file":
		f, err := os.Create("big")
		if err != nil {
			return Result{}, err
		}
		for {
			if _, err := f.Write(make([]byte, 1<<20)); err != nil {
				return Result{}, err
			}
		}
	case "malformed":
		return Result{Swings: []Swing{{Data: []byte(`{"status":"??"}`), Track: []byte("{}"), Timeline: []byte("{}")}}}, nil
	default:
		return Result{}, fmt.Errorf("test clip says %q", line)
	}
	swing := Swing{Data: testSwing(j, fmt.Sprintf("made by process %d", os.Getpid())), Track: testTrack, Timeline: []byte(`{"events":[]}`),
		Stills: []File{{"contact.png", []byte("not a picture, " + j.ID)}}}
	if verb == "two" {
		return Result{Swings: []Swing{swing, swing}}, nil
	}
	return Result{Swings: []Swing{swing}}, nil
}

// The test binary is also the analysis process and the worker process of the
// tests that need one to crash.
func TestMain(m *testing.M) {
	switch os.Getenv("NIGHTCAGE_TEST_ROLE") {
	case "child":
		if err := ServeChild(context.Background(), os.Stdin, os.Stdout, script{}); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	case "worker":
		os.Exit(workerProcess())
	case "queue server":
		os.Exit(queueServerProcess())
	case "remaker":
		os.Exit(remakerProcess())
	}
	os.Exit(m.Run())
}

func workerProcess() int {
	stop, cancel := signal.NotifyContext(context.Background(), syscall.SIGTERM)
	defer cancel()
	w, closeAll, err := newWorker(os.Getenv("NIGHTCAGE_TEST_HOME"), script{log: os.Getenv("NIGHTCAGE_TEST_LOG")})
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	defer closeAll()
	w.Drain = os.Getenv("NIGHTCAGE_TEST_DRAIN") != ""
	w.Policy.MaxAttempts = 6 // being killed counts as an attempt
	w.Log = zerolog.New(os.Stderr).With().Timestamp().Logger()
	if err := w.Serve(stop, context.Background(), QueueOptions{Listen: true, Log: w.Log}); err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	return 0
}

func newWorker(dir string, a Analyzer) (*Worker, func(), error) {
	ctx := context.Background()
	home, err := OpenHome(dir)
	if err != nil {
		return nil, nil, err
	}
	l, err := OpenLedger(ctx, home.LedgerPath())
	if err != nil {
		return nil, nil, err
	}
	r, err := OpenRecords(home.RecordsDir())
	if err != nil {
		return nil, nil, err
	}
	return &Worker{Home: home, Ledger: l, Records: r, Analyzer: a, Schema: testSchema, Pipeline: testPipeline,
		Policy: Policy{MaxAttempts: 3, MaxBroken: 2, Delays: []time.Duration{30 * time.Millisecond}},
		Log:    zerolog.Nop()}, func() { l.Close() }, nil
}

// night is a home with a worker and clips for one test.
type night struct {
	*Worker
	t     *testing.T
	clips string
}

func newNight(t *testing.T) *night {
	t.Helper()
	dir := t.TempDir()
	n := &night{t: t, clips: filepath.Join(dir, "clips")}
	w, closeAll, err := newWorker(filepath.Join(dir, "home"), script{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(closeAll)
	n.Worker = w
	if testing.Verbose() {
		w.Log = zerolog.New(zerolog.NewTestWriter(t))
	}
	if err := os.Mkdir(n.clips, 0o700); err != nil {
		t.Fatal(err)
	}
	return n
}

// clip writes a clip with a script and returns its job.
func (n *night) clip(name, script string) Job {
	n.t.Helper()
	p := filepath.Join(n.clips, name)
	if err := os.WriteFile(p, []byte(script+"\n"+name), 0o600); err != nil {
		n.t.Fatal(err)
	}
	return n.job(p)
}

func (n *night) job(path string) Job {
	n.t.Helper()
	j, err := NewJob(n.t.Context(), path, testSubject, testPipeline, time.Now())
	if err != nil {
		n.t.Fatal(err)
	}
	return j
}

// withQueue opens the home's queue for f.
func (n *night) withQueue(f func(*Desk)) {
	n.t.Helper()
	q, err := OpenQueue(n.t.Context(), n.Home, QueueOptions{Log: n.Log})
	if err != nil {
		n.t.Fatal(err)
	}
	d := &Desk{Ledger: n.Ledger, Records: n.Records, Queue: q}
	defer func() { d.Queue.Close() }()
	f(d)
}

func (n *night) submit(jobs ...Job) []Outcome {
	n.t.Helper()
	var got []Outcome
	n.withQueue(func(d *Desk) {
		for _, j := range jobs {
			r, err := d.Submit(n.t.Context(), j)
			if err != nil {
				n.t.Fatal(err)
			}
			got = append(got, r.Outcome)
		}
	})
	return got
}

// drain works until the queue is empty.
func (n *night) drain() {
	n.t.Helper()
	n.Drain = true
	ctx, cancel := context.WithTimeout(n.t.Context(), 30*time.Second)
	defer cancel()
	if err := n.Serve(ctx, ctx, QueueOptions{Listen: true, Log: n.Log}); err != nil {
		n.t.Fatal(err)
	}
	if ctx.Err() != nil {
		n.t.Fatal("the queue did not run empty in 30 s")
	}
}

func (n *night) state(j Job) State {
	n.t.Helper()
	e, err := n.Ledger.Get(n.t.Context(), j.ID)
	if err != nil {
		n.t.Fatal(err)
	}
	return e.State
}

// audit checks that everything adds up to these counts.
func (n *night) audit(recorded, dead, open int) {
	n.t.Helper()
	n.withQueue(func(d *Desk) {
		a, err := Audit(n.t.Context(), d)
		if err != nil {
			n.t.Fatal(err)
		}
		if !a.Balanced() || a.Recorded != recorded || a.Dead != dead || a.Open != open {
			n.t.Fatalf("want %d recorded, %d dead, %d open; got %+v", recorded, dead, open, a)
		}
	})
}

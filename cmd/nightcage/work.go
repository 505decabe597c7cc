package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"runtime"
	"syscall"
	"time"

	"github.com/spf13/cobra"

	"nightcage/metrics"
	"nightcage/metrics/rules"
	"nightcage/models"
	"nightcage/vision"
	"nightcage/vision/clip"
	"nightcage/worker"
	"nightcage/worker/analysis"
)

type workOptions struct {
	home   homeFlags
	queue  queueFlags
	slots  int
	grace  time.Duration
	drain  bool
	walls  bool
	rules  rulesFlag
	listen string
}

func newWorkCommand() *cobra.Command {
	var o workOptions
	cmd := &cobra.Command{
		Use:   "work",
		Short: "Measure the clips on the queue",
		Long: `Work takes clips off the queue, measures each in a process of its own, stores
records and stills in the home directory, and logs a line of JSON for each step.
It runs until it is stopped, or with --drain until the queue is empty.

Ctrl-C or SIGTERM: no more clips are taken, and those being measured get --grace
to finish; what is not finished goes back on the queue. A second Ctrl-C gives
them back at once. A worker that is killed loses nothing: its clips are measured
when the next one starts.

Several workers may run on one home, and on several machines with --queue. Machines
that see no common file system share clips and records through --depot, on submit
and work alike; each keeps its own home.

A clip is measured behind walls, where the kernel has them (Landlock and system
call filters): the process that opens it has no network, reads that clip and the
system's libraries, writes in its scratch folder, and starts nothing but ffmpeg
and ffprobe. The log says which walls stand; with --require-walls a worker that
cannot put them up does not start.

With --listen it answers over HTTP: /metrics for Prometheus, /healthz (200 as long
as a restart would mend nothing) and /readyz (200 as long as it can measure), both
with the reason in JSON. When the home's disk runs full or cannot be written it
takes no clips, and goes on by itself afterwards.

` + exitCodesHelp,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return o.run(cmd.Context(), cmd.ErrOrStderr())
		},
	}
	o.home.bind(cmd.Flags())
	o.queue.bind(cmd.Flags())
	o.rules.bind(cmd.Flags(), rulesOfHome)
	// One analysis uses one core and half a gigabyte.
	cmd.Flags().IntVar(&o.slots, "slots", max(1, runtime.NumCPU()/2), "clips measured side by side")
	cmd.Flags().DurationVar(&o.grace, "grace", 30*time.Second, "time to finish after a stop was asked for")
	cmd.Flags().BoolVar(&o.drain, "drain", false, "stop when the queue is empty")
	cmd.Flags().BoolVar(&o.walls, "require-walls", false, "do not start where the kernel cannot wall an analysis in")
	cmd.Flags().StringVar(&o.listen, "listen", "", "`ADDRESS` to answer on over HTTP: "+listenHelp+" (default: none)")
	return cmd
}

func (o *workOptions) run(stop context.Context, log io.Writer) error {
	if o.slots < 1 || o.slots > 256 {
		return usageError{fmt.Errorf("--slots %d: 1 to 256", o.slots)}
	}
	if o.grace < 0 {
		return usageError{fmt.Errorf("--grace %v is negative", o.grace)}
	}
	walls := worker.FindWalls()
	if o.walls {
		if err := walls.Require(); err != nil {
			return err
		}
	}
	s, err := o.home.open(stop, log)
	if err != nil {
		return err
	}
	defer s.close()
	library, err := models.Library()
	if err != nil {
		return err
	}
	held, err := o.rules.load(s.home.Dir())
	if err != nil {
		return err
	}
	child := worker.Child{Home: s.home, Command: []string{thisProgram, analyzeChildName}, Limits: worker.DefaultLimits(),
		Walls: walls, Reads: []string{library}, Env: []string{rulesEnv + "=" + held.Pack()}}
	// Better found here than by every clip of the night.
	if err := child.Check(stop, "--check"); err != nil {
		return err
	}
	say := s.log.Info()
	if len(walls.Missing()) > 0 {
		say = s.log.Warn()
	}
	say.Stringer("walls", walls).Msg("clips are measured behind these walls")
	shared, err := o.queue.open()
	if err != nil {
		return err
	}
	abort, cancel := secondSignal(stop)
	defer cancel()
	w := &worker.Worker{
		Home:     s.home,
		Ledger:   s.ledger,
		Records:  s.records,
		Analyzer: worker.Telling{Analyzer: child, Home: s.home},
		Schema:   recordSchema(),
		Pipeline: analysis.PipelineVersion,
		Slots:    o.slots,
		Grace:    o.grace,
		Depot:    shared,
		MinFree:  worker.DefaultMinFree,
		Drain:    o.drain,
		Log:      s.log,
	}
	if o.listen != "" {
		leave, err := serveHTTP(stop, o.listen, w.Face(), s.log)
		if err != nil {
			return err
		}
		defer leave()
	}
	if err := w.Serve(stop, abort, worker.QueueOptions{Remote: o.queue.remote, Listen: true, Log: s.log}); err != nil {
		return err
	}
	if o.drain {
		return stop.Err() // interrupted before it was empty
	}
	return nil
}

// secondSignal returns a context that ends with the second interrupt. The first
// one ends stop.
func secondSignal(stop context.Context) (context.Context, context.CancelFunc) {
	ctx, cancel := context.WithCancel(context.WithoutCancel(stop))
	signals := make(chan os.Signal, 4)
	signal.Notify(signals, os.Interrupt, syscall.SIGTERM)
	go func() {
		defer signal.Stop(signals)
		for n := 0; n < 2; n++ {
			select {
			case <-signals:
			case <-ctx.Done():
				return
			}
		}
		cancel()
	}()
	return ctx, cancel
}

// recordSchema ties the worker's records to the metrics package.
func recordSchema() worker.Schema {
	return worker.Schema{
		URI:      "urn:nightcage:swing:1",
		Validate: metrics.Validate,
		Failed: func(j worker.Job, kind worker.Kind, words string) (json.RawMessage, error) {
			return json.Marshal(metrics.Failed(metrics.Failure{Kind: string(kind), Text: words},
				vision.Clip{Name: filepath.Base(j.Clip), SHA256: j.ClipSHA256}, j.Subject,
				metrics.Options{Pipeline: analysis.PipelineVersion}))
		},
	}
}

// thisProgram is the very file that runs, even when another version has been put
// in its place: a record must not name one pipeline and come from another.
const thisProgram = "/proc/self/exe"

// analyzeChildName is the hidden subcommand that measures one clip for a worker.
const analyzeChildName = "analyze-child"

// rulesEnv hands the rules to it as they were when the worker started: a file that
// is edited in the night neither fails clips nor changes what they are held against.
const rulesEnv = "NIGHTCAGE_RULES"

func newAnalyzeChildCommand() *cobra.Command {
	var check bool
	cmd := &cobra.Command{
		Use:    analyzeChildName,
		Short:  "Measure one clip for a worker",
		Long:   "Analyze-child reads one job from a worker, measures it and leaves the result in the worker's scratch directory.",
		Hidden: true,
		Args:   cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if check {
				return checkAnalysis(cmd.Context())
			}
			held, err := rules.Unpack(os.Getenv(rulesEnv))
			if err != nil {
				return err
			}
			return worker.ServeChild(cmd.Context(), cmd.InOrStdin(), cmd.OutOrStdout(), stages{held})
		},
	}
	cmd.Flags().BoolVar(&check, "check", false, "only load the networks and start the helpers, behind the walls")
	return cmd
}

// checkAnalysis loads the networks and starts each program that an analysis does.
func checkAnalysis(ctx context.Context) error {
	if err := worker.Confine(); err != nil {
		return err
	}
	for _, p := range []string{"ffprobe", "ffmpeg"} {
		if out, err := exec.CommandContext(ctx, p, "-version").CombinedOutput(); err != nil {
			return fmt.Errorf("%s: %w: %s", p, err, bytes.TrimSpace(out))
		}
	}
	a, err := analysis.New(ctx)
	if err != nil {
		return err
	}
	a.Close()
	return nil
}

// stages runs the analysis in this process. It is the worker's Analyzer inside
// its child.
type stages struct{ rules *rules.Set }

// Analyze implements worker.Analyzer.
func (c stages) Analyze(ctx context.Context, j worker.Job, progress func(done, total int)) (worker.Result, error) {
	a, err := analysis.New(ctx)
	if err != nil {
		return worker.Result{}, err // of this machine, not of the clip: transient
	}
	defer a.Close()
	progress(0, 0)
	found, err := a.Run(ctx, j.Clip, j.Subject, analysis.Options{Rules: c.rules}, progress)
	if err != nil {
		return worker.Result{}, clipFailure(err)
	}
	var out worker.Result
	for _, res := range found {
		w, err := stored(res)
		if err != nil {
			return worker.Result{}, err
		}
		out.Swings = append(out.Swings, w)
	}
	return out, nil
}

// stored is a swing as the worker stores it.
func stored(res *analysis.Result) (w worker.Swing, err error) {
	for _, part := range []struct {
		into *json.RawMessage
		from any
	}{{&w.Data, res.Swing}, {&w.Track, res.Seen}, {&w.Timeline, res.Timeline}} {
		if *part.into, err = json.Marshal(part.from); err != nil {
			return w, &worker.Failure{Class: worker.ClassBroken, Kind: worker.KindInternal,
				Words: "the result cannot be written", Err: err}
		}
	}
	for _, s := range res.Stills {
		w.Stills = append(w.Stills, worker.File{Name: string(s.Event) + ".jpg", Bytes: s.JPEG})
	}
	return w, nil
}

// clipFailure gives an error of the stages its class.
func clipFailure(err error) error {
	var file *clip.Error
	var content *analysis.Error
	switch {
	case errors.As(err, &content):
		return &worker.Failure{Class: worker.ClassNothing, Kind: worker.Kind(content.Kind), Words: content.Reason}
	case errors.As(err, &file):
		f := &worker.Failure{Class: worker.ClassBadClip, Kind: worker.Kind(file.Kind), Words: file.Reason, Err: file.Err}
		if file.Kind == clip.Unreadable || file.Kind == clip.Timeout {
			f.Class = worker.ClassTransient // the only ones that are not in the bytes
		}
		return f
	case errors.Is(err, context.Canceled), errors.Is(err, context.DeadlineExceeded):
		return err
	}
	// The same clip and code would fail the same way again.
	return &worker.Failure{Class: worker.ClassBroken, Kind: worker.KindInternal, Words: "the analysis failed", Err: err}
}

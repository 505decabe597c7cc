package main

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/cloudevents/sdk-go/v2/event"

	"nightcage/metrics"
	"nightcage/metrics/rules"
	"nightcage/phases"
	"nightcage/vision"
	"nightcage/vision/clip"
	"nightcage/worker"
	"nightcage/worker/analysis"
)

// The test binary is also nightcage itself: as the analysis process that work
// starts, and where a test needs a process to signal.
func TestMain(m *testing.M) {
	if len(os.Args) > 1 && (os.Args[1] == analyzeChildName || os.Getenv("NIGHTCAGE_TEST_MAIN") != "") {
		main()
	}
	os.Exit(m.Run())
}

// nightcage runs a command line in this process and returns its output and exit
// code.
func nightcage(t *testing.T, args ...string) (string, int) {
	t.Helper()
	root := newRootCommand()
	var out, log bytes.Buffer
	root.SetArgs(args)
	root.SetOut(&out)
	root.SetErr(&log)
	err := root.ExecuteContext(t.Context())
	if err != nil {
		t.Logf("nightcage %s: %v", strings.Join(args, " "), err)
	}
	code := exitCode(err)
	if code == exitInternal {
		t.Logf("log: %s", log.String())
	}
	return out.String(), code
}

func TestExitCode(t *testing.T) {
	failure := func(c worker.Class, k worker.Kind) error {
		return fmt.Errorf("clip a.mp4: %w", &worker.Failure{Class: c, Kind: k, Words: "w"})
	}
	for _, c := range []struct {
		err  error
		want int
	}{
		{nil, 0},
		{errors.New("x"), 1},
		{usageError{errors.New("x")}, 2},
		{failure(worker.ClassBadClip, worker.KindBadSubject), 2},
		{fmt.Errorf("%w: abc", worker.ErrNoRecord), 2},
		{&clip.Error{Kind: clip.NotAVideo}, 3},
		{failure(worker.ClassBadClip, worker.KindUnreadable), 3},
		{fmt.Errorf("measure: %w", &analysis.Error{Kind: analysis.NoSwing}), 4},
		{failure(worker.ClassNothing, "no_swing"), 4},
		{fmt.Errorf("%w: full", worker.ErrQueue), 5},
		{fmt.Errorf("%w: full", worker.ErrStorage), 5},
		{failure(worker.ClassTransient, worker.KindStorage), 5},
		{fmt.Errorf("hash: %w", context.Canceled), 130},
		{errors.Join(errors.New("x"), &clip.Error{Kind: clip.EmptyFile}), 3},
	} {
		if got := exitCode(c.err); got != c.want {
			t.Errorf("%v: %d, want %d", c.err, got, c.want)
		}
	}
}

// What the stages say decides the verdict: every kind has its class.
func TestClipFailure(t *testing.T) {
	transient := map[clip.Kind]bool{clip.Unreadable: true, clip.Timeout: true}
	for _, k := range clip.Kinds() {
		var f *worker.Failure
		want := worker.ClassBadClip
		if transient[k] {
			want = worker.ClassTransient
		}
		if err := clipFailure(&clip.Error{Kind: k, Reason: "r"}); !errors.As(err, &f) || f.Class != want || string(f.Kind) != string(k) || f.Words != "r" {
			t.Errorf("%s: %v", k, err)
		}
	}
	for _, k := range analysis.Kinds() {
		var f *worker.Failure
		if err := clipFailure(&analysis.Error{Kind: k, Reason: "r"}); !errors.As(err, &f) || f.Class != worker.ClassNothing || string(f.Kind) != string(k) {
			t.Errorf("%s: %v", k, err)
		}
	}
	var f *worker.Failure
	if err := clipFailure(errors.New("singular matrix")); !errors.As(err, &f) || f.Class != worker.ClassBroken {
		t.Errorf("untyped: %v", err)
	}
	f = nil
	if err := clipFailure(fmt.Errorf("decode: %w", context.Canceled)); errors.As(err, &f) || !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
}

func TestUsageErrors(t *testing.T) {
	home := filepath.Join(t.TempDir(), "home")
	named := []string{"submit", "a.mp4", "--home", home, "--hitter", "Wren Alder", "--team", "Cinder Creek Comets"}
	for _, args := range [][]string{
		{"no-such-command"},
		{"measure"},
		{"measure", "a.mp4", "b.mp4"},
		{"measure", "a.mp4", "--no-such-flag"},
		{"submit", "--hitter", "Wren Alder", "--team", "Cinder Creek Comets"},
		{"submit", "a.mp4", "--team", "Cinder Creek Comets", "--home", home},
		{"submit", "a.mp4", "--hitter", "Wren Alder", "--team", " ", "--home", home},
		append(named, "--height", "70"),
		append(named, "--height", "5in"),
		append(named, "--height", "178in"),
		append(named, "--bat", "33"),
		append(named, "--bat", "84in"),
		append(named, "--bats", "switch"),
		append(named, "--level", "moon"),
		append(named, "--capture-fps", "-1"),
		append(named, "--log-level", "loud"),
		{"work", "--home", home, "--slots", "0"},
		{"work", "--home", home, "--grace", "-1s"},
		{"records", "--home", home, "abcdef"},
		{"retry", "--home", home, "abcdef"},
	} {
		if _, code := nightcage(t, args...); code != exitUsage {
			t.Errorf("%v: exit code %d", args, code)
		}
	}
}

func TestUnavailable(t *testing.T) {
	clip := filepath.Join(t.TempDir(), "a.mp4")
	if err := os.WriteFile(clip, []byte("x"), 0o600); err != nil {
		t.Fatal(err)
	}
	named := []string{"submit", clip, "--hitter", "Wren Alder", "--team", "Cinder Creek Comets"}
	for _, args := range [][]string{
		append(named, "--home", "/proc/nightcage"),
		append(named, "--home", clip),
		append(named, "--home", t.TempDir(), "--queue", "nats://127.0.0.1:1"),
	} {
		if _, code := nightcage(t, args...); code != exitUnavailable {
			t.Errorf("%v: exit code %d", args, code)
		}
	}
}

// The main job: a clip goes in, a record and stills come out; what cannot be
// measured gets a reason; nothing is measured twice.
func TestSubmitWorkRecords(t *testing.T) {
	dir := t.TempDir()
	t.Setenv("NIGHTCAGE_HOME", filepath.Join(dir, "home"))
	swings, err := filepath.Glob("../../testdata/clips/*.mp4")
	if err != nil || len(swings) == 0 {
		t.Fatalf("no clips: %v", err)
	}
	empty, text := filepath.Join(dir, "empty.mp4"), filepath.Join(dir, "text.mp4")
	for path, content := range map[string]string{empty: "", text: "Cinder Creek, Tuesday"} {
		if err := os.WriteFile(path, []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	submit := []string{"submit", swings[0], empty, text, "--hitter", "Rook Calder", "--team", "Cinder Creek Comets", "--height", "5ft8in", "--bat", "33.5in"}
	out, code := nightcage(t, submit...)
	if code != exitOK || strings.Count(out, " queued\n") != 3 {
		t.Fatalf("exit code %d\n%s", code, out)
	}
	if _, code := nightcage(t, append(submit, filepath.Join(dir, "missing.mp4"))...); code != exitBadClip {
		t.Errorf("missing clip: exit code %d", code)
	}
	if out, _ := nightcage(t, submit...); strings.Count(out, "already queued") != 3 {
		t.Errorf("submitted twice:\n%s", out)
	}
	own := filepath.Join(dir, "home", "rules.yaml")
	for _, text := range []string{"leave_out: [backheel]\n", "leave_out: [back_heel_early]\n"} {
		if err := os.WriteFile(own, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if strings.Contains(text, "backheel") {
			if _, code := nightcage(t, "work", "--drain"); code != exitUsage {
				t.Errorf("work with rules that leave out what is not there: exit code %d", code)
			}
		}
	}
	if out, code := nightcage(t, "work", "--drain", "--slots", "2"); code != exitOK {
		t.Fatalf("work: exit code %d\n%s", code, out)
	}
	out, code = nightcage(t, "audit")
	lines := strings.Split(strings.TrimSpace(out), "\n")
	if want := "audit: submitted 3 = recorded 1 + dead-lettered 2 + open 0; lost 0, twice 0, damaged 0: balanced"; code != exitOK || lines[len(lines)-1] != want {
		t.Errorf("exit code %d, last line %q, want %q", code, lines[len(lines)-1], want)
	}
	out, _ = nightcage(t, submit...)
	if strings.Count(out, "already measured") != 1 || strings.Count(out, "already failed: ") != 2 {
		t.Errorf("submitted after the night:\n%s", out)
	}

	out, code = nightcage(t, "records", "--json", "--team", "cinder creek comets", "--hitter", "Rook Calder")
	if code != exitOK {
		t.Fatalf("records: exit code %d", code)
	}
	status := map[metrics.Status]int{}
	for line := range strings.Lines(out) {
		e := event.New()
		if err := json.Unmarshal([]byte(line), &e); err != nil {
			t.Fatal(err)
		}
		if err := errors.Join(e.Validate(), metrics.Validate(e.Data())); err != nil {
			t.Errorf("%s: %v", e.ID(), err)
		}
		var s metrics.Swing
		if err := e.DataAs(&s); err != nil {
			t.Fatal(err)
		}
		status[s.Status]++
		if s.Status == metrics.StatusMeasured {
			if s.Rules == nil || s.Rules.Name != "shipped and rules.yaml" || len(s.NotRaised)+len(s.Findings) != len(rules.Shipped().Chains)-1 {
				t.Errorf("held against %+v, %d chains looked for of %d shipped, one left out in the home", s.Rules, len(s.NotRaised)+len(s.Findings), len(rules.Shipped().Chains))
			}
			if out, code := nightcage(t, "why", e.ID()[:8]); code != exitOK || !strings.Contains(out, `"shipped and rules.yaml"`) || strings.Contains(out, rules.Shipped().Chains[0].Name) {
				t.Errorf("why: exit code %d\n%s", code, out)
			}
			checkFiles(t, filepath.Join(dir, "home", "records", strings.TrimSuffix(e.ID(), "-1")))
			if out, code := nightcage(t, "records", e.ID()[:8]); code != exitOK || !strings.Contains(out, "Rook Calder") {
				t.Errorf("one record: exit code %d\n%s", code, out)
			}
			if _, code := nightcage(t, "retry", e.ID()[:8]); code == exitOK {
				t.Error("a measured job was retried")
			}
		}
	}
	if status[metrics.StatusMeasured] != 1 || status[metrics.StatusFailed] != 2 {
		t.Errorf("records %v", status)
	}
	if out, _ := nightcage(t, "records", "--team", "someone else"); out != "no records\n" {
		t.Errorf("another team's records:\n%s", out)
	}
	if out, code := nightcage(t, "status"); code != exitOK || !strings.Contains(out, "nothing waits") {
		t.Errorf("status: exit code %d\n%s", code, out)
	}
}

// checkFiles checks what is stored beside a record: the seam types, from which
// later stages can be rerun, and the stills.
func checkFiles(t *testing.T, dir string) {
	t.Helper()
	for name, into := range map[string]any{"track.json.gz": &vision.Track{}, "timeline.json": &phases.Timeline{}} {
		b, err := os.ReadFile(filepath.Join(dir, "1", name))
		if err == nil && strings.HasSuffix(name, ".gz") {
			b, err = gunzip(b)
		}
		if err == nil {
			err = json.Unmarshal(b, into)
		}
		if err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	stills, err := filepath.Glob(filepath.Join(dir, "1", "*.jpg"))
	if err != nil || len(stills) == 0 {
		t.Errorf("no stills: %v", err)
	}
}

func gunzip(b []byte) ([]byte, error) {
	r, err := gzip.NewReader(bytes.NewReader(b))
	if err != nil {
		return nil, err
	}
	return io.ReadAll(r)
}

// A worker told to stop leaves with 0; one told to drain and interrupted before
// it is empty says so.
func TestWorkStopsOnSignals(t *testing.T) {
	for _, c := range []struct {
		args []string
		sig  syscall.Signal
		want int
	}{
		{nil, syscall.SIGTERM, exitOK},
		{[]string{"--drain"}, syscall.SIGINT, exitInterrupted},
	} {
		home := filepath.Join(t.TempDir(), "home")
		clip := filepath.Join(t.TempDir(), "clip.mp4")
		if err := os.WriteFile(clip, []byte("text"), 0o600); err != nil {
			t.Fatal(err)
		}
		if len(c.args) > 0 { // something to drain that does not end: the clip leaves
			if _, code := nightcage(t, "submit", clip, "--home", home, "--hitter", "Wren Alder", "--team", "Cinder Creek Comets"); code != exitOK {
				t.Fatal(code)
			}
			if err := os.Remove(clip); err != nil {
				t.Fatal(err)
			}
		}
		cmd := exec.Command(os.Args[0], append([]string{"work", "--home", home}, c.args...)...)
		cmd.Env = append(os.Environ(), "NIGHTCAGE_TEST_MAIN=1")
		log, err := cmd.StderrPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		defer cmd.Process.Kill()
		seen := make([]byte, 0, 4096)
		for deadline := time.Now().Add(30 * time.Second); !bytes.Contains(seen, []byte(`"working"`)); {
			b := make([]byte, 1024)
			k, err := log.Read(b)
			if err != nil || time.Now().After(deadline) {
				t.Fatalf("not working: %v\n%s", err, seen)
			}
			seen = append(seen, b[:k]...)
		}
		if err := cmd.Process.Signal(c.sig); err != nil {
			t.Fatal(err)
		}
		cmd.Wait()
		if got := cmd.ProcessState.ExitCode(); got != c.want {
			t.Errorf("work %v, %v: exit code %d, want %d", c.args, c.sig, got, c.want)
		}
	}
}

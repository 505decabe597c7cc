package worker

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// The test binary is also an analysis that tries to get out: role "probe" behind
// the walls, "probe-open" without those that a process puts up itself.
func init() {
	var err error
	switch os.Getenv("NIGHTCAGE_TEST_ROLE") {
	case "probe":
		err = ServeChild(context.Background(), os.Stdin, os.Stdout, probe{})
	case "probe-open":
		err = serve(context.Background(), os.Stdin, os.Stdout, probe{})
	default:
		return
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	os.Exit(0)
}

// probe is an Analyzer that does what the first line of the clip says and hands
// over how that went, as a failure: of kind "done" or "refused", or with another
// error's text.
type probe struct{}

func (probe) Analyze(_ context.Context, j Job, _ func(int, int)) (Result, error) {
	b, err := os.ReadFile(j.Clip)
	if err != nil {
		return Result{}, err
	}
	verb, arg, _ := strings.Cut(strings.Split(string(b), "\n")[0], " ")
	kind := Kind("done")
	err = tries[verb](arg)
	switch {
	case errors.Is(err, unix.EACCES), errors.Is(err, unix.EPERM), errors.Is(err, unix.EXDEV):
		kind = "refused"
	case err != nil:
		kind = "other"
	}
	return Result{}, &Failure{Class: ClassNothing, Kind: kind, Words: fmt.Sprint(verb, ": ", err)}
}

// tries are what an analysis may try; the argument is a path, an address or a
// process.
var tries = map[string]func(arg string) error{
	"tcp":     dial("tcp"),
	"udp":     dial("udp"),
	"unix":    dial("unix"),
	"read":    func(p string) error { _, err := os.ReadFile(p); return err },
	"list":    func(p string) error { _, err := os.ReadDir(p); return err },
	"write":   func(p string) error { return os.WriteFile(p, []byte("x"), 0o600) },
	"remove":  os.Remove,
	"rename":  func(p string) error { return errors.Join(os.WriteFile("x", nil, 0o600), os.Rename("x", p)) },
	"link":    func(p string) error { return os.Link(p, "hard") },
	"symlink": func(p string) error { return os.Symlink(p, "soft") },
	"chmod":   func(p string) error { return os.Chmod(p, 0) },
	"times":   func(p string) error { return os.Chtimes(p, time.Now(), time.Now()) },
	"cut":     func(p string) error { return unix.Truncate(p, 0) },
	"run":     func(p string) error { return exec.Command(p, "-version").Run() },
	"unnamed": func(string) error { _, err := unix.MemfdCreate("x", 0); return err },
	"signal":  func(pid string) error { return unix.Kill(number(pid), 0) },
	"limit":   func(pid string) error { return unix.Prlimit(number(pid), unix.RLIMIT_NOFILE, nil, &unix.Rlimit{}) },
	"session": func(p string) error {
		c := exec.Command(p, "-version")
		c.SysProcAttr = &syscall.SysProcAttr{Setsid: true}
		return c.Run()
	},
	"group":   func(string) error { return unix.Setpgid(0, 0) },
	"unshare": func(string) error { return unix.Unshare(unix.CLONE_FS) },
	"scratch": func(string) error {
		return errors.Join(os.Mkdir("d", 0o700), os.WriteFile("d/a", []byte("x"), 0o600), os.Rename("d/a", "b"), os.Remove("b"), os.Remove("d"))
	},
}

func dial(network string) func(string) error {
	return func(addr string) error {
		c, err := net.Dial(network, addr)
		if err == nil {
			_, err = c.Write([]byte("x"))
		}
		return err
	}
}

func number(s string) (n int) {
	fmt.Sscan(s, &n)
	return n
}

// What an analysis must not be able to do, tried by the real child process with
// the walls and without: a wall counts when the very thing is refused behind it
// and done without it. Of a wall that this kernel lacks only that can be told: the worker
// names it (TestMissingWallsAreNamed), and the log says what was not tried.
func TestWalls(t *testing.T) {
	t.Parallel()
	walls := FindWalls()
	tcp, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { tcp.Close() })
	udp, err := net.ListenPacket("udp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { udp.Close() })
	other, err := exec.LookPath("true")
	if err != nil {
		t.Fatal(err)
	}
	ffprobe, err := exec.LookPath("ffprobe")
	if err != nil {
		t.Fatal(err)
	}
	me := fmt.Sprint(os.Getpid())
	for _, c := range []struct {
		try string
		by  []Wall // all that it takes to refuse it; none: it is allowed
	}{
		{"tcp " + tcp.Addr().String(), []Wall{WallNetwork}},
		{"udp " + udp.LocalAddr().String(), []Wall{WallNetwork}},
		{"unix SOCKET", []Wall{WallNetwork}},
		{"read OTHER", []Wall{WallFiles}},
		{"read LEDGER", []Wall{WallFiles}},
		{"read /etc/passwd", []Wall{WallFiles}},
		{"read /proc/" + me + "/environ", []Wall{WallFiles}},
		{"read /proc/" + me + "/cmdline", []Wall{WallFiles}},
		{"list CLIPS", []Wall{WallFiles}},
		{"write NEW", []Wall{WallFiles}},
		{"write OTHER", []Wall{WallFiles}},
		{"write CLIP", []Wall{WallFiles}},
		{"remove OTHER", []Wall{WallFiles}},
		{"rename NEW", []Wall{WallFiles}},
		{"link OTHER", []Wall{WallFiles}},
		{"symlink OTHER", []Wall{WallFiles}},
		{"chmod OTHER", []Wall{WallFiles, WallNetwork}},
		{"times CLIP", []Wall{WallFiles, WallNetwork}},
		{"cut OTHER", []Wall{WallFiles, WallNetwork}},
		{"run " + other, []Wall{WallPrograms}},
		{"unnamed", []Wall{WallNetwork}},
		{"signal " + me, []Wall{WallSignals}},
		{"limit " + me, []Wall{WallNetwork}},
		{"session " + ffprobe, []Wall{WallNetwork, WallPrograms}},
		{"group", []Wall{WallNetwork}},
		{"unshare", []Wall{WallNetwork}},

		{"read CLIP", nil},
		{"read /dev/urandom-", nil}, // absent: nothing to refuse, and the error is another
		{"scratch", nil},
		{"run " + ffprobe, nil},
	} {
		t.Run(c.try, func(t *testing.T) {
			t.Parallel()
			up := true
			for _, w := range c.by {
				up = up && slices.Contains(walls.Standing(), w)
			}
			if !up {
				t.Logf("not tried: walls here: %s", walls)
			} else if got, err := tryBehind(t, walls, "probe", c.try); (got == "refused") != (len(c.by) > 0) {
				t.Errorf("behind the walls: %v", err)
			}
			want := Kind("done")
			if strings.HasSuffix(c.try, "-") {
				want = "other"
			}
			if got, err := tryBehind(t, Walls{}, "probe-open", c.try); got != want {
				t.Errorf("without walls: %v", err)
			}
		})
	}
}

// tryBehind has a child try something in a home of its own.
func tryBehind(t *testing.T, w Walls, role, try string) (Kind, error) {
	t.Helper()
	n := newNight(t)
	other := n.clip("other.mp4", "ok")
	sock := filepath.Join(n.clips, "s")
	l, err := net.Listen("unix", sock)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	go func() {
		for c, err := l.Accept(); err == nil; c, err = l.Accept() {
			io.Copy(io.Discard, c)
		}
	}()
	path := filepath.Join(n.clips, "clip.mp4")
	j := n.clip("clip.mp4", strings.NewReplacer("SOCKET", sock, "OTHER", other.Clip, "LEDGER", n.Home.LedgerPath(),
		"CLIPS", n.clips, "CLIP", path, "NEW", filepath.Join(n.clips, "new")).Replace(try))
	c := Child{Home: n.Home, Command: []string{os.Args[0]}, Env: []string{"NIGHTCAGE_TEST_ROLE=" + role}, Limits: DefaultLimits(), Walls: w}
	_, err = c.Analyze(t.Context(), j, func(int, int) {})
	return asFailure(err).Kind, err
}

// A machine without walls says which are missing, and refuses where they are asked
// for.
func TestMissingWallsAreNamed(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		w        Walls
		words    string
		required bool
	}{
		{Walls{}, "none; missing: files, programs, network, signals", false},
		{Walls{calls: true}, "network; missing: files, programs, signals", false},
		{Walls{landlock: 1}, "programs; missing: files, network, signals", false},
		{Walls{landlock: 3}, "files, programs; missing: network, signals", false},
		{Walls{landlock: 2, calls: true}, "files, programs, network; missing: signals", true},
		{Walls{landlock: 7, calls: true, signals: true}, "files, programs, network, signals", true},
	} {
		if got := c.w.String(); got != c.words {
			t.Errorf("%q, want %q", got, c.words)
		}
		if err := c.w.Require(); (err == nil) != c.required || (err != nil && !errors.Is(err, ErrNoWalls)) {
			t.Errorf("%s: %v", c.words, err)
		}
	}
}

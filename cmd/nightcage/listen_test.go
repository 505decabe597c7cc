package main

import (
	"fmt"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"syscall"
	"testing"
	"time"
)

func TestListenAddress(t *testing.T) {
	for s, want := range map[string]string{
		"9370": "127.0.0.1:9370", ":9370": "127.0.0.1:9370", "0.0.0.0:9370": "0.0.0.0:9370", "[::1]:9370": "[::1]:9370", "night-box:80": "night-box:80",
	} {
		if got, err := listenAddress(s); err != nil || got != want {
			t.Errorf("%s: %s, %v", s, got, err)
		}
	}
	for _, s := range []string{"", ":", "::1:9370", "a:b:c"} {
		if got, err := listenAddress(s); err == nil {
			t.Errorf("%q is taken as %s", s, got)
		}
	}
	if _, code := nightcage(t, "work", "--home", t.TempDir(), "--listen", "a:b:c"); code != exitUsage {
		t.Errorf("exit code %d", code)
	}
}

// work --listen answers for as long as it works.
func TestWorkListens(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0") // a free port, free again a moment later
	if err != nil {
		t.Fatal(err)
	}
	address := l.Addr().String()
	l.Close()
	cmd := exec.Command(os.Args[0], "work", "--home", filepath.Join(t.TempDir(), "home"), "--listen", address)
	cmd.Env = append(os.Environ(), "NIGHTCAGE_TEST_MAIN=1")
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	defer cmd.Process.Kill()
	ask := func(path string) (code int) {
		r, err := http.Get(fmt.Sprintf("http://%s%s", address, path))
		if err != nil {
			return 0
		}
		r.Body.Close()
		return r.StatusCode
	}
	for deadline := time.Now().Add(30 * time.Second); ask("/readyz") != http.StatusOK; time.Sleep(50 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatal("never ready")
		}
	}
	for path, want := range map[string]int{"/healthz": 200, "/metrics": 200, "/": 404, "/debug/pprof/": 404} {
		if got := ask(path); got != want {
			t.Errorf("%s: %d, want %d", path, got, want)
		}
	}
	if err := cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	cmd.Wait()
	if code := cmd.ProcessState.ExitCode(); code != exitOK {
		t.Errorf("exit code %d", code)
	}
	if got := ask("/healthz"); got != 0 {
		t.Errorf("still answers: %d", got)
	}
}

// Package setup holds the scripts that prepare a machine, and their tests.
package setup

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

func run(t *testing.T, env []string, name string, args ...string) (out string, code int) {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), name, args...)
	cmd.Env = append(os.Environ(), env...)
	b, err := cmd.CombinedOutput()
	if err != nil && cmd.ProcessState == nil {
		t.Fatalf("%s %v: %v", name, args, err)
	}
	return string(b), cmd.ProcessState.ExitCode()
}

// On a machine that is set up the scripts do nothing, say nothing and need no
// network: a PATH without apt-get and npm proves it.
func TestRepeatedSetUpDoesNothing(t *testing.T) {
	bin := t.TempDir()
	for _, tool := range []string{"bash", "dpkg-query", "grep", "uname", "sha256sum", "dirname", "pwd", "echo"} {
		path, err := exec.LookPath(tool)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.Symlink(path, filepath.Join(bin, tool)); err != nil {
			t.Fatal(err)
		}
	}
	env := []string{"PATH=" + bin, "NIGHTCAGE_ONNXRUNTIME="}
	for _, args := range [][]string{{"./packages.sh", "build"}, {"./onnxruntime.sh"}, {"./web.sh"}} {
		if out, code := run(t, env, "bash", args...); code != 0 || out != "" {
			t.Errorf("%v on a machine that is set up: exit %d, says %q", args, code, out)
		}
	}
}

func TestScriptsRefuse(t *testing.T) {
	if out, code := run(t, nil, "bash", "./packages.sh", "everything"); code != 2 || !strings.Contains(out, "build, test or run") {
		t.Errorf("packages.sh everything: exit %d, %q", code, out)
	}
	for _, s := range []string{"packages.sh", "onnxruntime.sh", "web.sh", "demo.sh", "env.sh"} {
		if out, code := run(t, nil, "bash", "-n", s); code != 0 {
			t.Errorf("%s does not parse: %s", s, out)
		}
	}
}

// A library with the wrong bytes must not be taken for ONNX Runtime.
func TestOnnxRuntimeChecksItsSum(t *testing.T) {
	dir := t.TempDir()
	for _, d := range []string{"cmd/setup", "models/lib", "bin"} {
		if err := os.MkdirAll(filepath.Join(dir, d), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	script, err := os.ReadFile("onnxruntime.sh")
	if err != nil {
		t.Fatal(err)
	}
	write := func(name, text string) {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	write("cmd/setup/onnxruntime.sh", string(script))
	// A registry that hands out an archive with another library in it.
	write("bin/npm", `#!/bin/bash
for arch in x64 arm64; do
  mkdir -p package/bin/napi-v6/linux/$arch
  echo forged > package/bin/napi-v6/linux/$arch/libonnxruntime.so.1
done
tar -czf "${@: -1}.tgz" package 2>/dev/null
f=${@: -1}; mv "$f.tgz" "${f/@/-}.tgz"
`)
	env := []string{"PATH=" + filepath.Join(dir, "bin") + ":" + os.Getenv("PATH"), "NIGHTCAGE_ONNXRUNTIME="}
	out, code := run(t, env, "bash", filepath.Join(dir, "cmd/setup/onnxruntime.sh"))
	if code == 0 || !strings.Contains(out, "not the one expected") {
		t.Errorf("forged library: exit %d, says %q", code, out)
	}
	if _, err := os.Stat(filepath.Join(dir, "models/lib/libonnxruntime.so.1")); err == nil {
		t.Error("the forged library was put in place")
	}
}

// No engine builds the image in tests, so each of its steps must be a script
// or a make target that is tested here, or one line of the base system's own.
func TestDockerfileRunsOnlyTestedSteps(t *testing.T) {
	raw, err := os.ReadFile("../../Dockerfile")
	if err != nil {
		t.Fatal(err)
	}
	allowed := regexp.MustCompile(`^(apt-get update -q|apt-get install -y -q --no-install-recommends npm make|` +
		`cmd/setup/packages\.sh build|/setup/packages\.sh run|cmd/setup/onnxruntime\.sh|make bin/nightcage|` +
		`rm -rf /var/lib/apt/lists/\* /setup|useradd --system .*)$`)
	steps := 0
	for _, line := range strings.Split(string(raw), "\n") {
		cmd, ok := strings.CutPrefix(line, "RUN ")
		if !ok {
			continue
		}
		for _, step := range strings.Split(cmd, "&&") {
			steps++
			if step = strings.TrimSpace(step); !allowed.MatchString(step) {
				t.Errorf("Dockerfile runs %q, which no test covers", step)
			}
		}
	}
	if steps < 6 {
		t.Errorf("found %d steps in the Dockerfile", steps)
	}
	for _, want := range []string{"\nUSER nightcage\n", "\nHEALTHCHECK ", "FROM debian:bookworm-slim"} {
		if !strings.Contains(string(raw), want) {
			t.Errorf("Dockerfile lacks %q", strings.TrimSpace(want))
		}
	}
}

// The shared libraries that a running image installs by name are those that the
// build's headers brought here.
func TestRunPackagesExist(t *testing.T) {
	out, code := run(t, nil, "bash", "-c", `
		for m in core imgproc video videoio calib3d dnn objdetect highgui imgcodecs features2d photo; do
			dpkg-query -W libopencv-${m}406 >/dev/null 2>&1 || dpkg-query -W libopencv-${m}406t64 >/dev/null 2>&1 || echo "libopencv-$m"
		done`)
	if code != 0 || out != "" {
		t.Errorf("exit %d, not on this machine: %s", code, out)
	}
}

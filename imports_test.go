package nightcage

import (
	"encoding/json"
	"errors"
	"io"
	"os/exec"
	"strings"
	"testing"
)

// layers lists the packages' top folders, lowest first; a package may import
// its own layer and those before it. models stands beside them all: it imports
// none, and only what runs networks may import it.
var layers = []string{"vision", "phases", "metrics", "worker", "cmd"}

// pure packages must build and test on a machine without OpenCV.
var pure = []string{"nightcage/vision", "nightcage/vision/solve", "nightcage/vision/truth",
	"nightcage/vision/sound", "nightcage/vision/pose/smooth", "nightcage/vision/bat/path", "nightcage/vision/ball/path", "nightcage/vision/ground/fit", "nightcage/phases", "nightcage/metrics", "nightcage/metrics/change", "nightcage/metrics/rules"}

type listed struct {
	ImportPath string
	Standard   bool
	CgoFiles   []string
	Imports    []string
	TestImports,
	XTestImports []string
}

func list(t *testing.T, args ...string) []listed {
	t.Helper()
	out, err := exec.Command("go", append([]string{"list", "-json=ImportPath,Standard,CgoFiles,Imports,TestImports,XTestImports"}, args...)...).Output()
	if err != nil {
		var exit *exec.ExitError
		if errors.As(err, &exit) {
			t.Fatalf("go list %v: %v\n%s", args, err, exit.Stderr)
		}
		t.Fatalf("go list %v: %v", args, err)
	}
	var pkgs []listed
	for dec := json.NewDecoder(strings.NewReader(string(out))); ; {
		var p listed
		if err := dec.Decode(&p); errors.Is(err, io.EOF) {
			return pkgs
		} else if err != nil {
			t.Fatalf("go list %v: %v", args, err)
		}
		pkgs = append(pkgs, p)
	}
}

func layer(path string) int {
	top, _, _ := strings.Cut(strings.TrimPrefix(path, "nightcage/"), "/")
	for i, l := range layers {
		if l == top {
			return i
		}
	}
	return -1
}

func TestImportsPointOneWay(t *testing.T) {
	pkgs := list(t, "./...")
	if len(pkgs) < 8 {
		t.Fatalf("go list found %d packages; is the test running at the module's root?", len(pkgs))
	}
	for _, p := range pkgs {
		from := layer(p.ImportPath)
		for _, imp := range p.Imports {
			if !strings.HasPrefix(imp, "nightcage/") {
				continue
			}
			to := layer(imp)
			if from >= 0 && to > from {
				t.Errorf("%s imports %s, which is a later layer", p.ImportPath, imp)
			}
			if strings.HasPrefix(p.ImportPath, "nightcage/models") && to >= 0 {
				t.Errorf("%s imports %s: models imports no layer", p.ImportPath, imp)
			}
		}
	}
}

func TestPurePackagesReachNoCgo(t *testing.T) {
	for _, p := range pure {
		deps := list(t, "-deps", "-test", p)
		for _, d := range deps {
			if !d.Standard && len(d.CgoFiles) > 0 {
				t.Errorf("%s reaches cgo through %s", p, d.ImportPath)
			}
		}
	}
}

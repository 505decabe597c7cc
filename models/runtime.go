package models

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"

	ort "github.com/yalue/onnxruntime_go"
)

const (
	libraryEnv  = "NIGHTCAGE_ONNXRUNTIME"
	libraryFile = "libonnxruntime.so.1"
)

// LibraryError says that ONNX Runtime's shared library was not found or did
// not load, and what to do about it.
type LibraryError struct {
	Looked []string // the files tried, in order
	Err    error    // why the one that exists did not load; nil when none exists
}

func (e *LibraryError) Error() string {
	const remedy = "set " + libraryEnv + " to the path of ONNX Runtime 1.24 (" + libraryFile + "), or run `make setup`"
	if e.Err != nil {
		return fmt.Sprintf("ONNX Runtime at %s does not load: %v; %s", e.Looked[len(e.Looked)-1], e.Err, remedy)
	}
	return fmt.Sprintf("ONNX Runtime not found (looked for %s); %s", strings.Join(e.Looked, ", "), remedy)
}

func (e *LibraryError) Unwrap() error { return e.Err }

var loading sync.Mutex

// Load loads ONNX Runtime into the process: the file that the environment
// variable NIGHTCAGE_ONNXRUNTIME names, else libonnxruntime.so.1 in lib,
// ../lib or ../models/lib beside the executable. Once loaded it stays until the
// process ends, and further calls do nothing. Open calls it; a process that is
// about to lose its right to read files calls it first. The error is a
// *LibraryError.
func Load() error {
	loading.Lock()
	defer loading.Unlock()
	if ort.IsInitialized() {
		return nil
	}
	path, err := Library()
	if err != nil {
		return err
	}
	ort.SetSharedLibraryPath(path)
	if err := ort.InitializeEnvironment(ort.WithLogLevelError()); err != nil {
		return &LibraryError{Looked: []string{path}, Err: err}
	}
	return nil
}

// Library is the file of ONNX Runtime that Load loads. The error is a *LibraryError.
func Library() (string, error) {
	var candidates []string
	if path := os.Getenv(libraryEnv); path != "" {
		candidates = []string{path}
	} else if exe, err := os.Executable(); err == nil {
		if real, err := filepath.EvalSymlinks(exe); err == nil {
			exe = real
		}
		for _, dir := range []string{"lib", "../lib", "../models/lib"} {
			candidates = append(candidates, filepath.Join(filepath.Dir(exe), dir, libraryFile))
		}
	}
	for _, path := range candidates {
		if info, err := os.Stat(path); err == nil && info.Mode().IsRegular() {
			return path, nil
		}
	}
	return "", &LibraryError{Looked: candidates}
}

package clip

import (
	"bytes"
	"context"
	"errors"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"nightcage/vision"
)

// readThrough probes and reads a clip to its end; stage is where it failed.
func readThrough(path string) (c vision.Clip, decoded int, stage string, err error) {
	ctx := context.Background()
	c, err = Probe(ctx, path, vision.Subject{})
	if err != nil {
		return c, 0, "probe", err
	}
	r, err := Open(ctx, c, path)
	if err != nil {
		return c, 0, "read", err
	}
	defer r.Close()
	for {
		_, err := r.Next(ctx)
		if errors.Is(err, io.EOF) {
			return r.Clip(), decoded, "read", nil
		}
		if err != nil {
			return r.Clip(), decoded, "read", err
		}
		decoded++
	}
}

func TestHostileFilesEndInTheirKind(t *testing.T) {
	const hostile = "../../testdata/hostile"
	dir := filepath.Dir(media(t, "hostile/good.mp4", func(path string) {
		if out, err := exec.Command("sh", filepath.Join(hostile, "make.sh"), filepath.Dir(path)).CombinedOutput(); err != nil {
			t.Fatalf("make.sh: %v\n%s", err, out)
		}
	}))
	known := map[Kind]bool{}
	for _, k := range Kinds() {
		known[k] = true
	}
	rows := 0
	for _, line := range strings.Split(string(readBytes(t, filepath.Join(hostile, "expected.tsv"))), "\n") {
		f := strings.Split(line, "\t")
		if strings.HasPrefix(line, "#") || len(f) != 3 {
			continue
		}
		rows++
		t.Run(f[0], func(t *testing.T) {
			c, decoded, stage, err := readThrough(filepath.Join(dir, f[0]))
			if f[1] == "-" {
				if err != nil || decoded < MinFrames {
					t.Fatalf("%d pictures, then %v", decoded, err)
				}
				hurt := []string{"damaged.mp4", "cut-short.mp4", "backwards.mp4"}
				if lost := len(c.Times) - decoded; !slices.Contains(hurt, f[0]) && lost != 0 {
					t.Errorf("%d pictures lost", lost)
				}
				if cut := strings.Contains(strings.Join(c.Notes, " "), "cut short"); cut != (f[0] == "cut-short.mp4") {
					t.Errorf("notes %q", c.Notes)
				}
				return
			}
			want := Kind(f[1])
			if !known[want] {
				t.Fatalf("expected.tsv names no Kind: %q", want)
			}
			e := (*Error)(nil)
			if !errors.As(err, &e) || !errors.Is(err, want) || stage != f[2] {
				t.Fatalf("at %s: %v; want %s at %s", stage, err, want, f[2])
			}
			if e.Clip != f[0] || strings.Contains(e.Reason, dir) || !strings.HasSuffix(e.Reason, ".") {
				t.Errorf("clip %q, reason %q", e.Clip, e.Reason)
			}
		})
	}
	if rows < 38 {
		t.Errorf("only %d rows in expected.tsv", rows)
	}
}

// Whatever single stretch of a file is overwritten, the answer is a clip or an
// *Error, never anything else.
func TestScribbledFilesEndInAnError(t *testing.T) {
	const seed = 20
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	good := readBytes(t, pattern(t))
	hurt := 0
	for range 24 {
		b := bytes.Clone(good)
		// Half of the draws go for the index, which is small and last.
		from := rng.IntN(len(b))
		if moov := bytes.LastIndex(b, []byte("moov")); rng.IntN(2) == 0 {
			from = moov + rng.IntN(len(b)-moov)
		}
		for i := from; i < min(from+1+rng.IntN(64), len(b)); i++ {
			b[i] = byte(rng.Uint32())
		}
		path := filepath.Join(t.TempDir(), "scribbled.mp4")
		if err := os.WriteFile(path, b, 0o600); err != nil {
			t.Fatal(err)
		}
		_, _, _, err := readThrough(path)
		e := (*Error)(nil)
		switch {
		case err == nil:
		case errors.As(err, &e):
			hurt++
		default:
			t.Errorf("%d bytes from %d: %v", len(good), from, err)
		}
	}
	if hurt < 3 {
		t.Errorf("%d of 24 files refused: the scribbles hurt too little to prove anything", hurt)
	}
}

// A stand-in ffprobe that never ends, floods, or is not there.
func TestProbeSurvivesItsProber(t *testing.T) {
	clip := h264(t)
	as := func(t *testing.T, script string) {
		dir := t.TempDir()
		if script != "" {
			if err := os.WriteFile(filepath.Join(dir, "ffprobe"), []byte("#!/bin/sh\n"+script+"\n"), 0o700); err != nil {
				t.Fatal(err)
			}
			dir += ":/usr/bin:/bin"
		}
		t.Setenv("PATH", dir)
	}
	t.Run("never ends", func(t *testing.T) {
		as(t, "exec sleep 60")
		if _, err := runFFprobe(context.Background(), clip, 200*time.Millisecond); !errors.Is(err, Timeout) {
			t.Error(err)
		}
	})
	t.Run("never ends and the caller gives up first", func(t *testing.T) {
		as(t, "exec sleep 60")
		ctx, cancel := context.WithTimeout(context.Background(), 200*time.Millisecond)
		defer cancel()
		if _, err := runFFprobe(ctx, clip, time.Minute); !errors.Is(err, context.DeadlineExceeded) || errors.Is(err, Timeout) {
			t.Error(err)
		}
	})
	t.Run("floods", func(t *testing.T) {
		as(t, "exec yes '{\"pts\": 1, \"flags\": \"K__\"},'")
		if _, err := runFFprobe(context.Background(), clip, time.Minute); !errors.Is(err, TooLarge) {
			t.Error(err)
		}
	})
	t.Run("talks nonsense", func(t *testing.T) {
		as(t, "echo nonsense")
		e := (*Error)(nil)
		if _, err := runFFprobe(context.Background(), clip, time.Minute); err == nil || errors.As(err, &e) {
			t.Errorf("%v: that is no fault of the clip", err)
		}
	})
	t.Run("is missing", func(t *testing.T) {
		as(t, "")
		if _, err := Probe(context.Background(), clip, vision.Subject{}); !errors.Is(err, ErrNoFFprobe) {
			t.Error(err)
		}
	})
}

func TestErrorIsItsKind(t *testing.T) {
	cause := errors.New("cause")
	var err error = &Error{Kind: TooShort, Clip: "a.mp4", Reason: "Short.", Err: cause}
	if !errors.Is(err, TooShort) || errors.Is(err, TooLarge) || !errors.Is(err, cause) {
		t.Errorf("%v", err)
	}
}

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
	"strings"
	"testing"

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
				if lost := len(c.Times) - decoded; f[0] != "damaged.mp4" && f[0] != "cut-short.mp4" && lost != 0 {
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
	if rows < 20 {
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

func TestErrorIsItsKind(t *testing.T) {
	cause := errors.New("cause")
	var err error = &Error{Kind: TooShort, Clip: "a.mp4", Reason: "Short.", Err: cause}
	if !errors.Is(err, TooShort) || errors.Is(err, TooLarge) || !errors.Is(err, cause) {
		t.Errorf("%v", err)
	}
}

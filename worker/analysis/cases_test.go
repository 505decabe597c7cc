package analysis

import (
	"bytes"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"nightcage/metrics"
	"nightcage/vision"
)

var allCases = flag.Bool("cases", false, "run every clip of testdata/phone and write testdata/cases.txt")

const phone = "../../testdata/phone"

// quick are the cases that every test run can afford: a true rate, one that
// lies, slow motion that nothing tells of, a refusal.
var quick = []string{"rate-60.mp4", "doubled-50-to-60.mp4", "slow-quarter-untold.mp4", "askew.mp4"}

type phoneCase struct {
	clip, want string
	captureFPS float64
}

func phoneCases(t *testing.T) []phoneCase {
	t.Helper()
	raw, err := os.ReadFile(filepath.Join(phone, "expected.tsv"))
	if err != nil {
		t.Fatal(err)
	}
	var out []phoneCase
	for _, line := range strings.Split(string(raw), "\n") {
		f := strings.Split(line, "\t")
		if strings.HasPrefix(line, "#") || len(f) < 2 {
			continue
		}
		c := phoneCase{clip: f[0], want: f[1]}
		if len(f) > 2 && f[2] != "" {
			if c.captureFPS, err = strconv.ParseFloat(f[2], 64); err != nil {
				t.Fatalf("%s: %v", line, err)
			}
		}
		out = append(out, c)
	}
	if len(out) < 30 {
		t.Fatalf("only %d cases", len(out))
	}
	return out
}

// What phones, apps and messengers make of one swing ends as expected.tsv says.
func TestPhoneCases(t *testing.T) {
	dir := t.TempDir()
	args := []string{filepath.Join(phone, "make.sh"), dir}
	if !*allCases {
		args = append(args, quick...)
	}
	if out, err := exec.CommandContext(t.Context(), "sh", args...).CombinedOutput(); err != nil {
		t.Fatalf("make.sh: %v\n%s", err, out)
	}
	a := analyser(t)
	table := new(bytes.Buffer)
	fmt.Fprintln(table, "# one swing as phones, apps and messengers write it: outcome, measures that have a value, what the record says")
	ran := 0
	for _, c := range phoneCases(t) {
		path := filepath.Join(dir, c.clip)
		if _, err := os.Stat(path); err != nil && !*allCases {
			continue
		}
		ran++
		t.Run(c.clip, func(t *testing.T) {
			f := readTruth(t, "s77001_09")
			got, values, says := outcome(t, a, path, vision.Subject{HeightIn: f.Hitter.HeightIn, BatIn: f.Bat.LengthIn, Bats: vision.SideUnknown, CaptureFPS: c.captureFPS})
			fmt.Fprintf(table, "%-22s %-15s %3d  %s\n", c.clip, got, values, says)
			if got != c.want {
				t.Errorf("%s (%s), want %s", got, says, c.want)
			}
		})
	}
	switch {
	case !*allCases && ran != len(quick):
		t.Errorf("%d cases ran, want %d", ran, len(quick))
	case *allCases:
		if err := os.WriteFile("../../testdata/cases.txt", table.Bytes(), 0o644); err != nil {
			t.Error(err)
		}
	}
	t.Logf("\n%s", table)
}

// outcome measures a clip: how it ended, how many measures have a value, and
// what the record says about clock or refusal.
func outcome(t *testing.T, a *Analyser, path string, subject vision.Subject) (got string, values int, says string) {
	t.Helper()
	found, err := a.Run(t.Context(), path, subject, Options{NoStills: true}, nil)
	if err != nil {
		kind, reason, ok := Reason(err)
		if !ok {
			t.Fatal(err)
		}
		return kind, 0, reason
	}
	if len(found) != 1 {
		t.Fatalf("%d swings, want 1", len(found))
	}
	res := found[0]
	for _, m := range res.Swing.Measures {
		if m.Value != nil {
			values++
		}
	}
	clock := res.Swing.Clock
	if !clock.Known {
		if m, _ := res.Swing.Find("bat_speed_contact"); m.Reason != metrics.ReasonNoClock {
			t.Errorf("bat speed %s without a clock", metrics.Text(m))
		}
		return "no_clock", values, clock.Conflict
	}
	return "clock", values, fmt.Sprintf("%.4g frames per second by %s", clock.CaptureFPS, clock.Source)
}

package solve

import (
	"math"
	"path/filepath"
	"testing"

	"nightcage/vision/truth"
)

// clips reads the repository's truth files.
func clips(t testing.TB) []*truth.File {
	t.Helper()
	paths, err := filepath.Glob("../../testdata/clips/s*_*.json*")
	if err != nil || len(paths) == 0 {
		t.Fatalf("no truth files: %v", err)
	}
	var out []*truth.File
	for _, p := range paths {
		f, err := truth.Read(p)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, f)
	}
	return out
}

// gather solves every clip with several draws of wear and groups the errors.
func gather(t testing.TB, w wear, draws int, keep func(*truth.File) bool) map[string]Summary {
	t.Helper()
	var all []Error
	for n, f := range clips(t) {
		if !keep(f) {
			continue
		}
		for d := range draws {
			w.seed = uint64(1000*n + d)
			es, got := errorsOf(t, f, worn(t, f, w))
			if got.Solution == nil {
				t.Fatalf("%s unsolved: %s", f.Name, got.Unsolved)
			}
			all = append(all, es...)
		}
	}
	out := map[string]Summary{}
	for _, s := range Summarise(all) {
		out[s.Quantity] = s
	}
	return out
}

func openSide(f *truth.File) bool { return f.View == "open_side" }

// With 0.3 in of noise on the bat and a lens that is known, open side: the
// targets of the design.
func TestAccuracyWithAKnownLens(t *testing.T) {
	w := usual
	w.focal, w.batWander = 1, 0
	got := gather(t, w, 4, openSide)
	for _, c := range []struct {
		quantity string
		most     float64
	}{{"contact_tip_speed_rel", .03}, {"contact_attack_deg", 2}, {"bat_direction_deg", 8}} {
		if s := got[c.quantity]; !(s.Median <= c.most) || s.N == 0 {
			t.Errorf("%s: median error %.3f over %d, want at most %.3f", c.quantity, s.Median, s.N, c.most)
		}
	}
}

// 95 % intervals must hold the truth about 95 % of the time, with the lens not
// known and marks as networks make them. A clip's frames share their errors, so
// the count behind a share is that of the swings, and the bounds are those a
// fair interval keeps with 99 % of 16 swings; the root mean square of
// error/sigma bounds the other side: bars must not be wide for nothing.
func TestIntervalsHold(t *testing.T) {
	got := gather(t, usual, 4, func(*truth.File) bool { return true })
	for _, q := range []string{"contact_tip_speed_rel", "contact_attack_deg", "tip_x_in", "tip_y_in", "tip_z_in", "knob_x_in", "knob_y_in", "knob_z_in",
		"hips_open_deg", "shoulders_open_deg", "separation_deg", "ankle_x_in", "ankle_y_in", "wrist_x_in", "wrist_z_in", "elbow_z_in", "hand_z_in", "shoulder_z_in", "knee_y_in", "head_x_in"} {
		s, ok := got[q]
		if !ok || s.N == 0 {
			t.Errorf("%s: nothing to judge", q)
			continue
		}
		if s.Coverage95 < .80 {
			t.Errorf("%s: intervals hold %.0f %% of %d", q, s.Coverage95*100, s.N)
		}
		if s.Rms1 < .25 || s.Rms1 > 1.7 || math.IsNaN(s.Rms1) {
			t.Errorf("%s: errors are %.2f times what is claimed", q, s.Rms1)
		}
	}
}

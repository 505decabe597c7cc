package solve

import (
	"context"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"nightcage/vision"
	"nightcage/vision/truth"
)

const inPerSPerMPH = 17.6

func spanOf(f *truth.File) Span {
	contact, _ := f.EventMs("contact")
	tip, _ := f.Measure("bat_speed_contact_mph.tip_3d")
	attack, _ := f.Measure("attack_angle_contact_deg.sweet_spot_3d")
	return Span{FromMs: contact - 150, ContactMs: contact, ToMs: contact + 50, TipSpeedInS: tip * inPerSPerMPH, AttackDeg: attack}
}

func errorsOf(t testing.TB, f *truth.File, tr *vision.Track) ([]Error, vision.Track) {
	t.Helper()
	got, err := Run(context.Background(), *tr)
	if err != nil {
		t.Fatal(err)
	}
	// what package phases finds of contact, to its target
	contact, _ := f.EventMs("contact")
	if got, err = Struck(context.Background(), got, contact+2*math.Sin(1e4*contact), 2); err != nil {
		t.Fatal(err)
	}
	want, err := f.Solution()
	if err != nil {
		t.Fatal(err)
	}
	return Compare(&got, want, spanOf(f)), got
}

// TestReport solves the truth files of a folder named by SOLVE_REPORT (without
// it, the repository's own), exact and with worn marks, fails on clips that
// cannot be solved and, with -v, prints tables of errors and coverage.
func TestReport(t *testing.T) {
	dir := os.Getenv("SOLVE_REPORT")
	if dir == "" {
		dir = "../../testdata/clips"
	}
	paths, err := filepath.Glob(filepath.Join(dir, "s*_*.json*"))
	if err != nil || len(paths) == 0 {
		t.Fatalf("no truth files in %s: %v", dir, err)
	}
	for _, kind := range []struct {
		name string
		wear wear
	}{{"exact", exact}, {"usual", usual}} {
		var all []Error
		var took time.Duration
		for n, p := range paths {
			f, err := truth.Read(p)
			if err != nil {
				t.Fatal(err)
			}
			kind.wear.seed = uint64(n + 1)
			tr := worn(t, f, kind.wear)
			start := time.Now()
			es, got := errorsOf(t, f, tr)
			took += time.Since(start)
			if got.Solution == nil {
				t.Errorf("%s, %s: unsolved: %s", f.Name, kind.name, got.Unsolved)
				continue
			}
			if testing.Verbose() {
				var speed, attack, dir []float64
				for _, e := range es {
					switch e.Quantity {
					case "contact_tip_speed_rel":
						speed = append(speed, e.Error*100)
					case "contact_attack_deg":
						attack = append(attack, e.Error)
					case "bat_direction_deg":
						dir = append(dir, e.Error)
					}
				}
				t.Logf("%s %s %-10s %3.0f fps speed %+6.1f%% attack %+5.1f dir med %5.1f max %5.1f doubt %.2f f %.2f yaw %+.0f (true %+.0f) scale %.3f hand %s",
					kind.name, f.Name, f.View, f.FPS, median(speed), median(attack), median(dir), quantile(dir, 1), got.Solution.Doubt,
					got.Solution.Camera.FocalPx/f.Camera.FocalPx, got.Sighting.YawDeg, trueYaw(f), got.Scale.PxPerIn/trueScale(f), got.Hand.Bats)
			}
			all = append(all, es...)
		}
		t.Logf("%s: %v a swing", kind.name, took/time.Duration(len(paths)))
		var table strings.Builder
		if err := Print(&table, Summarise(all)); err != nil {
			t.Fatal(err)
		}
		t.Logf("\n%s", table.String())
	}
}

func trueYaw(f *truth.File) float64 {
	sol, err := f.Solution()
	if err != nil {
		panic(err)
	}
	return yawOf(sol.Camera)
}

func trueScale(f *truth.File) float64 {
	l, r := f.Frames[0].Joints["left_hip"].XYZ, f.Frames[0].Joints["right_hip"].XYZ
	return f.PxPerIn(0, vision.Vec3{X: (l.X + r.X) / 2, Y: (l.Y + r.Y) / 2, Z: (l.Z + r.Z) / 2})
}

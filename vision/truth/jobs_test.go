package truth

import (
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"nightcage/vision"
)

// The demo's list of clips must tell what the truth files say, and parse as the
// subjects that jobs carry.
func TestDemoJobsAgreeWithTheTruth(t *testing.T) {
	b, err := os.ReadFile(filepath.Join(clips, "jobs.json"))
	if err != nil {
		t.Fatal(err)
	}
	var jobs []struct {
		Clip    string         `json:"clip"`
		Subject vision.Subject `json:"subject"`
	}
	if err := json.Unmarshal(b, &jobs); err != nil {
		t.Fatal(err)
	}
	if files := readAll(t); len(jobs) != len(files) {
		t.Errorf("%d jobs for %d clips", len(jobs), len(files))
	}
	for _, j := range jobs {
		path, err := Find(filepath.Join(clips, j.Clip))
		if err != nil {
			t.Fatal(err)
		}
		f, err := Read(path)
		if err != nil {
			t.Fatal(err)
		}
		want := f.Subject()
		got := j.Subject
		if got.HeightIn != want.HeightIn || got.InseamIn != want.InseamIn || got.BatIn != want.BatIn || got.Bats != want.Bats {
			t.Errorf("%s: %+v, truth says %+v", j.Clip, got, want)
		}
		if string(got.Sport) != f.Scene.Sport || got.Ball != vision.FromPitch {
			t.Errorf("%s: %s, ball from %q; truth says %s, pitched", j.Clip, got.Sport, got.Ball, f.Scene.Sport)
		}
		if got.Hitter == "" || got.Team == "" || !slices.Contains(vision.Levels(), got.Level) {
			t.Errorf("%s: %+v", j.Clip, got)
		}
	}
}

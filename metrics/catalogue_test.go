package metrics_test

import (
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"

	"nightcage/metrics"
	"nightcage/phases"
)

func TestCatalogueIsComplete(t *testing.T) {
	seen := map[string]bool{}
	id := regexp.MustCompile(`^[a-z][a-z0-9]*(_[a-z0-9]+)+$`)
	last := 0
	for _, d := range metrics.Catalogue() {
		if seen[d.ID] {
			t.Errorf("%s is listed twice", d.ID)
		}
		seen[d.ID] = true
		if !id.MatchString(d.ID) {
			t.Errorf("%q is not snake case", d.ID)
		}
		if d.Name == "" || d.Definition == "" || d.Sign == "" || d.Unit == "" || d.UCUM == "" || d.Source == "" || len(d.Events) == 0 || !(d.UsefulSigma > 0) {
			t.Errorf("%s has an empty field: %+v", d.ID, d)
		}
		if len(d.Landmarks) == 0 && d.View != metrics.NeedTimes {
			t.Errorf("%s names no landmarks", d.ID)
		}
		g := slices.Index(metrics.Groups(), d.Group)
		if g < last {
			t.Errorf("%s of group %s stands after a later group", d.ID, d.Group)
		}
		last = g
		if d.Unit == "mph" && !(d.NeedsClock && d.NeedsScale) || d.Unit == "in" && !d.NeedsScale || d.Unit == "ms" && !d.NeedsClock || d.Unit == "deg/s" && !d.NeedsClock {
			t.Errorf("%s in %s: clock %v, scale %v", d.ID, d.Unit, d.NeedsClock, d.NeedsScale)
		}
	}
	for _, must := range []string{"shoulder_tilt_toe_touch", "bat_speed_contact", "attack_angle_contact", "hip_shoulder_separation_plant"} {
		if _, ok := metrics.Lookup(must); !ok {
			t.Errorf("%s is missing", must)
		}
	}
	if _, ok := metrics.Lookup("no_such_measure"); ok {
		t.Error("Lookup finds a measure that is not there")
	}
}

// TestIDsEndInTheirEvent holds the naming rule: the last event a measure is
// read at is the last word of its id, except for a largest value over time.
func TestIDsEndInTheirEvent(t *testing.T) {
	words := map[phases.EventID]string{phases.LoadStart: "load", phases.StrideStart: "stride", phases.ToeTouch: "toe_touch",
		phases.HeelPlant: "plant", phases.ForwardMove: "forward_move", phases.BatParallel: "bat_parallel",
		phases.Contact: "contact", phases.FullExtension: "extension", phases.Finish: "finish"}
	for _, d := range metrics.Catalogue() {
		w := words[d.Events[len(d.Events)-1]]
		if !strings.HasSuffix(d.ID, "_"+w) && !strings.HasSuffix(d.ID, "_max") && !strings.HasSuffix(d.ID, "_peak") {
			t.Errorf("%s is read last at %s", d.ID, w)
		}
	}
}

// TestReadmeTable keeps the table in the README what MarkdownTable prints.
func TestReadmeTable(t *testing.T) {
	raw, err := os.ReadFile("../README.md")
	if err != nil {
		t.Fatal(err)
	}
	_, rest, begin := strings.Cut(string(raw), metrics.MeasuresBegin)
	table, _, end := strings.Cut(rest, metrics.MeasuresEnd)
	if !begin || !end {
		t.Fatalf("README.md lacks %s ... %s", metrics.MeasuresBegin, metrics.MeasuresEnd)
	}
	if strings.TrimSpace(table) != strings.TrimSpace(metrics.MarkdownTable()) {
		t.Error("the README's table of measures is out of date: put there what metrics.MarkdownTable gives (`nightcage measures` prints it)")
	}
}

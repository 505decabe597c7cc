package metrics_test

import (
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"nightcage/metrics"
	"nightcage/phases"
	"nightcage/vision"
	"nightcage/vision/truth"
)

var update = flag.Bool("update", false, "rewrite golden files")

const clips = "../testdata/clips"

func readTruth(t *testing.T, name string) *truth.File {
	t.Helper()
	f, err := truth.Read(filepath.Join(clips, name+".json.gz"))
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// timeline is what phases would find had it found every event, each with the
// same standard error.
func timeline(f *truth.File, sigmaMs float64) phases.Timeline {
	tl := phases.Timeline{Kind: phases.KindSwing, Timed: true, Why: "truth", Result: phases.ResultHit, ResultWhy: "truth"}
	for _, id := range phases.Events() {
		ms, ok := f.EventMs(string(id))
		tl.Events = append(tl.Events, phases.Event{ID: id, Found: ok, Ms: ms, Frame: ms * f.FPS / 1000,
			SigmaMs: sigmaMs, SigmaFrames: sigmaMs * f.FPS / 1000, Confidence: 1, Evidence: []string{"truth"}})
	}
	return tl
}

func track(t *testing.T, f *truth.File, o truth.Options) vision.Track {
	t.Helper()
	tr, err := truth.Track(f, o)
	if err != nil {
		t.Fatal(err)
	}
	if tr.Ball, err = f.BallFlight(); err != nil {
		t.Fatal(err)
	}
	return *tr
}

func measure(t *testing.T, tr vision.Track, tl phases.Timeline, o metrics.Options) metrics.Swing {
	t.Helper()
	s, err := metrics.Measure(context.Background(), tr, tl, o)
	if err != nil {
		t.Fatal(err)
	}
	checkRecord(t, s)
	if got := s.Timeline; got.Kind != tl.Kind || got.Result != tl.Result || got.ResultWhy != tl.ResultWhy {
		t.Errorf("the record has %s, %q (%q), the timeline %s, %q (%q)", got.Kind, got.Result, got.ResultWhy, tl.Kind, tl.Result, tl.ResultWhy)
	}
	return s
}

// checkRecord holds what is true of every record.
func checkRecord(t *testing.T, s metrics.Swing) {
	t.Helper()
	raw, err := json.Marshal(s)
	if err != nil {
		t.Fatalf("marshal: %v", err) // a NaN or an infinity ends here
	}
	if err := metrics.Validate(raw); err != nil {
		t.Error(err)
	}
	if len(s.Measures) != len(metrics.Catalogue()) {
		t.Errorf("record has %d measures, catalogue %d", len(s.Measures), len(metrics.Catalogue()))
	}
	for _, m := range s.Measures {
		if m.Grade == metrics.GradeUnavailable {
			if m.Value != nil || m.Reason == "" || m.ReasonText == "" {
				t.Errorf("%s: unavailable with value %v, reason %q %q", m.ID, m.Value, m.Reason, m.ReasonText)
			}
			continue
		}
		if !(*m.Low95 <= *m.Value && *m.Value <= *m.High95) {
			t.Errorf("%s: value %v outside its interval [%v, %v]", m.ID, *m.Value, *m.Low95, *m.High95)
		}
		if len(m.Events) == 0 {
			t.Errorf("%s: has a value but was read at no event", m.ID)
		}
	}
}

func TestRecordIsTheSameEveryTime(t *testing.T) {
	f := readTruth(t, "s77001_00")
	tr, tl := track(t, f, truth.Options{NoisePx: 1, BatNoisePx: 1}), timeline(f, 2)
	a, _ := json.Marshal(measure(t, tr, tl, metrics.Options{}))
	b, _ := json.Marshal(measure(t, tr, tl, metrics.Options{}))
	if string(a) != string(b) {
		t.Error("two runs on one track gave different records")
	}
	c, _ := json.Marshal(measure(t, tr, tl, metrics.Options{Seed: 2}))
	if string(a) == string(c) {
		t.Error("the seed of the draws changes nothing")
	}
}

func TestMeasureLeavesItsTrackAlone(t *testing.T) {
	f := readTruth(t, "s77001_00")
	tr, tl := track(t, f, truth.Options{}), timeline(f, 2)
	before, _ := json.Marshal(tr)
	measure(t, tr, tl, metrics.Options{})
	if after, _ := json.Marshal(tr); string(before) != string(after) {
		t.Error("Measure changed the track it was given")
	}
}

func TestGoldenRecord(t *testing.T) {
	f := readTruth(t, "s77001_00")
	for name, o := range map[string]truth.Options{"solved": {}, "planar": {No3D: true, NoisePx: 1, BatNoisePx: 1}} {
		t.Run(name, func(t *testing.T) {
			s := measure(t, track(t, f, o), timeline(f, 2), metrics.Options{Pipeline: "golden"})
			golden(t, filepath.Join("testdata", "record_"+name+".txt"), table(s))
		})
	}
}

// table prints a record's measures, one a line.
func table(s metrics.Swing) string {
	var b strings.Builder
	for _, m := range s.Measures {
		fmt.Fprintf(&b, "%s %s %s", m.ID, m.Grade, m.Unit)
		if m.Value != nil {
			fmt.Fprintf(&b, " %.2f +- %.2f [ %.2f %.2f ]", *m.Value, *m.Sigma, *m.Low95, *m.High95)
		}
		if m.Reason != "" {
			fmt.Fprintf(&b, " %s", m.Reason)
		}
		b.WriteString("\n")
	}
	return b.String()
}

// golden compares word by word: numbers within 0.02 (other CPUs fuse multiply
// and add, and the table has two decimals), all else exactly.
func golden(t *testing.T, path, got string) {
	t.Helper()
	if *update {
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	raw, err := os.ReadFile(path)
	if err != nil {
		t.Fatalf("%v (run with -update to make it)", err)
	}
	want := strings.Split(string(raw), "\n")
	lines := strings.Split(got, "\n")
	for i := range max(len(want), len(lines)) {
		w, g := at(want, i), at(lines, i)
		ws, gs := strings.Fields(w), strings.Fields(g)
		same := len(ws) == len(gs)
		for k := 0; same && k < len(ws); k++ {
			x, errX := strconv.ParseFloat(ws[k], 64)
			y, errY := strconv.ParseFloat(gs[k], 64)
			same = ws[k] == gs[k] || errX == nil && errY == nil && math.Abs(x-y) <= .02
		}
		if !same {
			t.Errorf("%s:%d\n got %s\nwant %s", path, i+1, g, w)
		}
	}
}

func at(lines []string, i int) string {
	if i < len(lines) {
		return lines[i]
	}
	return ""
}

func TestFailedRecordValidates(t *testing.T) {
	s := metrics.Failed(metrics.Failure{Kind: "no_person", Text: "nobody is in the picture"}, vision.Clip{Name: "empty.mp4"}, vision.Subject{}, metrics.Options{Pipeline: "test"})
	checkRecord(t, s)
	for _, m := range s.Measures {
		if m.Grade != metrics.GradeUnavailable {
			t.Errorf("%s is %s in a failed record", m.ID, m.Grade)
		}
	}
}

func TestSchemaRefusesWrongRecords(t *testing.T) {
	f := readTruth(t, "s77001_00")
	s := measure(t, track(t, f, truth.Options{}), timeline(f, 2), metrics.Options{Draws: 50})
	good, err := json.Marshal(s)
	if err != nil {
		t.Fatal(err)
	}
	first := func(r map[string]any) map[string]any { return r["measures"].([]any)[0].(map[string]any) }
	for name, spoil := range map[string]func(r map[string]any){
		"no measures":             func(r map[string]any) { r["measures"] = []any{} },
		"clip is a path":          func(r map[string]any) { r["clip"].(map[string]any)["name"] = "dir/swing.mp4" },
		"value without error bar": func(r map[string]any) { first(r)["sigma"] = nil },
		"value as text":           func(r map[string]any) { first(r)["value"] = "12" },
		"unavailable with a value": func(r map[string]any) {
			m := first(r)
			m["grade"], m["reason"], m["reason_text"] = "unavailable", "view", "x"
		},
		"unavailable, no reason": func(r map[string]any) {
			m := first(r)
			m["grade"], m["value"], m["sigma"], m["low95"], m["high95"] = "unavailable", nil, nil, nil, nil
		},
		"unknown grade": func(r map[string]any) { first(r)["grade"] = "good" },
		"unknown reason": func(r map[string]any) {
			m := first(r)
			m["grade"], m["reason"], m["reason_text"] = "estimated", "bad luck", "x"
		},
		"measured with a reason":   func(r map[string]any) { first(r)["reason"] = "view" },
		"failed without a failure": func(r map[string]any) { r["status"] = "failed" },
		"measured with a failure":  func(r map[string]any) { r["failure"] = map[string]any{"kind": "x", "text": "y"} },
		"no cautions":              func(r map[string]any) { r["cautions"] = []any{} },
		"next major version":       func(r map[string]any) { r["schema_version"] = "2.0" },
		"unknown event": func(r map[string]any) {
			r["timeline"].(map[string]any)["events"].([]any)[0].(map[string]any)["id"] = "launch"
		},
		"unknown result":            func(r map[string]any) { r["timeline"].(map[string]any)["result"] = "home run" },
		"negative sigma":            func(r map[string]any) { first(r)["sigma"] = -1 },
		"model without a hash":      func(r map[string]any) { r["models"] = []any{map[string]any{"name": "pose"}} },
		"measure id with a capital": func(r map[string]any) { first(r)["id"] = "Shoulder_tilt" },
	} {
		t.Run(name, func(t *testing.T) {
			var r map[string]any
			if err := json.Unmarshal(good, &r); err != nil {
				t.Fatal(err)
			}
			spoil(r)
			bad, err := json.Marshal(r)
			if err != nil {
				t.Fatal(err)
			}
			if metrics.Validate(bad) == nil {
				t.Error("the schema lets it pass")
			}
		})
	}
	if metrics.Validate([]byte(`{"schema_version":`)) == nil {
		t.Error("broken JSON passes")
	}
}

// TestSchemaNamesEveryField walks a record and demands that the schema knows
// each of its fields, so that none is added without being described.
func TestSchemaNamesEveryField(t *testing.T) {
	var schema map[string]any
	if err := json.Unmarshal(metrics.Schema(), &schema); err != nil {
		t.Fatal(err)
	}
	known := map[string]bool{}
	var collect func(v any)
	collect = func(v any) {
		switch v := v.(type) {
		case map[string]any:
			if props, ok := v["properties"].(map[string]any); ok {
				for k := range props {
					known[k] = true
				}
			}
			for _, e := range v {
				collect(e)
			}
		case []any:
			for _, e := range v {
				collect(e)
			}
		}
	}
	collect(schema)
	f := readTruth(t, "s77001_04")
	s := measure(t, track(t, f, truth.Options{}), timeline(f, 2), metrics.Options{Draws: 50, Budget: true})
	s.Subject.Level, s.Subject.Team, s.Subject.Hitter = vision.LevelYouth, "Cinder Creek Comets", "7"
	raw, err := json.Marshal(s)
	if err != nil {
		t.Fatal(err)
	}
	var r any
	if err := json.Unmarshal(raw, &r); err != nil {
		t.Fatal(err)
	}
	var walk func(path string, v any)
	walk = func(path string, v any) {
		switch v := v.(type) {
		case map[string]any:
			for k, e := range v {
				if !known[k] && path != ".measures.budget" {
					t.Errorf("the schema does not know %s.%s", path, k)
				}
				walk(path+"."+k, e)
			}
		case []any:
			for _, e := range v {
				walk(path, e)
			}
		}
	}
	walk("", r)
}

// TestSchemaListsMatchTheCode compares every enumeration with the Go list it
// stands for.
func TestSchemaListsMatchTheCode(t *testing.T) {
	var schema struct {
		Defs map[string]struct {
			Properties map[string]struct {
				Enum []any `json:"enum"`
			} `json:"properties"`
		} `json:"$defs"`
	}
	if err := json.Unmarshal(metrics.Schema(), &schema); err != nil {
		t.Fatal(err)
	}
	check := func(def, prop string, want ...string) {
		t.Helper()
		var got []string
		for _, v := range schema.Defs[def].Properties[prop].Enum {
			got = append(got, v.(string))
		}
		slices.Sort(got)
		slices.Sort(want)
		if !slices.Equal(got, want) {
			t.Errorf("%s.%s is %v, the code has %v", def, prop, got, want)
		}
	}
	check("measure", "grade", texts(metrics.Grades())...)
	check("measure", "reason", texts(metrics.Reasons())...)
	check("event", "id", texts(phases.Events())...)
	check("timeline", "kind", texts(phases.Kinds())...)
	check("timeline", "result", texts(phases.Results())...)
	check("band", "level", texts(vision.Levels())...)
	units, codes := map[string]bool{}, map[string]bool{}
	for _, d := range metrics.Catalogue() {
		units[d.Unit], codes[d.UCUM] = true, true
	}
	check("measure", "unit", keys(units)...)
	check("measure", "ucum", keys(codes)...)
	for _, r := range metrics.Reasons() {
		if r.Words() == "" {
			t.Errorf("reason %s has no words", r)
		}
	}
}

func texts[S ~string](in []S) (out []string) {
	for _, s := range in {
		out = append(out, string(s))
	}
	return out
}

func keys(m map[string]bool) (out []string) {
	for k := range m {
		out = append(out, k)
	}
	return out
}

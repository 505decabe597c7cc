package main

import (
	"bytes"
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"nightcage/cmd/internal/room/correct"
	"nightcage/metrics"
	"nightcage/phases"
	"nightcage/vision"
	"nightcage/vision/truth"
	"nightcage/worker"
	"nightcage/worker/analysis"
)

// lastSeason measures as an older version did: it did not know the swing's bat
// speed, and knew a measure that is no more. Its eyes were as sharp as today's.
type lastSeason struct {
	track  vision.Track
	vision string
}

const (
	oldPipeline = "0.2.0"
	lateMeasure = "bat_speed_contact"
	pastMeasure = "lace_length"
)

func (l lastSeason) Analyze(ctx context.Context, j worker.Job, _ func(done, total int)) (worker.Result, error) {
	tl, err := phases.Find(l.track)
	if err != nil {
		return worker.Result{}, err
	}
	tr := l.track
	tr.Subject, tr.Maker = j.Subject, &vision.Maker{Version: l.vision, Models: []vision.Model{}}
	tr.Clip.Name, tr.Clip.SHA256 = filepath.Base(j.Clip), j.ClipSHA256
	read, swing, err := analysis.Measure(ctx, tr, tl, metrics.Options{})
	if err != nil {
		return worker.Result{}, err
	}
	swing.Pipeline = oldPipeline
	swing.Measures = slices.DeleteFunc(swing.Measures, func(r metrics.Result) bool { return r.ID == lateMeasure })
	swing.Measures[0].ID = pastMeasure
	w, err := stored(&analysis.Result{Seen: tr, Track: read, Timeline: tl, Swing: swing})
	return worker.Result{Swings: []worker.Swing{w}}, err
}

// lastNight puts a clip into the home as the older version left it.
func lastNight(t *testing.T, home, name string, a lastSeason) worker.Job {
	t.Helper()
	s, err := (&homeFlags{dir: home, level: "error"}).open(t.Context(), os.Stderr)
	if err != nil {
		t.Fatal(err)
	}
	defer s.close()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, []byte("the film of "+name), 0o600); err != nil {
		t.Fatal(err)
	}
	j, err := worker.NewJob(t.Context(), path, vision.Subject{Hitter: "Juniper Sable", Team: "Cinder Creek Comets", HeightIn: 64, BatIn: 31}, oldPipeline, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	desk, leave, err := s.desk(t.Context(), queueFlags{})
	if err != nil {
		t.Fatal(err)
	}
	_, err = desk.Submit(t.Context(), j)
	leave()
	if err != nil {
		t.Fatal(err)
	}
	w := worker.Worker{Home: s.home, Ledger: s.ledger, Records: s.records, Analyzer: a, Schema: recordSchema(),
		Pipeline: oldPipeline, Slots: 1, Drain: true, Log: zerolog.Nop()}
	if err := w.Serve(t.Context(), t.Context(), worker.QueueOptions{Listen: true, Log: zerolog.Nop()}); err != nil {
		t.Fatal(err)
	}
	return j
}

// corrected keeps a correction by hand of a job's one swing: its contact, two frames on.
func corrected(t *testing.T, store *correct.Store, jobID string, tr vision.Track) {
	t.Helper()
	tl, err := phases.Find(tr)
	if err != nil {
		t.Fatal(err)
	}
	at := slices.IndexFunc(tl.Events, func(e phases.Event) bool { return e.ID == phases.Contact })
	c := correct.Correction{By: "Coach Vale", At: time.Now(), Instants: []correct.Instant{{Event: phases.Contact, Frame: tl.Events[at].Frame + 2}}}
	_, _, swing, err := correct.Measure(t.Context(), tr, tl, c, metrics.Options{Draws: 30})
	if err == nil {
		swing.Pipeline = oldPipeline
		_, err = store.Add(jobID, 1, correct.Kept{Correction: c, Pipeline: oldPipeline, Record: swing})
	}
	if err != nil {
		t.Fatal(err)
	}
}

// A measure that was invented since appears in last season's record, without its
// clip; what was seen otherwise then is measured again, after all else.
func TestStaleAndRemake(t *testing.T) {
	f, err := truth.Read("../../testdata/clips/s77001_04.json.gz")
	if err != nil {
		t.Fatal(err)
	}
	tr, err := truth.Track(f, truth.Options{})
	if err != nil {
		t.Fatal(err)
	}
	home := filepath.Join(t.TempDir(), "home")
	t.Setenv("NIGHTCAGE_HOME", home)
	if out, code := nightcage(t, "stale"); code != exitOK || !strings.HasSuffix(out, "0 of 0 clips have a stale record: nothing to do\n") {
		t.Errorf("an empty home: exit code %d\n%s", code, out)
	}
	one := lastNight(t, home, "one.mp4", lastSeason{*tr, analysis.VisionVersion})
	two := lastNight(t, home, "two.mp4", lastSeason{*tr, "0.1.0"})
	if err := os.Remove(one.Clip); err != nil {
		t.Fatal(err)
	}
	byHand := correct.OpenStore(filepath.Join(home, "corrections"))
	corrected(t, byHand, one.ID, *tr)

	out, code := nightcage(t, "stale", "--values")
	for _, want := range []string{one.ID[:10], two.ID[:10], "0.1.0     measure again\n", lateMeasure + ": new -> ", ", measured\n", pastMeasure + ": ", " -> gone\n",
		"2 of 2 clips have a stale record: 1 remake, 1 measure again\n"} {
		if code != exitOK || !strings.Contains(out, want) {
			t.Errorf("stale --values: exit code %d, no %q in\n%s", code, want, out)
		}
	}
	var r staleReport
	out, code = nightcage(t, "stale", "--values", "--json")
	if err := json.Unmarshal([]byte(out), &r); err != nil || code != exitOK || len(r.Lines) != 2 {
		t.Fatalf("stale --json: exit code %d, %v\n%s", code, err, out)
	}
	changed := slices.IndexFunc(r.Lines, func(l staleLine) bool { return l.Remedy == worker.RemedyRemake })
	var measures []string
	for _, c := range r.Lines[changed].Changes {
		measures = append(measures, c.Measure)
	}
	// The first of the catalogue is the one that was called otherwise.
	want := []string{metrics.Catalogue()[0].ID, lateMeasure, pastMeasure}
	if slices.Sort(measures); !slices.Equal(measures, sorted(want)) {
		t.Errorf("a remake changes %v, want %v", measures, want)
	}

	if out, code = nightcage(t, "remake", "--stale"); code != exitOK || strings.Count(out, "remade as") != 1 || !strings.HasPrefix(out, one.ID[:10]) {
		t.Errorf("remake --stale: exit code %d\n%s", code, out)
	}
	// What was corrected by hand still is, in the new version's measures.
	carried, err := byHand.All()
	if err != nil || len(carried) != 2 {
		t.Fatalf("corrections %v, %v", carried, err)
	}
	delete(carried, one.ID)
	for id, ks := range carried {
		_, has := ks[0].Record.Find(lateMeasure)
		if len(ks) != 1 || !has || ks[0].Pipeline != analysis.PipelineVersion || ks[0].By != "Coach Vale" || len(ks[0].Instants) != 1 {
			t.Errorf("carried to %s: %+v", id, ks[0].Correction)
		}
		if out, code := nightcage(t, "records", id, "--json"); code != exitOK || !strings.Contains(out, `"corrected": 1`) {
			t.Errorf("the remade record is not the corrected one: exit code %d", code)
		}
	}
	if out, code = nightcage(t, "records"); code != exitOK || strings.Count(out, "Juniper Sable") != 2 || strings.Contains(out, one.ID[:10]) || !strings.Contains(out, " mph") {
		t.Errorf("records: exit code %d\n%s", code, out)
	}
	if out, code = nightcage(t, "records", "--all"); code != exitOK || strings.Count(out, "Juniper Sable") != 3 || !strings.Contains(out, one.ID[:10]) {
		t.Errorf("records --all: exit code %d\n%s", code, out)
	}
	if out, code = nightcage(t, "remake", "--stale"); code != exitOK || !strings.HasPrefix(out, "no record") {
		t.Errorf("remake --stale again: exit code %d\n%s", code, out)
	}
	for _, args := range [][]string{{"remake"}, {"remake", "--stale", one.ID}, {"remake", one.ID}, {"remake", "ffff"}, {"stale", "--submit", "--values"}} {
		if out, code := nightcage(t, args...); code != exitUsage {
			t.Errorf("%v: exit code %d\n%s", args, code, out)
		}
	}

	corrected(t, byHand, two.ID, *tr)
	if out, code = nightcage(t, "stale", "--submit"); code != exitOK || !strings.Contains(out, "measure again: corrected by hand, left alone\n") {
		t.Errorf("stale --submit of a corrected swing: exit code %d\n%s", code, out)
	}
	if err := os.RemoveAll(filepath.Join(home, "corrections", two.ID)); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"measure again: held back\n", "measure again: held back\n"} {
		if out, code = nightcage(t, "stale", "--submit"); code != exitOK || !strings.Contains(out, want) {
			t.Errorf("stale --submit: exit code %d\n%s", code, out)
		}
	}
	if out, code = nightcage(t, "stale"); code != exitOK || !strings.Contains(out, "already queued") {
		t.Errorf("stale, submitted: exit code %d\n%s", code, out)
	}
	// Asked for by name, the older track serves too.
	if out, code = nightcage(t, "remake", two.ID[:8]); code != exitOK || !strings.Contains(out, "remade as") {
		t.Errorf("remake of an older vision: exit code %d\n%s", code, out)
	}
	if out, code = nightcage(t, "audit"); code != exitOK {
		t.Errorf("audit: exit code %d\n%s", code, out)
	}

	// A damaged track is a typed error, and the record stays as it was.
	three := lastNight(t, home, "three.mp4", lastSeason{*tr, analysis.VisionVersion})
	dir := filepath.Join(home, "records", three.ID, "1")
	if err := os.WriteFile(filepath.Join(dir, "track.json.gz"), []byte("moth-eaten"), 0o600); err != nil {
		t.Fatal(err)
	}
	before, err := os.ReadFile(filepath.Join(dir, "record.json"))
	if err != nil {
		t.Fatal(err)
	}
	for _, args := range [][]string{{"remake", three.ID}, {"stale", "--values"}, {"remake", "--stale"}} {
		if out, code = nightcage(t, args...); code != exitUnavailable || strings.Contains(out, three.ID[:10]+"  remade") {
			t.Errorf("%v of a damaged track: exit code %d\n%s", args, code, out)
		}
	}
	if after, err := os.ReadFile(filepath.Join(dir, "record.json")); err != nil || !bytes.Equal(before, after) {
		t.Errorf("the record of the damaged track changed: %v", err)
	}
}

func sorted(s []string) []string {
	slices.Sort(s)
	return s
}

package room

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/cloudevents/sdk-go/v2/event"

	"nightcage/metrics"
	"nightcage/phases"
	"nightcage/vision"
	"nightcage/vision/truth"
	"nightcage/worker"
)

// pairHome is a home with two solved swings, one of each side of the plate, whose bat
// speeds differ and whose attack angles may not.
func pairHome(t testing.TB) (dir string, ids [2]string) {
	t.Helper()
	dir = t.TempDir()
	_, records, ledger := openHome(t, dir)
	for i, name := range []string{"s77001_04", "s77001_09"} {
		f, err := truth.Read(filepath.Join("..", "..", "..", "testdata", "clips", name+".json.gz"))
		if err != nil {
			t.Fatal(err)
		}
		track, err := truth.Track(f, truth.Options{})
		if err != nil {
			t.Fatal(err)
		}
		tl, err := phases.Find(*track)
		if err != nil {
			t.Fatal(err)
		}
		result := func(id, unit string, v, sigma float64) metrics.Result {
			low, high := v-1.96*sigma, v+1.96*sigma
			return metrics.Result{ID: id, Unit: unit, Value: &v, Sigma: &sigma, Low95: &low, High95: &high, Grade: metrics.GradeMeasured}
		}
		s := metrics.Swing{Status: metrics.StatusMeasured, Timeline: tl, Subject: vision.Subject{Hitter: []string{"Juniper Sable", "Tamsin Vale"}[i], Team: "Cinder Creek Comets"},
			Measures: []metrics.Result{result("bat_speed_contact", "mph", 50+20*float64(i), 1), result("attack_angle_contact", "deg", 8+float64(i), 2)}}
		j := worker.Job{ID: fmt.Sprintf("%032x", i+1), Clip: "/clips/" + name + ".mp4", ClipSHA256: fmt.Sprintf("%064x", i+1), Subject: s.Subject, SubmittedAt: time.Now()}
		e := event.New()
		e.SetID(worker.RecordID(j.ID, 1))
		e.SetType(worker.TypeMeasured)
		e.SetSource("/nightcage/teams/cinder-creek-comets")
		e.SetSubject(s.Subject.Hitter)
		e.SetTime(time.Now())
		e.SetExtension("clipsha256", j.ClipSHA256)
		e.SetExtension("team", s.Subject.Team)
		err = e.SetData(event.ApplicationJSON, s)
		var packed bytes.Buffer
		z := gzip.NewWriter(&packed)
		record, jerr := json.Marshal(e)
		when, terr := json.Marshal(tl)
		if err = errors.Join(err, jerr, terr, json.NewEncoder(z).Encode(track), z.Close()); err == nil {
			err = records.Put(j.ID, []worker.File{{Name: "1/record.json", Bytes: record}, {Name: "1/track.json.gz", Bytes: packed.Bytes()}, {Name: "1/timeline.json", Bytes: when}})
		}
		if err == nil {
			_, _, err = ledger.Add(t.Context(), j)
		}
		if err == nil {
			err = ledger.Measured(t.Context(), j.ID, 1)
		}
		if err != nil {
			t.Fatal(err)
		}
		ids[i] = e.ID()
	}
	return dir, ids
}

func TestCompareShowsWhatDiffersAndNoMore(t *testing.T) {
	dir, ids := pairHome(t)
	rm := openRoom(t, dir)
	body := ask(t, rm, "/compare?"+url.Values{"a": {ids[0]}, "b": {ids[1]}}.Encode(), http.StatusOK)
	differ, alike, ok := strings.Cut(body, "<details><summary>"+words("compare.alike", 1))
	if !ok {
		t.Fatal("the page has no part without difference")
	}
	_, differ, _ = strings.Cut(differ, `id="h-diff"`)
	if !strings.Contains(differ, "bat speed at contact") || strings.Contains(differ, "attack angle") || !strings.Contains(differ, "20.0 mph \u00b1 2.8 mph") {
		t.Errorf("what differs:\n%s", differ)
	}
	if !strings.Contains(alike, "attack angle") || strings.Contains(alike, "bat speed at contact") {
		t.Errorf("what does not:\n%s", alike)
	}
	if n := strings.Count(body, `class="side"`); n != 2 {
		t.Errorf("%d sides", n)
	}
	if !strings.Contains(body, `id="ghost"`) {
		t.Error("two solved swings have no ghost")
	}
	if same := ask(t, rm, "/compare?"+url.Values{"a": {ids[0]}, "b": {ids[0]}}.Encode(), http.StatusOK); !strings.Contains(same, word("compare.nothing")) {
		t.Error("a swing differs from itself")
	}
	ask(t, rm, "/compare?a=x&b="+ids[0], http.StatusNotFound)
	ask(t, rm, "/compare", http.StatusOK)
	ask(t, emptyRoom(t), "/compare", http.StatusOK)
}

func TestCompareHoldsBothAtAnEvent(t *testing.T) {
	dir, ids := pairHome(t)
	rm := openRoom(t, dir)
	for _, at := range []phases.EventID{phases.ToeTouch, phases.Contact} {
		body := ask(t, rm, "/compare?"+url.Values{"a": {ids[0]}, "b": {ids[1]}, "at": {string(at)}}.Encode(), http.StatusOK)
		for _, id := range ids {
			job, n, _ := worker.SwingOf(id)
			s, err := rm.record(job, fmt.Sprint(n))
			if err != nil {
				t.Fatal(err)
			}
			for _, e := range s.Swing.Timeline.Events {
				if e.ID == at && !strings.Contains(body, fmt.Sprintf(`data-start="%.0f"`, math.Round(e.Frame))) {
					t.Errorf("%s of %s is at frame %.1f, which is not shown", at, id, e.Frame)
				}
			}
		}
	}
}

func TestCompareHitters(t *testing.T) {
	rm := openRoom(t, seasonHome(t, 5, 4, 0))
	key := func(h string) string { return url.Values{"team": {"Cinder Creek Comets"}, "hitter": {h}}.Encode() }
	body := ask(t, rm, "/compare/hitters?"+url.Values{"a": {key("Rook Calder")}, "b": {key("Juniper Sable")}}.Encode(), http.StatusOK)
	if !strings.Contains(body, word("compare.nothing")) || !strings.Contains(body, words("compare.alike", 1)) {
		t.Error("two hitters of one distribution differ")
	}
	ask(t, rm, "/compare/hitters?"+url.Values{"a": {key("Rook Calder")}, "b": {key("Nobody")}}.Encode(), http.StatusNotFound)
	ask(t, rm, "/compare/hitters", http.StatusOK)
}

// The ghost is the body about the middle of the hips: that point stays at 0, what
// lies between two points stays as long as it was, and the lead foot of either sort
// of hitter is toward the pitcher.
func TestGhostIsTheBodyInPlace(t *testing.T) {
	dir, ids := pairHome(t)
	rm := openRoom(t, dir)
	for _, id := range ids {
		job, _, _ := worker.SwingOf(id)
		var g ghost
		if err := json.Unmarshal([]byte(ask(t, rm, "/swing/"+job+"/1/body", http.StatusOK)), &g); err != nil {
			t.Fatal(err)
		}
		st, err := rm.stages(job, 1)
		if err != nil {
			t.Fatal(err)
		}
		at := map[string]int{}
		for i, n := range g.Names {
			at[n] = i
		}
		if len(at) != len(g.Names) || len(g.Frames) != len(st.Track.Frames) {
			t.Fatalf("%d names, %d frames", len(at), len(g.Frames))
		}
		ahead := 0
		for k, f := range g.Frames {
			a, b, knob, tip := f[at["lead_hip"]], f[at["back_hip"]], f[at["knob"]], f[at["tip"]]
			for axis := range 3 {
				if mid := (a[axis] + b[axis]) / 2; math.Abs(mid) > .1 {
					t.Fatalf("%s, frame %d: the middle of the hips lies at %v", id, k, mid)
				}
			}
			p := st.Track.Solution.Frames[k]
			want := math.Sqrt(math.Pow(p.Knob.X-p.Tip.X, 2) + math.Pow(p.Knob.Y-p.Tip.Y, 2) + math.Pow(p.Knob.Z-p.Tip.Z, 2))
			if got := math.Sqrt(math.Pow(knob[0]-tip[0], 2) + math.Pow(knob[1]-tip[1], 2) + math.Pow(knob[2]-tip[2], 2)); math.Abs(got-want) > .2 {
				t.Fatalf("%s, frame %d: the bat is %.1f in long, want %.1f", id, k, got, want)
			}
			if f[at["lead_ankle"]][0] > f[at["back_ankle"]][0] {
				ahead++
			}
		}
		if ahead < len(g.Frames) {
			t.Errorf("%s: the lead foot is toward the pitcher in %d of %d frames", id, ahead, len(g.Frames))
		}
	}
}

package room

import (
	"encoding/json"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"nightcage/phases"
	"nightcage/vision"
	"nightcage/vision/truth"
	"nightcage/worker/access"
)

// sparseHome is playedHome with a track that leaves out pictures far from contact.
func sparseHome(t *testing.T) (dir, job string, track vision.Track) {
	t.Helper()
	dir, job = playedHome(t)
	m, err := rookCalder()
	if err != nil {
		t.Fatal(err)
	}
	contact := 0.0
	for _, e := range m.timeline.Events {
		if e.ID == phases.Contact {
			contact = e.Ms
		}
	}
	track = truth.Sparse(m.track, contact)
	if len(track.Frames) > len(m.track.Frames)*4/5 {
		t.Fatalf("%d of %d frames are left: nothing is thinned", len(track.Frames), len(m.track.Frames))
	}
	home, _, _ := openHome(t, dir)
	if err := os.RemoveAll(filepath.Join(home.RecordsDir(), job)); err != nil {
		t.Fatal(err)
	}
	putRecord(t, home, job, track, m.timeline, m.swing)
	return dir, job, track
}

// Every picture from the first to the last has marks, a body and its own time, and those
// that nobody looked at say so.
func TestMarksOfPicturesNobodyLookedAt(t *testing.T) {
	dir, job, track := sparseHome(t)
	rm := openRoom(t, dir)
	var m marks
	var g ghost
	for path, into := range map[string]any{"/marks": &m, "/body": &g} {
		if err := json.Unmarshal([]byte(unzip(t, get(t, rm, "/swing/"+job+"/1"+path, http.StatusOK))), into); err != nil {
			t.Fatal(err)
		}
	}
	first, end := track.Frames[0].Index, track.Frames[len(track.Frames)-1].Index+1
	if len(m.Frames) != end-first || len(m.Ms) != end-first || len(g.Frames) != end-first || m.First != first || g.First != first {
		t.Fatalf("from %d %d frames and %d times, from %d %d bodies; want %d from %d", m.First, len(m.Frames), len(m.Ms), g.First, len(g.Frames), end-first, first)
	}
	for i, f := range m.Frames {
		_, looked := track.LookedAt(first + i)
		if f.Between == looked || len(f.Body) != 2*vision.NumLandmarks || f.Tip == nil || g.Frames[i][0] == nil || m.Ms[i] != tenth(track.Clip.Times[first+i].Ms) {
			t.Errorf("picture %d, looked at %v, at %g ms: %+v", first+i, looked, m.Ms[i], f)
		}
		if f.Tip != nil && f.Between != (f.Tip.Q == howLetter(vision.HowModel)) {
			t.Errorf("picture %d, looked at %v: the tip rests on %q", first+i, looked, f.Tip.Q)
		}
	}
}

// The film steps through all pictures with lines on each; a dot says where the ball was
// seen, so one that nobody looked at has none; a point is put right on such a picture.
func TestFilmOfPicturesNobodyLookedAt(t *testing.T) {
	dir, job, track := sparseHome(t)
	rm := openRoom(t, dir)
	b := browse(t, rm)
	b.open("/swing/"+job+"/1", desk)
	b.do(chromedp.Focus(chromedp.CSS("#player")))
	b.do(chromedp.KeyEvent(kb.Home))
	first := track.Frames[0].Index
	for index := first; index < first+6; index++ {
		f, _ := track.At(index)
		at := fmt.Sprintf(`line.l-bat[x1="%v"][y1="%v"]`, tenth(f.Knob.X), tenth(f.Knob.Y))
		b.do(chromedp.Poll[chromedp.Void](fmt.Sprintf(`document.querySelector('#over %s') !== null`, at)))
		if n := js[int](b, `document.querySelectorAll("#over .l-body").length`); n < 16 {
			t.Errorf("picture %d has %d lines of the body", index, n)
		}
		balls := 0
		for _, seen := range track.Frames {
			if seen.Index <= index && seen.Ball.Found() {
				balls++
			}
		}
		if n := js[int](b, `document.querySelectorAll("#over .l-seen").length`); n != balls {
			t.Errorf("picture %d has %d dots, want %d", index, n, balls)
		}
		b.do(chromedp.KeyEvent(kb.ArrowRight))
	}
	if _, looked := track.LookedAt(first + 3); looked {
		t.Fatalf("picture %d was looked at", first+3)
	}
	js[int](b, fmt.Sprintf(`(() => { const s = document.getElementById("seek"); s.value = %d; s.dispatchEvent(new Event("input")); return 0; })()`, first+3))
	js[int](b, `document.getElementById("correct").open = true; 0`)
	b.do(chromedp.WaitReady(chromedp.CSS(".c-hold")))
	b.shoot("between")
	js[int](b, `(() => { const n = document.getElementById("c-x"); n.value = Number(n.value) + 9; n.dispatchEvent(new Event("input")); return 0; })()`)
	b.do(chromedp.SendKeys(chromedp.CSS("#c-token"), tokenFor(t, rm, "Tamsin Vale", access.Admin)), chromedp.Click(chromedp.CSS("#c-send")))
	b.text(".versions")
	all, err := rm.kept.List(job, 1)
	if err != nil || len(all) != 1 || len(all[0].Places) != 1 || all[0].Places[0].Frame != first+3 {
		t.Fatalf("kept %+v, %v", all, err)
	}
	var m marks
	if err := json.Unmarshal([]byte(unzip(t, get(t, rm, "/swing/"+job+"/1/marks?as=1", http.StatusOK))), &m); err != nil {
		t.Fatal(err)
	}
	if f := m.Frames[3]; f.Between || f.Knob == nil || f.Knob.Q != howLetter(vision.HowHand) {
		t.Errorf("the corrected picture: %+v", f)
	}
}

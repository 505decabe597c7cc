package room

import (
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"nightcage/phases"
	"nightcage/vision"
	"nightcage/worker/access"
)

// shots is where screenshots go, for people to look at.
var shots = flag.String("shots", "", "write screenshots of the pages into `DIR`")

type step = chromedp.Action[chromedp.Void]

// tab is a browser's, without a screen.
type tab struct {
	t   *testing.T
	ctx context.Context
	at  string // address of the room
}

// browse opens a browser on a room. What the browser complains of (errors of scripts,
// what the policy refused, answers of 400 and more) fails the test.
func browse(t *testing.T, rm *Room) tab {
	t.Helper()
	srv := httptest.NewServer(rm)
	t.Cleanup(srv.Close)
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Minute)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewContext(ctx)
	t.Cleanup(cancel)
	b := tab{t, ctx, srv.URL}
	if err := chromedp.Do(ctx, chromedp.Navigate("about:blank")); err != nil {
		t.Fatalf("start a browser (cmd/setup/packages.sh test installs one): %v", err)
	}
	err := chromedp.Listen(ctx, func(ev any) {
		switch e := ev.(type) {
		case *log.EventEntryAdded:
			if e.Entry.Level != log.EntryLevelVerbose { // hints to the author
				t.Errorf("the browser says: %s: %s %s", e.Entry.Level, e.Entry.Text, e.Entry.URL)
			}
		case *runtime.EventExceptionThrown:
			t.Errorf("script: %s", e.ExceptionDetails.Text)
		}
	})
	if err == nil {
		_, err = chromedp.Call(ctx, log.Enable, cdp.Empty{})
	}
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func (b tab) do(steps ...step) {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, time.Minute)
	defer cancel()
	if err := chromedp.Do(ctx, steps...); err != nil {
		b.t.Fatal(err)
	}
}

// js is what an expression gives, a promise's when it is one.
func js[T any](b tab, expression string) T {
	b.t.Helper()
	v, err := chromedp.Run(b.ctx, chromedp.Evaluate[T](expression, chromedp.EvalAwaitPromise))
	if err != nil {
		b.t.Fatalf("%.200s: %v", expression, err)
	}
	return v
}

// text waits for an element and reads it.
func (b tab) text(css string) string {
	b.t.Helper()
	b.do(chromedp.WaitReady(chromedp.CSS(css)))
	return js[string](b, fmt.Sprintf(`document.querySelector(%q).innerText`, css))
}

// open goes to a page in a look and waits until its script has drawn.
func (b tab) open(path string, l pageLook) {
	b.t.Helper()
	b.do(chromedp.EmulateViewport(l.width, 800))
	_, err := chromedp.Call(b.ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
		Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: l.scheme}}})
	if err != nil {
		b.t.Fatal(err)
	}
	b.do(chromedp.Navigate(b.at+path), chromedp.WaitReady(chromedp.CSS("main")))
	if strings.HasPrefix(path, "/swing/") {
		b.do(chromedp.WaitReady(chromedp.CSS("#over line")))
	}
}

// shoot keeps a picture of the page when they were asked for.
func (b tab) shoot(name string) {
	b.t.Helper()
	if *shots == "" {
		return
	}
	img, err := chromedp.Run(b.ctx, chromedp.FullScreenshot(90))
	if err == nil {
		err = os.WriteFile(filepath.Join(*shots, name+".jpg"), img, 0o600)
	}
	if err != nil {
		b.t.Fatal(err)
	}
}

// pageLook is how a page is looked at.
type pageLook struct {
	name   string
	width  int64
	scheme string
}

var (
	desk  = pageLook{"light", 1280, "light"}
	night = pageLook{"dark", 1280, "dark"}
	phone = pageLook{"phone", 360, "light"}
)

// shifted is how far a page's parts moved while it loaded, by the browser's own
// measure (Layout Instability, a report of the WICG).
const shifted = `new Promise(done => {
  let sum = 0;
  new PerformanceObserver(list => { for (const e of list.getEntries()) sum += e.value; }).observe({type: "layout-shift", buffered: true});
  setTimeout(() => done(sum), 300);
})`

// beside names what reaches beyond the window's right side.
const beside = `document.documentElement.scrollWidth <= document.documentElement.clientWidth ? "" :
  [...document.querySelectorAll("main *")].filter(e => e.getBoundingClientRect().right > document.documentElement.clientWidth + 1)
    .map(e => e.tagName + "#" + e.id + "." + e.className).slice(0, 8).join(", ")`

const audit = `axe.run().then(r => JSON.stringify(r.violations.map(v =>
  v.id + ": " + v.help + ": " + v.nodes.slice(0, 3).map(n => n.html.slice(0, 200) + " (" + n.any.map(a => a.message).join("; ") + ")").join(" | "))))`

// Every page in every look: axe-core finds nothing that keeps people out, nothing
// moves while the page loads, nothing is cut off at the side of a phone.
func TestPagesInABrowser(t *testing.T) {
	axe, err := os.ReadFile("../../../.tools/axe-core/axe.min.js")
	if err != nil {
		t.Fatalf("%v: cmd/setup/web.sh fetches it", err)
	}
	dir, job := playedHome(t)
	b := browse(t, openRoom(t, dir))
	for name, path := range map[string]string{"tonight": "/", "swings": "/swings", "swing": "/swing/" + job + "/1", "compare": "/compare", "trend": "/trend"} {
		for _, l := range []pageLook{desk, night, phone} {
			t.Run(name+"-"+l.name, func(t *testing.T) {
				b := tab{t, b.ctx, b.at}
				b.open(path, l)
				if shift := js[float64](b, shifted); shift > 0 {
					t.Errorf("the layout shifted by %g", shift)
				}
				b.shoot(name + "-" + l.name)
				js[int](b, `document.querySelectorAll("details").forEach(d => d.open = true); 0`)
				if out := js[string](b, beside); out != "" {
					t.Errorf("wider than the window: %s", out)
				}
				js[int](b, string(axe)+"; 0")
				var violations []string
				if err := json.Unmarshal([]byte(js[string](b, audit)), &violations); err != nil {
					t.Fatal(err)
				}
				for _, v := range violations {
					t.Error(v)
				}
			})
		}
	}
}

// With the keyboard alone: to the player by Tab, frames by arrows, events by Page
// keys, play and stop, a layer, a correction.
func TestKeyboard(t *testing.T) {
	dir, job := playedHome(t)
	b := browse(t, openRoom(t, dir))
	b.open("/swing/"+job+"/1", desk)
	press := func(key string, mods ...chromedp.Modifier) {
		t.Helper()
		b.do(chromedp.KeyEvent(key, chromedp.KeyModifiers(mods...)))
	}
	tabTo := func(id string) {
		t.Helper()
		for range 80 {
			press(kb.Tab)
			if js[string](b, `document.activeElement.id`) == id {
				return
			}
		}
		t.Fatalf("Tab never came to #%s", id)
	}
	frame := func() int { return js[int](b, `Number(document.getElementById("seek").value)`) }
	tabTo("player")
	from := frame()
	m, _ := rookCalder()
	for _, e := range m.timeline.Events {
		if e.ID == phases.Contact && from != int(e.Frame+.5) {
			t.Errorf("the player opens at frame %d, contact is at %.1f", from, e.Frame)
		}
	}
	for _, c := range []struct {
		key  string
		mod  chromedp.Modifier
		want int
	}{{kb.ArrowRight, 0, from + 1}, {kb.ArrowLeft, 0, from}, {kb.ArrowLeft, chromedp.ModifierShift, from - 10}, {kb.Home, 0, 0}, {kb.End, 0, len(m.track.Frames) - 1}} {
		press(c.key, c.mod)
		if got := frame(); got != c.want {
			t.Errorf("key %q: frame %d, want %d", c.key, got, c.want)
		}
	}
	press(kb.Home)
	press(kb.PageDown)
	first := frame()
	press(kb.PageDown)
	if second := frame(); first == 0 || second <= first {
		t.Errorf("Page Down went to %d, then %d", first, second)
	}
	at := frame()
	press(" ")
	b.do(chromedp.Poll[chromedp.Void](fmt.Sprintf(`Number(document.getElementById("seek").value) > %d`, at+2)))
	press(" ")
	still := frame()
	js[int](b, `new Promise(done => setTimeout(() => done(0), 300))`)
	if got := frame(); got != still {
		t.Errorf("space did not stop: %d, then %d", still, got)
	}
	js[int](b, `document.querySelector("[data-layer=body]").focus(); 0`)
	press(" ")
	if n := js[int](b, `document.querySelectorAll("#over .l-body").length`); n != 0 {
		t.Errorf("%d lines of the body are left after it was switched off", n)
	}
	js[int](b, `document.querySelector("#correct summary").focus(); 0`)
	press(kb.Enter)
	// opening is told to the page in its own time
	b.do(chromedp.Poll[chromedp.Void](`document.getElementById("c-x").value !== ""`))
	tabTo("c-x")
	press(kb.ArrowUp)
	if n := js[int](b, `document.querySelectorAll("#c-list li").length`); n != 1 {
		t.Errorf("%d changes after an arrow key in a number, want 1", n)
	}
}

// A point is dragged, the swing is measured again, both versions are there, and
// who did it.
func TestCorrectionRoundTrip(t *testing.T) {
	dir, job := playedHome(t)
	rm := openRoom(t, dir)
	token, _, err := access.Open(rm.Home.TokensPath()).Create("Tamsin Vale", []access.Scope{access.Admin}, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	m, _ := rookCalder()
	knee := m.track.Hand.Lead(vision.LeftKnee)
	b := browse(t, rm)
	b.open("/swing/"+job+"/1", desk)
	js[int](b, fmt.Sprintf(`document.getElementById("correct").open = true;
		document.getElementById("c-point").value = %q; document.getElementById("c-point").dispatchEvent(new Event("change")); 0`, knee.String()))
	b.do(chromedp.WaitReady(chromedp.CSS(".c-hold")), chromedp.ScrollIntoView(chromedp.CSS("#picture")))
	var box struct{ X, Y, Width float64 }
	err = json.Unmarshal([]byte(js[string](b, `(() => { const h = document.querySelector(".c-hold").getBoundingClientRect();
		return JSON.stringify({X: h.x + h.width / 2, Y: h.y + h.height / 2, Width: document.getElementById("picture").getBoundingClientRect().width}); })()`)), &box)
	if err != nil {
		t.Fatal(err)
	}
	scale := float64(m.track.Clip.Width) / box.Width
	frame := js[int](b, `Number(document.getElementById("seek").value)`)
	b.do(chromedp.MouseEvent(chromedp.MousePressed, box.X, box.Y, chromedp.ButtonLeft),
		chromedp.MouseEvent(chromedp.MouseMoved, box.X-10, box.Y, chromedp.ButtonLeft),
		chromedp.MouseEvent(chromedp.MouseMoved, box.X-40, box.Y+5, chromedp.ButtonLeft),
		chromedp.MouseEvent(chromedp.MouseReleased, box.X-40, box.Y+5, chromedp.ButtonLeft),
		chromedp.Click(chromedp.CSS("#c-send")))
	if b.text("#c-say") == "" {
		t.Error("a correction without a token was not refused in words")
	}
	b.do(chromedp.SendKeys(chromedp.CSS("#c-note"), "knee, not shin"), chromedp.SendKeys(chromedp.CSS("#c-token"), token), chromedp.Click(chromedp.CSS("#c-send")))
	if v := b.text(".versions"); !strings.Contains(v, "Corrected by Tamsin Vale") || !strings.Contains(v, "knee, not shin") {
		t.Errorf("the page says of its versions %q", v)
	}
	b.do(chromedp.WaitReady(chromedp.CSS(".was")))
	b.shoot("corrected")
	all, err := rm.kept.List(job, 1)
	if err != nil || len(all) != 1 || len(all[0].Places) != 1 {
		t.Fatalf("kept %+v, %v", all, err)
	}
	p, seen := all[0].Places[0], m.track.Frames[frame-m.track.Frames[0].Index].Body[knee]
	if p.Frame != frame || string(p.Point) != knee.String() || abs(p.X-(seen.X-40*scale)) > 3 || abs(p.Y-(seen.Y+5*scale)) > 3 {
		t.Errorf("kept %+v, want the %s of frame %d moved from %.0f, %.0f by %.0f, %.0f", p, knee, frame, seen.X, seen.Y, -40*scale, 5*scale)
	}
	b.open("/swing/"+job+"/1?as=0", desk)
	if !js[bool](b, `document.querySelector(".was") === null`) {
		t.Error("the machine's version shows corrected numbers")
	}
}

func abs(v float64) float64 { return max(v, -v) }

// The page of tonight follows by itself.
func TestTonightIsLive(t *testing.T) {
	dir, job := playedHome(t)
	rm := openRoom(t, dir)
	b := browse(t, rm)
	b.open("/", desk)
	b.do(chromedp.WaitReady(chromedp.CSS("#h-waiting")))
	entries, err := rm.Ledger.Entries(b.ctx)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		if e.Job.ID != job && !e.State.Final() {
			if _, err := rm.Ledger.Start(b.ctx, e.Job, "worker 1"); err != nil {
				t.Fatal(err)
			}
		}
	}
	b.do(chromedp.WaitReady(chromedp.CSS("#h-running")))
	if text := b.text("#live"); !strings.Contains(text, "Ozzie Marlow") {
		t.Errorf("the page says %q", text)
	}
}

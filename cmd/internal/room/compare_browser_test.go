package room

import (
	"fmt"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// Both clips step together by the keyboard, each shows the frame of the same time
// from its own event, and the bodies move with them.
func TestCompareStepsBothTogether(t *testing.T) {
	dir, job := playedHome(t)
	b := browse(t, openRoom(t, dir))
	b.open("/compare?a="+job+"-1&b="+job+"-1&at=contact", desk)
	b.do(chromedp.WaitReady(chromedp.CSS("#ghost polyline")), chromedp.Focus(chromedp.CSS("#pair")))
	frames := func() (a, c string) {
		texts := strings.Split(js[string](b, `[...document.querySelectorAll(".side .frame")].map(p => p.textContent).join("|")`), "|")
		return texts[0], texts[1]
	}
	start := js[string](b, `document.querySelector(".side").dataset.start`)
	var from int
	if _, err := fmt.Sscan(start, &from); err != nil {
		t.Fatal(err)
	}
	drawn := func() string { return js[string](b, `document.getElementById("ghost").innerHTML`) }
	before := drawn()
	for _, c := range []struct {
		key  string
		mods []chromedp.Modifier
		want int
	}{{kb.ArrowRight, nil, from + 1}, {kb.ArrowLeft, nil, from}, {kb.ArrowLeft, []chromedp.Modifier{chromedp.ModifierShift}, from - 10}, {"0", nil, from}, {kb.Home, nil, 0}} {
		b.do(chromedp.KeyEvent(c.key, chromedp.KeyModifiers(c.mods...)))
		if a, other := frames(); a != words("compare.frame", c.want) || other != a {
			t.Errorf("key %q: %s and %s, want %d", c.key, a, other, c.want)
		}
	}
	after := drawn()
	if before == after || strings.Count(after, `class="ga`) != strings.Count(after, `class="gb`) || strings.Count(after, "<line") < 20 {
		t.Errorf("the bodies at the start of the clip: %.300s", after)
	}
	b.do(chromedp.SetValue(chromedp.CSS("#from"), "above"))
	js[bool](b, `document.getElementById("from").dispatchEvent(new Event("change"))`)
	if drawn() == after {
		t.Error("from above they look as from the side")
	}
}

package sheet

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"html"
	"image"
	"image/gif"
	"image/jpeg"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"gocv.io/x/gocv"

	"nightcage/metrics"
	"nightcage/phases"
	"nightcage/vision"
	"nightcage/vision/clip"
	"nightcage/vision/truth"
	"nightcage/worker/analysis"
)

const film = "../../../testdata/clips/s77001_04.mp4"

// swing is a clip with what the truth knows of it.
func swing(t *testing.T) (vision.Track, phases.Timeline) {
	t.Helper()
	f, err := truth.Read(filepath.FromSlash("../../../testdata/clips/s77001_04.json.gz"))
	if err != nil {
		t.Fatal(err)
	}
	track, err := truth.Track(f, truth.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if track.Clip, err = clip.Probe(t.Context(), film, vision.Subject{}); err != nil {
		t.Fatal(err)
	}
	tl, err := phases.Find(*track)
	if err != nil {
		t.Fatal(err)
	}
	return *track, tl
}

func TestFilm(t *testing.T) {
	track, tl := swing(t)
	dir := t.TempDir()
	mp4, anim := filepath.Join(dir, "a.mp4"), filepath.Join(dir, "a.gif")
	if err := Film(t.Context(), film, track, tl, mp4, anim); err != nil {
		t.Fatal(err)
	}
	want := 0
	for _, s := range shots(track, tl) {
		want += s.repeat
	}
	var probe struct {
		Streams []struct {
			Codec   string `json:"codec_name"`
			Format  string `json:"pix_fmt"`
			Width   int
			Height  int
			Frames  string            `json:"nb_frames"`
			Tags    map[string]string `json:"tags"`
			Picture string            `json:"codec_type"`
		}
	}
	out, err := exec.CommandContext(t.Context(), "ffprobe", "-v", "error", "-of", "json", "-show_streams", mp4).Output()
	if err == nil {
		err = json.Unmarshal(out, &probe)
	}
	if err != nil {
		t.Fatal(err)
	}
	if len(probe.Streams) != 1 || probe.Streams[0].Picture != "video" {
		t.Fatalf("streams %+v, want pictures alone", probe.Streams)
	}
	s := probe.Streams[0]
	if s.Codec != "h264" || s.Format != "yuv420p" || s.Width%2+s.Height%2 != 0 || max(s.Width, s.Height) > longSide {
		t.Errorf("stream %+v", s)
	}
	if n, err := strconv.Atoi(s.Frames); err != nil || n != want {
		t.Errorf("%s pictures, want %d", s.Frames, want)
	}
	if _, ok := s.Tags["creation_time"]; ok {
		t.Errorf("tags %v", s.Tags)
	}
	b, err := os.ReadFile(anim)
	if err != nil {
		t.Fatal(err)
	}
	g, err := gif.DecodeAll(bytes.NewReader(b))
	if err != nil {
		t.Fatal(err)
	}
	if got, seconds := len(g.Image), float64(want)/filmFPS; math.Abs(float64(got)-8*seconds) > 2 {
		t.Errorf("the GIF has %d pictures, want about %.0f", got, 8*seconds)
	}
	if d := g.Image[0].Bounds().Size(); max(d.X, d.Y) != 320 {
		t.Errorf("the GIF is %v", d)
	}
}

// A swing plays four times slower than it was, and stops at toe touch and contact.
func TestShotsKeepTime(t *testing.T) {
	track, tl := swing(t)
	list := shots(track, tl)
	pictures, stops := 0, map[string]bool{}
	for i, s := range list {
		if s.caption != "" {
			stops[s.caption] = true
			s.repeat -= filmFPS * holdMs / 1000
		}
		if i > 0 && s.frame <= list[i-1].frame {
			t.Fatalf("shot %d goes back to frame %d", i, s.frame)
		}
		pictures += s.repeat
	}
	took := track.Clip.Times[list[len(list)-1].frame].Ms - track.Clip.Times[list[0].frame].Ms
	if got := 1000 * float64(pictures) / filmFPS; math.Abs(got-slowdown*took) > 2000/filmFPS+slowdown*1000/track.Clip.Clock.CaptureFPS {
		t.Errorf("%.0f ms of swing play for %.0f ms", took, got)
	}
	if !stops["toe touch"] || !stops["contact"] || len(stops) != 2 {
		t.Errorf("stops at %v", stops)
	}
	track.Clip.Clock = vision.Clock{}
	for _, s := range shots(track, tl) {
		if s.caption == "" && s.repeat != 2 {
			t.Fatalf("without a clock frame %d is shown %d times", s.frame, s.repeat)
		}
	}
}

// Pictures that nobody looked at are in the film, as long as they took and with lines;
// those of a stretch far from any that was looked at are in it without.
func TestFilmHasPicturesNobodyLookedAt(t *testing.T) {
	whole, tl := swing(t)
	contact := 0.0
	for _, e := range tl.Events {
		if e.ID == phases.Contact && e.Found {
			contact = e.Ms
		}
	}
	some := truth.Sparse(whole, contact)
	list := shots(whole, tl)
	if diff := cmp.Diff(list, shots(some, tl), cmp.AllowUnexported(shot{})); diff != "" {
		t.Fatal("shots (-whole +some):\n", diff)
	}
	drawn := func(track vision.Track, frame int) int {
		img := gocv.NewMatWithSize(track.Clip.Height, track.Clip.Width, gocv.MatTypeCV8UC3)
		defer img.Close()
		if err := sketch(&img, track, tl, frame); err != nil {
			t.Fatalf("frame %d: %v", frame, err)
		}
		grey := gocv.NewMat()
		defer grey.Close()
		gocv.CvtColor(img, &grey, gocv.ColorBGRToGray)
		return gocv.CountNonZero(grey)
	}
	between := -1
	for _, s := range list {
		if _, looked := some.LookedAt(s.frame); !looked {
			between = s.frame
			if got, want := drawn(some, s.frame), drawn(whole, s.frame); want == 0 || math.Abs(float64(got-want)) > .05*float64(want) {
				t.Errorf("frame %d has %d px of lines, want %d", s.frame, got, want)
			}
		}
	}
	if between < 0 {
		t.Fatal("all pictures of the film were looked at")
	}
	// Nobody looked at a tenth of a second about that picture.
	i, _ := some.LookedAt(between)
	some.Frames = slices.Delete(some.Frames, i-6, i+6)
	some.Solution = nil
	if _, err := Still(t.Context(), film, some, tl, phases.Event{Frame: float64(between)}); !errors.Is(err, analysis.ErrNotTracked) {
		t.Errorf("a still without lines: %v", err)
	}
	pictures := 0
	for _, s := range list {
		pictures += s.repeat
	}
	var raw bytes.Buffer
	cut := around(some, list)
	if err := draw(t.Context(), film, some, tl, list, cut, &raw); err != nil {
		t.Fatal(err)
	}
	if size := filmSize(cut); raw.Len() != 3*size.X*size.Y*pictures {
		t.Errorf("%d bytes, want %d pictures of %v", raw.Len(), pictures, size)
	}
}

func TestStillIsOfTheHitter(t *testing.T) {
	track, tl := swing(t)
	var contact phases.Event
	for _, e := range tl.Events {
		if e.ID == phases.Contact {
			contact = e
		}
	}
	b, err := Still(t.Context(), film, track, tl, contact)
	if err != nil {
		t.Fatal(err)
	}
	c, err := jpeg.DecodeConfig(bytes.NewReader(b))
	if err != nil {
		t.Fatal(err)
	}
	cut := around(track, []shot{{frame: int(math.Round(contact.Frame))}})
	if c.Width != cut.Dx() || c.Height != cut.Dy() || cut.Dx() >= track.Clip.Width {
		t.Errorf("%d x %d of %v", c.Width, c.Height, cut)
	}
	tip := track.Frames[int(math.Round(contact.Frame))].Tip
	if !image.Pt(int(tip.X), int(tip.Y)).In(cut) {
		t.Errorf("the bat's tip at %.0f, %.0f is not in %v", tip.X, tip.Y, cut)
	}
}

func TestAnotherClipIsRefused(t *testing.T) {
	track, tl := swing(t)
	dir := t.TempDir()
	other := filepath.Join(dir, "other.mp4")
	if err := os.WriteFile(other, []byte("other"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, path := range []string{other, filepath.Join(dir, "none.mp4")} {
		if err := Film(t.Context(), path, track, tl, filepath.Join(dir, "a.mp4"), filepath.Join(dir, "a.gif")); !errors.Is(err, ErrClipGone) {
			t.Errorf("%s: %v", path, err)
		}
		if _, err := Still(t.Context(), path, track, tl, tl.Events[0]); !errors.Is(err, ErrClipGone) {
			t.Errorf("%s: %v", path, err)
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := Film(ctx, film, track, tl, filepath.Join(dir, "a.mp4"), filepath.Join(dir, "a.gif")); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
}

var markup = regexp.MustCompile(`(?s)<style>.*?</style>|<[^>]*>`)

func TestPage(t *testing.T) {
	one := 1.0
	s := metrics.Swing{Subject: vision.Subject{Hitter: "Tamsin <Vale>", Filmed: "2026-11-20"}, Cautions: metrics.Cautions(),
		Measures: []metrics.Result{{ID: "m", Value: &one, Events: []metrics.ReadAt{{ID: phases.ToeTouch}}}},
		Timeline: phases.Timeline{Events: []phases.Event{{ID: phases.ToeTouch, Found: true}, {ID: phases.Contact, Found: true}}},
		Findings: []metrics.Finding{
			{Name: "Another thing", Cue: "Not this one", Links: []metrics.Link{{Measure: "m"}}},
			{Name: "The stride carries the head forward", Cue: "Land softly", Caution: "Not on a sore ankle", First: true, Links: []metrics.Link{{Measure: "m", Value: 12.5}}},
		}}
	at, ok := Instant(s)
	if !ok || at.ID != phases.ToeTouch {
		t.Errorf("the picture is of %q, want the instant that the first cause was read at", at.ID)
	}
	text := func(sh Sheet) string {
		var b bytes.Buffer
		if err := sh.Page(&b); err != nil {
			t.Fatal(err)
		}
		if strings.Contains(b.String(), "http") {
			t.Error("the page loads from elsewhere")
		}
		return html.UnescapeString(markup.ReplaceAllString(b.String(), " "))
	}
	page := text(New(s, time.Time{}, "", at.ID, []byte("jpeg")))
	for _, want := range []string{"Tamsin <Vale>", "20 November 2026", "Land softly", "The stride carries the head forward", "Not on a sore ankle", "Stop on pain", "toe touch"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page does not say %q:\n%s", want, page)
		}
	}
	if n := strings.Count(page, "One thing to try"); n != 1 || strings.Contains(page, "Not this one") {
		t.Errorf("%d things to try:\n%s", n, page)
	}
	// No number on the page but the day.
	if n := regexp.MustCompile(`\d`).FindString(strings.ReplaceAll(page, "20 November 2026", "")); n != "" {
		t.Errorf("a number %s:\n%s", n, page)
	}
	if page := text(New(s, time.Time{}, "Stay tall", at.ID, nil)); !strings.Contains(page, "Stay tall") || strings.Contains(page, "Land softly") || strings.Contains(page, "The stride carries") {
		t.Errorf("the coach's own cue:\n%s", page)
	}
	s.Findings = nil
	if page := text(New(s, time.Time{}, "", phases.Contact, nil)); strings.Contains(page, "One thing to try") || !strings.Contains(page, "No one thing stood out") {
		t.Errorf("without a finding:\n%s", page)
	}
	s.Subject.Filmed, s.Clip.Filmed = "", ""
	if page := text(New(s, time.Date(2026, 11, 27, 12, 0, 0, 0, time.Local), "", phases.Contact, nil)); !strings.Contains(page, "measured 27 November 2026") {
		t.Errorf("without a day of filming:\n%s", page)
	}
}

package room

import (
	"bytes"
	"compress/gzip"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"net/http"
	"net/http/httptest"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

func get(t testing.TB, rm *Room, path string, want int) *httptest.ResponseRecorder {
	t.Helper()
	w := httptest.NewRecorder()
	r := httptest.NewRequest("GET", "http://localhost"+path, nil)
	r.Header.Set("Accept-Encoding", "gzip")
	rm.ServeHTTP(w, r)
	if w.Code != want {
		t.Fatalf("%s: %d, want %d: %.300s", path, w.Code, want, unzip(t, w))
	}
	return w
}

func unzip(t testing.TB, w *httptest.ResponseRecorder) string {
	t.Helper()
	if w.Header().Get("Content-Encoding") != "gzip" {
		return w.Body.String()
	}
	z, err := gzip.NewReader(bytes.NewReader(w.Body.Bytes()))
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if _, err := b.ReadFrom(z); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// What a page holds without any script: everything that is to be read.
func TestSwingPageSaysItAll(t *testing.T) {
	dir, job := playedHome(t)
	rm := openRoom(t, dir)
	body := unzip(t, get(t, rm, "/swing/"+job+"/1", http.StatusOK))
	m, _ := rookCalder()
	for _, want := range []string{"Rook Calder", "The head drifts and the spine follows", "Keep your head over your belly button.", "Stop on pain",
		"This is not medical advice", "toe touch"} {
		if !strings.Contains(body, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	for _, r := range m.swing.Measures {
		if !strings.Contains(body, `id="m-`+r.ID+`"`) {
			t.Errorf("the page leaves out %s", r.ID)
		}
	}
}

// The first view is what a browser fetches before it can show the page: the page,
// style, script and the first picture.
func TestFirstViewIsUnder200kB(t *testing.T) {
	dir, job := playedHome(t)
	rm := openRoom(t, dir)
	for _, path := range []string{"/", "/swings", "/swing/" + job + "/1"} {
		w := get(t, rm, path, http.StatusOK)
		total := w.Body.Len()
		for _, m := range regexp.MustCompile(`(?:src|href)="(/static/[^"]+|/swing/[^"]+/frame/\d+)"`).FindAllStringSubmatch(unzip(t, w), -1) {
			total += get(t, rm, m[1], http.StatusOK).Body.Len()
		}
		t.Logf("%s: %d kB", path, total/1000)
		if total > 200_000 {
			t.Errorf("%s: the first view takes %d bytes", path, total)
		}
	}
}

// The picture that is sent as frame n is frame n of the file as ffmpeg, which shares
// no seeking with our reader, counts them: nearer to it than to its neighbours.
func TestFramesAreExact(t *testing.T) {
	dir, job := playedHome(t)
	rm := openRoom(t, dir)
	for _, n := range []int{0, 31, 32, 140, 251} {
		w := get(t, rm, fmt.Sprintf("/swing/%s/1/frame/%d", job, n), http.StatusOK)
		got, err := jpeg.Decode(w.Body)
		if err != nil {
			t.Fatal(err)
		}
		best, least := -1, 1e18
		for k := max(0, n-2); k <= min(251, n+2); k++ {
			if d := distance(got, frameByFFmpeg(t, k)); d < least {
				best, least = k, d
			}
		}
		if best != n {
			t.Errorf("frame %d looks most like frame %d of the file", n, best)
		}
	}
	get(t, rm, "/swing/"+job+"/1/frame/252", http.StatusNotFound)
	get(t, rm, "/swing/"+job+"/1/frame/-1", http.StatusNotFound)
}

func frameByFFmpeg(t *testing.T, n int) image.Image {
	t.Helper()
	out, err := exec.CommandContext(t.Context(), "ffmpeg", "-v", "error", "-i", filepath.Join(clips, "s77001_00.mp4"), "-vf", fmt.Sprintf("select=eq(n\\,%d)", n),
		"-frames:v", "1", "-f", "image2pipe", "-c:v", "png", "-").Output()
	if err != nil {
		t.Fatal(err)
	}
	img, err := png.Decode(bytes.NewReader(out))
	if err != nil {
		t.Fatal(err)
	}
	return img
}

// distance is the sum of squared differences of lightness over every fourth point.
func distance(a, b image.Image) (sum float64) {
	for y := 0; y < a.Bounds().Dy(); y += 4 {
		for x := 0; x < a.Bounds().Dx(); x += 4 {
			d := float64(color.GrayModel.Convert(a.At(x, y)).(color.Gray).Y) - float64(color.GrayModel.Convert(b.At(x, y)).(color.Gray).Y)
			sum += d * d
		}
	}
	return sum
}

// A clip that was changed or taken away shows no pictures of another one; the page
// still stands.
func TestChangedClipIsNotShown(t *testing.T) {
	dir, job := playedHome(t)
	rm := openRoom(t, dir)
	m, _ := rookCalder()
	if _, err := rm.film.reel(t.Context(), filepath.Join(clips, "s77001_04.mp4"), m.track.Clip, 3); err == nil {
		t.Error("pictures of another file were shown")
	}
	if _, err := rm.film.reel(t.Context(), filepath.Join(t.TempDir(), "gone.mp4"), m.track.Clip, 3); err == nil {
		t.Error("pictures of no file were shown")
	}
	get(t, rm, "/swing/"+job+"/1", http.StatusOK)
}

// The list finds by hitter, team, clip and day, and keeps to its pages.
func TestListFinds(t *testing.T) {
	dir, _ := playedHome(t)
	rm := openRoom(t, dir)
	for find, want := range map[string]string{"calder": "1 measured", "cinder+creek": "1 measured", "s77001_00": "1 measured", "college+rook": "1 measured", "sable": "0 measured"} {
		if body := unzip(t, get(t, rm, "/swings?find="+find, http.StatusOK)); !strings.Contains(body, want) {
			t.Errorf("%s: not %q", find, want)
		}
	}
}

package room

import (
	"encoding/json"
	"io/fs"
	"regexp"
	"strings"
	"testing"
	"testing/fstest"

	"nightcage/metrics"
	"nightcage/phases"
	"nightcage/vision/clip"
	"nightcage/worker"
	"nightcage/worker/analysis"
)

// Every word that a page or a script asks for is in the table, and nothing else is.
func TestWords(t *testing.T) {
	if err := fstest.TestFS(web, "web/words.json", "web/layout.html"); err != nil {
		t.Fatal(err)
	}
	var table map[string]map[string]string
	if err := json.Unmarshal(wordsJSON, &table); err != nil {
		t.Fatal(err)
	}
	asked := map[string]map[string]bool{"page": {}, "script": {}}
	inPages := regexp.MustCompile(`\bwords? "([a-z0-9_.]+)"`)
	inScripts := regexp.MustCompile(`\bsay\(\s*"([a-z0-9_.]+)"`)
	err := fs.WalkDir(web, "web", func(name string, _ fs.DirEntry, err error) error {
		if err != nil || !(strings.HasSuffix(name, ".html") || strings.HasSuffix(name, ".ts")) {
			return err
		}
		text, err := web.ReadFile(name)
		if err != nil {
			return err
		}
		part, find := "page", inPages
		if strings.HasSuffix(name, ".ts") {
			part, find = "script", inScripts
		}
		for _, m := range find.FindAllStringSubmatch(string(text), -1) {
			asked[part][m[1]] = true
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	for part, keys := range asked {
		for k := range keys {
			if table[part][k] == "" {
				t.Errorf("words.json: %s has no %q", part, k)
			}
		}
	}
	for k := range table["script"] {
		if !asked["script"][k] {
			t.Errorf("words.json: no script says %q", k)
		}
	}
	for _, k := range phases.Kinds() {
		word("kind." + string(k))
	}
	for _, r := range phases.Results() {
		word("result." + string(r))
	}
	for _, g := range metrics.Grades() {
		word("grade." + string(g))
	}
	for _, g := range metrics.Groups() {
		word("group." + string(g))
	}
	for _, e := range phases.Events() {
		word("event." + string(e))
	}
}

// Whatever a clip fails of, the page says what can be done.
func TestEveryFailureHasAdvice(t *testing.T) {
	for _, k := range []string{
		string(clip.EmptyFile), string(clip.NotAVideo), string(clip.NoVideoStream), string(clip.Truncated), string(clip.Damaged),
		string(clip.TooShort), string(clip.TooLarge), string(clip.Unsupported), string(clip.Unreadable), string(clip.Timeout),
		string(analysis.NoPerson), string(analysis.WrongRotation), string(analysis.NoBat), string(analysis.NoSwing),
		string(worker.KindBadJob), string(worker.KindBadSubject), string(worker.KindUnreadable), string(worker.KindClipMissing),
		string(worker.KindClipChanged), string(worker.KindCrashed), string(worker.KindStalled), string(worker.KindTooLong), string(worker.KindTooBig),
	} {
		if _, ok := table()["advice."+k]; !ok {
			t.Errorf("no advice for a clip that failed of %s", k)
		}
	}
}

// What is shown at first sight are measures of the catalogue, each once.
func TestGlance(t *testing.T) {
	seen := map[string]bool{}
	for _, id := range glance {
		if _, ok := metrics.Lookup(id); !ok || seen[id] {
			t.Errorf("%s: in the catalogue %v, there before %v", id, ok, seen[id])
		}
		seen[id] = true
	}
}

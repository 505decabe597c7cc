package roster

import (
	"errors"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"nightcage/vision"
	"nightcage/worker"
)

func read(t *testing.T, text string) (Roster, error) {
	t.Helper()
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, FileName), []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return Read(dir)
}

// TestExample: the file that users begin with says what its comments say.
func TestExample(t *testing.T) {
	r, err := read(t, Example)
	if err != nil {
		t.Fatal(err)
	}
	if got := strings.Join(r.Hitters(), ", "); got != "Juniper Sable, Rook Calder" {
		t.Error(got)
	}
	rook, err := r.Of("ROOK calder/tuesday/a.mp4")
	s := rook.Subject
	if err != nil || s.Hitter != "Rook Calder" || s.Team != "Cinder Creek Comets" || s.HeightIn != 68 || s.BatIn != 33.5 ||
		s.Bats != vision.SideRight || s.Level != vision.LevelYouth || s.Sport != vision.SportBaseball ||
		rook.Consent.By != worker.ConsentGuardian || time.Since(rook.Consent.Told) > time.Hour {
		t.Errorf("%v %+v", err, rook)
	}
	juniper, err := r.Of("Juniper Sable/a.mp4")
	if s := juniper.Subject; err != nil || math.Abs(s.HeightIn-141/2.54) > 1e-9 || s.Bats != vision.SideUnknown || juniper.Consent.By != "" {
		t.Errorf("%v %+v", err, juniper)
	}
	for _, path := range []string{"loose.mp4", "Rook Caldr/a.mp4", "../Rook Calder/a.mp4"} {
		if _, err := r.Of(path); err == nil {
			t.Errorf("%s is somebody's", path)
		}
	}
}

// TestNoList: without a list the folder's name is the hitter, accents put
// together or apart.
func TestNoList(t *testing.T) {
	r, err := read(t, "team: Cinder Creek Comets\nlevel: college\n")
	if err != nil {
		t.Fatal(err)
	}
	got, err := r.Of("Zo\u00eb Marlow/a.mp4")
	if err != nil || got.Subject.Hitter != "Zo\u00eb Marlow" || got.Subject.Level != vision.LevelCollege || got.Consent.By != "" {
		t.Errorf("%v %+v", err, got)
	}
	r, err = read(t, "team: Cinder Creek Comets\nhitters:\n  Zo\u00eb Marlow: {level: pro}\n")
	if err != nil {
		t.Fatal(err)
	}
	if got, err := r.Of("Zoe\u0308 Marlow/a.mp4"); err != nil || got.Subject.Hitter != "Zo\u00eb Marlow" || got.Subject.Level != vision.LevelPro {
		t.Errorf("%v %+v", err, got)
	}
}

// TestBadFiles: what is wrong is named, and nothing is guessed.
func TestBadFiles(t *testing.T) {
	for text, want := range map[string]string{
		"":                           "is empty",
		"level: youth":               "team: is missing",
		"team: X\nlevel: moon":       "moon",
		"team: X\nheight: 70in":      "line 2: field height not found",
		"team: X\nconsent: guardian": "line 2: field consent not found", // one hitter's is not another's
		"team: X\nhiters: {}":        "line 2: field hiters not found",
		"team: [X":                   "line 1",
		"team: X\nhitters: [Rook]":   "line 2",
		"team: X\nhitters:\n  Rook: {height: 70}":                  "hitters: Rook: height: ",
		"team: X\nhitters:\n  Rook: {bat: 84in}":                   "hitters: Rook: bat: ",
		"team: X\nhitters:\n  Rook: {consent: yes please}":         "consent",
		"team: X\nhitters:\n  Rook: {consent: self, level: youth}": "guardian",
		"team: X\nlevel: youth\nhitters:\n  Rook: {consent: self}": "guardian",
		"team: X\nhitters:\n  Rook: {bats: both}":                  "both",
		"team: X\nhitters:\n  Rook: {}\n  rook: {}":                "there twice",
		"team: X\nhitters:\n  ' ': {}":                             "no name",
	} {
		if _, err := read(t, text); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q", text, err, want)
		}
	}
	if _, err := Read(t.TempDir()); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("no file: %v", err)
	}
}

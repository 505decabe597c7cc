// Package roster reads watch.yaml, the file in a watched folder that says whose
// clips land there: one folder a hitter, named after the hitter.
package roster

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"go.yaml.in/yaml/v3"
	"golang.org/x/text/unicode/norm"

	"nightcage/cmd/internal/units"
	"nightcage/vision"
	"nightcage/worker"
)

// FileName is the file in the watched folder.
const FileName = "watch.yaml"

// Example is a file to begin with.
const Example = `# Whose clips land in this folder. Make one folder for each hitter, named as here:
#   Rook Calder/anything.mp4
team: Cinder Creek Comets
level: youth        # youth, high-school, college or pro; may be left out
sport: baseball     # baseball or softball; may be left out
hitters:
  Rook Calder:
    height: 5ft8in  # sizes carry their unit
    bat: 33.5in
    bats: right     # right, left; found from the picture where left out
    consent: guardian  # who agreed that he may be shown to others: guardian, self (of age) or none
  Juniper Sable:
    height: 141cm
    bat: 28in
`

// Roster is a team as watch.yaml tells it.
type Roster struct {
	told    map[string]worker.Told // by nameKey
	anybody bool                   // no hitters are listed: a folder's name is a hitter
	team    worker.Told
}

// file is watch.yaml.
type file struct {
	Team    string `yaml:"team"`
	setting `yaml:",inline"`
	Hitters map[string]hitter `yaml:"hitters"`
}

// setting can be told of the whole team, and of a hitter otherwise.
type setting struct {
	Level      vision.Level    `yaml:"level"`
	Sport      vision.Sport    `yaml:"sport"`
	Ball       vision.BallFrom `yaml:"ball"`
	CaptureFPS float64         `yaml:"capture-fps"`
}

// hitter is what can be told of one.
type hitter struct {
	setting `yaml:",inline"`
	Height  string           `yaml:"height"`
	Inseam  string           `yaml:"inseam"`
	Bat     string           `yaml:"bat"`
	Bats    vision.Side      `yaml:"bats"`
	Consent worker.ConsentBy `yaml:"consent"`
}

// Read reads the file in a folder. What it says of consent counts as told when it
// was last written, so that a later word elsewhere outranks it. The error says
// where in the file and what; it wraps fs.ErrNotExist when there is none.
func Read(dir string) (Roster, error) {
	path := filepath.Join(dir, FileName)
	bad := func(err error) (Roster, error) { return Roster{}, fmt.Errorf("%s: %w", path, err) }
	info, err := os.Stat(path)
	if err != nil {
		return Roster{}, fmt.Errorf("%s says whose clips these are, and cannot be read: %w", FileName, err)
	}
	b, err := os.ReadFile(path)
	if err != nil {
		return bad(err)
	}
	var f file
	dec := yaml.NewDecoder(bytes.NewReader(b))
	dec.KnownFields(true)
	if err := dec.Decode(&f); err != nil {
		if errors.Is(err, io.EOF) {
			err = errors.New("is empty: it must name the team")
		}
		return bad(err)
	}
	if strings.TrimSpace(f.Team) == "" {
		return bad(errors.New("team: is missing"))
	}
	r := Roster{told: map[string]worker.Told{}, anybody: f.Hitters == nil}
	if r.team, err = (hitter{setting: f.setting}).told(f.Team, "", info.ModTime()); err != nil {
		return bad(err)
	}
	for name, h := range f.Hitters {
		key := nameKey(name)
		if _, twice := r.told[key]; key == "" || twice {
			return bad(fmt.Errorf("hitters: %q is there twice, or is no name", name))
		}
		h.setting = h.or(f.setting)
		if r.told[key], err = h.told(f.Team, name, info.ModTime()); err != nil {
			return bad(fmt.Errorf("hitters: %s: %w", name, err))
		}
	}
	return r, nil
}

// or fills what is not said of a hitter from what is said of the team.
func (s setting) or(team setting) setting {
	if s.Level == "" {
		s.Level = team.Level
	}
	if s.Sport == "" {
		s.Sport = team.Sport
	}
	if s.Ball == "" {
		s.Ball = team.Ball
	}
	if s.CaptureFPS == 0 {
		s.CaptureFPS = team.CaptureFPS
	}
	return s
}

// told checks and converts.
func (k hitter) told(team, name string, when time.Time) (worker.Told, error) {
	t := worker.Told{Subject: vision.Subject{Team: strings.TrimSpace(team), Hitter: strings.TrimSpace(name),
		Level: k.Level, Sport: k.Sport, Ball: k.Ball, Bats: k.Bats, CaptureFPS: k.CaptureFPS}}
	if t.Subject.Bats == "" {
		t.Subject.Bats = vision.SideUnknown
	}
	for _, l := range []struct {
		name, text string
		into       *float64
		lo, hi     units.Inches
	}{
		{"height", k.Height, &t.Subject.HeightIn, worker.MinHeightIn, worker.MaxHeightIn},
		{"inseam", k.Inseam, &t.Subject.InseamIn, worker.MinInseamIn, worker.MaxInseamIn},
		{"bat", k.Bat, &t.Subject.BatIn, worker.MinBatIn, worker.MaxBatIn},
	} {
		if l.text == "" {
			continue
		}
		if err := (&units.Length{Min: l.lo, Max: l.hi, Of: "a " + l.name, Into: l.into}).Set(l.text); err != nil {
			return t, fmt.Errorf("%s: %w", l.name, err)
		}
	}
	if k.Consent != "" {
		t.Consent = worker.Consent{By: k.Consent, Told: when.UTC()}
	}
	return t, errors.Join(worker.CheckSubject(t.Subject), worker.CheckConsent(k.Consent, k.Level))
}

// Of says whose a file is: the first folder of its path is the hitter's.
func (r Roster) Of(path string) (worker.Told, error) {
	folder, _, ok := strings.Cut(path, "/")
	if !ok {
		return worker.Told{}, errors.New("put it into a folder named after the hitter")
	}
	if t, ok := r.told[nameKey(folder)]; ok {
		return t, nil
	}
	if r.anybody {
		t := r.team
		t.Subject.Hitter = strings.TrimSpace(folder)
		return t, nil
	}
	return worker.Told{}, fmt.Errorf("%s lists no hitter %q", FileName, folder)
}

// Hitters lists who is in the file, by name.
func (r Roster) Hitters() (names []string) {
	for _, t := range r.told {
		names = append(names, t.Subject.Hitter)
	}
	slices.Sort(names)
	return names
}

func nameKey(name string) string { return strings.ToLower(norm.NFC.String(strings.TrimSpace(name))) }

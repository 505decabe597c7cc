package room

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"net/http"
	"slices"
	"strings"
	"time"

	"nightcage/cmd/internal/room/correct"
	"nightcage/metrics"
	"nightcage/phases"
	"nightcage/worker"
)

// swingPage is what the page of a swing shows.
type swingPage struct {
	stored
	Versions []correct.Kept // corrections, oldest first
	Points   []choice       // that can be corrected
	Machine  time.Time      // when the machine measured
	Hitter   string
	Facts    []string // what the clip is and how it was seen
	First    *metrics.Finding
	Found    []metrics.Finding // First first
	Events   []eventLine
	Bar      *timeBar // nil when no event was found
	Groups   []measureGroup
	Glance   []measureLine // of the groups' lines, those in glance
	Missing  []measureLine
	Stills   []still
	Film     *filmFacts // nil when what the record was made from is gone
	Values   int        // measures with a value
}

// filmFacts is what the player has to know.
type filmFacts struct {
	First, Last   int // frames that can be stepped to
	Start         int // shown at first
	Width, Height int // of the track's pixels
}

// eventLine is an event in the list under the picture.
type eventLine struct {
	ID          string
	Name        string
	Frame       int // nearest
	At          string
	FromContact string
	Rests       string
	Missing     string // why it was not found; "" when it was
}

type measureGroup struct {
	Name  string
	Lines []measureLine
}

// measureLine is a measure with everything that it can say of itself.
type measureLine struct {
	metrics.Result
	Def     metrics.Definition
	Name    string
	Text    string // value and error bar
	Was     string // in the machine's version, when a correction changed it
	Picture *picture
	Grade   string
	Against string
	Band    string
	Source  string // of the band
	Points  string // landmarks it was read from
	Marks   string // the same by id, with commas between
	Read    []eventLine
	How     string
}

type still struct {
	Name string
	Src  string
	Alt  string
}

// choice is an entry of a list to choose from.
type choice struct{ ID, Name string }

// choices are the points that can be corrected.
func choices() (out []choice) {
	for _, p := range correct.Points() {
		out = append(out, choice{string(p), spaced(string(p))})
	}
	return out
}

// swing shows one swing.
func (rm *Room) swing(w http.ResponseWriter, r *http.Request) error {
	s, machine, all, err := rm.version(r)
	if err != nil {
		return err
	}
	p := swingPage{stored: s, Versions: all, Points: choices(), Machine: machine.At, Hitter: cmp.Or(s.Swing.Subject.Hitter, word("hitter.unnamed")), Facts: facts(s.Swing),
		Events: eventLines(s.Swing), Bar: newTimeBar(s.Swing)}
	p.findings()
	p.measures(machine.Swing)
	if p.Stills, err = rm.stills(s); err != nil {
		return err
	}
	st, err := rm.stages(s.JobID, s.N)
	switch {
	case err == nil:
		p.Film = newFilmFacts(st, p.Swing.Clip.Window, p.Events)
	case errors.Is(err, worker.ErrNoRecord), errors.Is(err, worker.ErrNoMaker):
		// An early version kept no track that can be read; the record stands.
	default:
		return err
	}
	return rm.page(w, http.StatusOK, page{Title: p.Hitter, Template: "swing", Script: "page-swing", At: "swings", Data: p})
}

// newFilmFacts lets the frames of the window be stepped to, which the time bar runs
// over.
func newFilmFacts(st *stages, window [2]int, events []eventLine) *filmFacts {
	fs := st.Track.Frames
	f := &filmFacts{First: max(window[0], fs[0].Index), Last: min(window[1]-1, fs[len(fs)-1].Index), Width: st.Track.Clip.Width, Height: st.Track.Clip.Height}
	f.Start = (f.First + f.Last) / 2
	for _, e := range events {
		if e.ID == string(phases.Contact) && e.Missing == "" {
			f.Start = min(max(e.Frame, f.First), f.Last)
		}
	}
	return f
}

// facts are what a reader should know before any number.
func facts(s metrics.Swing) (out []string) {
	out = append(out, words("facts.clip", s.Clip.Name, s.Clip.Frames))
	if s.Clip.Swings > 1 {
		out = append(out, words("row.which", s.Clip.Swing, s.Clip.Swings))
	}
	if s.Clock.Known {
		out = append(out, words("facts.clock", fmt.Sprintf("%.4g", s.Clock.CaptureFPS)))
	} else {
		out = append(out, word("facts.noclock"))
	}
	out = append(out, words("facts.view", spaced(string(s.Sighting.View)), string(s.Hand.Bats)))
	if s.Scale.PxPerIn > 0 {
		from := make([]string, len(s.Scale.Sources))
		for i, src := range s.Scale.Sources {
			from[i] = src.From
		}
		out = append(out, words("facts.scale", 100*s.Scale.SigmaRel, strings.Join(from, ", ")))
	}
	switch {
	case s.Timeline.Kind != phases.KindSwing:
		out = append(out, words("facts.kind", word("kind."+string(s.Timeline.Kind)), s.Timeline.Why))
	case s.Timeline.Result != "":
		out = append(out, words("facts.kind", word("result."+string(s.Timeline.Result)), s.Timeline.ResultWhy))
	}
	return out
}

func spaced(id string) string { return strings.ReplaceAll(id, "_", " ") }

// findings sorts the record's findings: what to work on first goes first.
func (p *swingPage) findings() {
	p.Found = slices.Clone(p.Swing.Findings)
	for i, f := range p.Found {
		if f.First {
			p.Found = slices.Insert(slices.Delete(p.Found, i, i+1), 0, f)
			p.First = &p.Found[0]
		}
	}
}

// LinkText is a link's value with its error bar.
func (p swingPage) LinkText(l metrics.Link) string {
	return metrics.Text(metrics.Result{Value: &l.Value, Low95: &l.Low95, High95: &l.High95, Unit: l.Unit})
}

// LinkLimit is a link's limit with its unit.
func (p swingPage) LinkLimit(l metrics.Link) string {
	return word("side."+string(l.Side)) + " " + metrics.Number(l.Limit, l.Unit)
}

// Percent is a share as a whole number.
func (p swingPage) Percent(share float64) int { return int(math.Round(100 * share)) }

func eventLines(s metrics.Swing) []eventLine {
	contact := math.NaN()
	for _, e := range s.Timeline.Events {
		if e.ID == phases.Contact && e.Found && s.Timeline.Timed {
			contact = e.Ms
		}
	}
	var out []eventLine
	for _, e := range s.Timeline.Events {
		l := eventLine{ID: string(e.ID), Name: word("event." + string(e.ID)), Rests: strings.Join(e.Evidence, ", ")}
		if !e.Found {
			l.Missing = cmp.Or(e.Reason, word("event.missing"))
			out = append(out, l)
			continue
		}
		l.Frame = int(math.Round(e.Frame))
		l.At = words("event.frame", e.Frame)
		if s.Timeline.Timed {
			l.At = words("event.ms", e.Ms, 1.96*e.SigmaMs)
			if !math.IsNaN(contact) {
				l.FromContact = strings.ReplaceAll(words("event.from", e.Ms-contact), "-", "\u2212")
			}
		}
		out = append(out, l)
	}
	return out
}

// glance is what a coach asks of a swing first (common practice, no source), in the order
// of the swing; all else is in the groups below.
var glance = []string{
	"base_width_toe_touch", "shoulder_tilt_toe_touch", "forearm_bat_angle_toe_touch", "hip_shoulder_separation_plant", "back_heel_lift_bat_parallel",
	"knob_path_contact", "head_forward_contact", "spine_tilt_contact", "bat_speed_contact", "attack_angle_contact",
	"contact_depth_contact", "timing_margin_contact", "launch_speed_contact", "launch_angle_contact",
}

// measures sorts the record's measures into groups, and apart what could not be
// measured. machine is the machine's version, which a corrected one is held against.
func (p *swingPage) measures(machine metrics.Swing) {
	for _, g := range metrics.Groups() {
		group := measureGroup{Name: word("group." + string(g))}
		for _, m := range p.Swing.Measures {
			d, ok := metrics.Lookup(m.ID)
			if !ok || d.Group != g {
				continue
			}
			l := newLine(m, d)
			if was, ok := machine.Find(m.ID); ok && p.As != nil && metrics.Text(was) != l.Text {
				l.Was = metrics.Text(was)
			}
			if m.Value == nil {
				p.Missing = append(p.Missing, l)
				continue
			}
			group.Lines = append(group.Lines, l)
			p.Values++
		}
		if len(group.Lines) > 0 {
			p.Groups = append(p.Groups, group)
		}
	}
	for _, id := range glance {
		for _, g := range p.Groups {
			if i := slices.IndexFunc(g.Lines, func(l measureLine) bool { return l.ID == id }); i >= 0 {
				p.Glance = append(p.Glance, g.Lines[i])
			}
		}
	}
}

func newLine(m metrics.Result, d metrics.Definition) measureLine {
	points := make([]string, len(m.Landmarks))
	for i, n := range m.Landmarks {
		points[i] = spaced(n)
	}
	l := measureLine{Result: m, Def: d, Name: d.Name, Text: metrics.Text(m), Picture: draw(m, d.UsefulSigma), Grade: word("grade." + string(m.Grade)),
		Against: against(m), Band: bandText(m.Band, m.Unit), Points: strings.Join(points, ", "), Marks: strings.Join(m.Landmarks, ",")}
	if m.Band != nil {
		l.Source = m.Band.Source
	}
	for _, e := range m.Events {
		l.Read = append(l.Read, eventLine{ID: string(e.ID), Name: word("event." + string(e.ID)), Frame: int(math.Round(e.Frame))})
	}
	if m.View != "" {
		l.How = word("how." + string(m.View))
	}
	return l
}

// stills are the pictures with lines that were drawn when the clip was measured.
func (rm *Room) stills(s stored) ([]still, error) {
	names, err := rm.Records.Files(s.JobID)
	if err != nil {
		return nil, err
	}
	var out []still
	for _, e := range phases.Events() {
		if slices.Contains(names, fmt.Sprintf("%d/%s.jpg", s.N, e)) {
			name := word("event." + string(e))
			out = append(out, still{Name: name, Src: s.Href() + "/still/" + string(e), Alt: words("still.alt", name)})
		}
	}
	return out, nil
}

// still sends one of them.
func (rm *Room) still(w http.ResponseWriter, r *http.Request) error {
	if !slices.Contains(phases.Events(), phases.EventID(r.PathValue("event"))) {
		return fmt.Errorf("%w: %s", errNotFound, r.URL.Path)
	}
	b, err := rm.Records.ReadFile(r.PathValue("job"), r.PathValue("n")+"/"+r.PathValue("event")+".jpg")
	if err != nil {
		return err
	}
	w.Header().Set("Content-Type", "image/jpeg")
	_, err = w.Write(b)
	return err
}

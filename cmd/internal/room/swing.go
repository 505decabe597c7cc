package room

import (
	"cmp"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"nightcage/metrics"
	"nightcage/phases"
	"nightcage/vision"
	"nightcage/worker"
)

// swingPage is what the page of a swing shows.
type swingPage struct {
	stored
	Hitter  string
	Facts   []string // what the clip is and how it was seen
	First   *metrics.Finding
	Found   []metrics.Finding // First first
	Events  []eventLine
	Bar     *timeBar // nil when no event was found
	Groups  []measureGroup
	Missing []measureLine
	Stills  []still
	Film    *filmFacts // nil when what the record was made from is gone
	Values  int        // measures with a value
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
	Picture *picture
	Grade   string
	Against string
	Band    string
	Source  string // of the band
	Points  string // landmarks it was read from
	Read    []eventLine
	How     string
}

type still struct {
	Name string
	Src  string
	Alt  string
}

// swing shows one swing.
func (rm *Room) swing(w http.ResponseWriter, r *http.Request) error {
	s, err := rm.record(r.PathValue("job"), r.PathValue("n"))
	if err != nil {
		return err
	}
	p := swingPage{stored: s, Hitter: cmp.Or(s.Swing.Subject.Hitter, word("hitter.unnamed")), Facts: facts(s.Swing),
		Events: eventLines(s.Swing), Bar: newTimeBar(s.Swing)}
	p.findings()
	p.measures()
	if p.Stills, err = rm.stills(s); err != nil {
		return err
	}
	st, err := rm.stages(s.JobID, s.N)
	switch {
	case err == nil:
		p.Film = newFilmFacts(st, p.Events)
	case errors.Is(err, worker.ErrNoRecord), errors.Is(err, worker.ErrNoMaker):
		// An early version kept no track that can be read; the record stands.
	default:
		return err
	}
	return rm.page(w, http.StatusOK, page{Title: p.Hitter, Template: "swing", Script: "page-swing", At: "swings", Data: p})
}

func newFilmFacts(st *stages, events []eventLine) *filmFacts {
	fs := st.Track.Frames
	f := &filmFacts{First: fs[0].Index, Last: fs[len(fs)-1].Index, Width: st.Track.Clip.Width, Height: st.Track.Clip.Height}
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
		out = append(out, words("facts.kind", spaced(string(s.Timeline.Result)), s.Timeline.ResultWhy))
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

// measures sorts the record's measures into groups, and apart what could not be
// measured.
func (p *swingPage) measures() {
	for _, g := range metrics.Groups() {
		group := measureGroup{Name: word("group." + string(g))}
		for _, m := range p.Swing.Measures {
			d, ok := metrics.Lookup(m.ID)
			if !ok || d.Group != g {
				continue
			}
			l := p.line(m, d)
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
}

func (p *swingPage) line(m metrics.Result, d metrics.Definition) measureLine {
	points := make([]string, len(m.Landmarks))
	for i, n := range m.Landmarks {
		points[i] = spaced(n)
	}
	l := measureLine{Result: m, Def: d, Name: d.Name, Text: metrics.Text(m), Picture: draw(m), Grade: word("grade." + string(m.Grade)),
		Against: against(m), Band: bandText(m.Band, m.Unit), Points: strings.Join(points, ", ")}
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

// frames sends the pictures of the reel that a frame is in: for each its length in
// four bytes, most significant first, 0 for one that did not decode, and its JPEG.
// Frame-Index says which frame the first is.
func (rm *Room) frames(w http.ResponseWriter, r *http.Request) error {
	reel, err := rm.reel(r)
	if err != nil {
		return err
	}
	w.Header().Set("Content-Type", "image/jpeg-reel")
	w.Header().Set("Frame-Index", strconv.Itoa(reel.key.first))
	for _, j := range reel.jpegs {
		if _, err = w.Write(binary.BigEndian.AppendUint32(nil, uint32(len(j)))); err == nil {
			_, err = w.Write(j)
		}
		if err != nil {
			return nil // the browser went away
		}
	}
	return nil
}

// frame sends one picture.
func (rm *Room) frame(w http.ResponseWriter, r *http.Request) error {
	reel, err := rm.reel(r)
	if err != nil {
		return err
	}
	i, _ := strconv.Atoi(r.PathValue("frame"))
	j := reel.jpegs[i-reel.key.first]
	if j == nil {
		return fmt.Errorf("%w: picture %d did not decode", errNotFound, i)
	}
	w.Header().Set("Content-Type", "image/jpeg")
	_, err = w.Write(j)
	return err
}

// reel finds the pictures around the frame that a request names.
func (rm *Room) reel(r *http.Request) (*reel, error) {
	s, err := rm.record(r.PathValue("job"), r.PathValue("n"))
	if err != nil {
		return nil, err
	}
	st, err := rm.stages(s.JobID, s.N)
	if err != nil {
		return nil, err
	}
	i, err := strconv.Atoi(r.PathValue("frame"))
	if err != nil || i < 0 || i >= len(st.Track.Clip.Times) {
		return nil, fmt.Errorf("%w: picture %q", errNotFound, r.PathValue("frame"))
	}
	path, err := rm.clipPath(r.Context(), s.JobID, st.Track.Clip.SHA256)
	if err != nil {
		return nil, err
	}
	return rm.film.reel(r.Context(), path, st.Track.Clip, i)
}

// marks is a track as the page draws it. Places are px of the clip, to a tenth.
type marks struct {
	First  int         `json:"first"` // index of Frames[0]
	Names  []string    `json:"names"` // of the body's points
	Lead   string      `json:"lead"`  // "left" or "right" side of the body toward the pitcher; "" when unknown
	Timed  bool        `json:"timed"`
	Ms     []float64   `json:"ms"`
	Frames []markFrame `json:"frames"`
}

type markFrame struct {
	Body []float64  `json:"b,omitempty"` // x, y of each point
	How  string     `json:"q,omitempty"` // one letter a point: what it rests on
	Head []float64  `json:"h,omitempty"` // x, y, radius
	Knob *placeMark `json:"k,omitempty"`
	Tip  *placeMark `json:"t,omitempty"`
	Ball *placeMark `json:"o,omitempty"`
}

type placeMark struct {
	X float64 `json:"x"`
	Y float64 `json:"y"`
	Q string  `json:"q"`
}

// howLetter is a mark's How in one letter; "-" for a mark that was not found.
func howLetter(h vision.How) string {
	if h == vision.HowNone {
		return "-"
	}
	return string(h[:1])
}

func tenth(v float64) float64 { return math.Round(v*10) / 10 }

func place(m vision.Mark) *placeMark {
	if !m.Found() {
		return nil
	}
	return &placeMark{tenth(m.X), tenth(m.Y), howLetter(m.How)}
}

// marks sends where body, bat and ball are in every frame.
func (rm *Room) marks(w http.ResponseWriter, r *http.Request) error {
	s, err := rm.record(r.PathValue("job"), r.PathValue("n"))
	if err != nil {
		return err
	}
	st, err := rm.stages(s.JobID, s.N)
	if err != nil {
		return err
	}
	return sendJSON(w, newMarks(st))
}

func newMarks(st *stages) marks {
	m := marks{First: st.Track.Frames[0].Index, Timed: st.Timeline.Timed}
	for l := range vision.NumLandmarks {
		m.Names = append(m.Names, vision.Landmark(l).String())
	}
	switch st.Track.Hand.Bats {
	case vision.SideRight:
		m.Lead = "left"
	case vision.SideLeft:
		m.Lead = "right"
	}
	for _, f := range st.Track.Frames {
		d := markFrame{Knob: place(f.Knob), Tip: place(f.Tip), Ball: place(f.Ball)}
		for _, b := range f.Body {
			d.Body = append(d.Body, tenth(b.X), tenth(b.Y))
			d.How += howLetter(b.How)
		}
		if f.Head.Found() {
			d.Head = []float64{tenth(f.Head.X), tenth(f.Head.Y), tenth(f.HeadRadiusPx)}
		}
		m.Frames = append(m.Frames, d)
		m.Ms = append(m.Ms, tenth(f.Ms))
	}
	return m
}

func sendJSON(w http.ResponseWriter, v any) error {
	b, err := json.Marshal(v)
	if err != nil {
		return err
	}
	w.Header().Set("Content-Type", "application/json")
	_, err = w.Write(b)
	return err
}

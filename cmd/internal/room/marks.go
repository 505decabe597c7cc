package room

import (
	"encoding/json"
	"math"
	"net/http"

	"nightcage/cmd/internal/room/correct"
	"nightcage/vision"
)

// marks is a track as the page draws it, with every picture from its first to its last.
// Places are px of the clip, to a tenth.
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
	// Between says that nobody looked at the picture: marks are those of vision.Track.At,
	// none where it has none.
	Between bool `json:"between,omitempty"`
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

// marks sends where body, bat and ball are in every picture.
func (rm *Room) marks(w http.ResponseWriter, r *http.Request) error {
	s, _, _, err := rm.version(r)
	if err != nil {
		return err
	}
	st, err := rm.stages(s.JobID, s.N)
	if err != nil {
		return err
	}
	track := st.Track
	if s.As != nil {
		if track, err = correct.Move(track, s.As.Places); err != nil {
			return err
		}
	}
	return sendJSON(w, newMarks(track, s.Swing.Timeline.Timed))
}

func newMarks(track vision.Track, timed bool) marks {
	m := marks{First: track.Frames[0].Index, Timed: timed}
	for l := range vision.NumLandmarks {
		m.Names = append(m.Names, vision.Landmark(l).String())
	}
	switch track.Hand.Bats {
	case vision.SideRight:
		m.Lead = "left"
	case vision.SideLeft:
		m.Lead = "right"
	}
	for index := m.First; index <= track.Frames[len(track.Frames)-1].Index; index++ {
		f, _ := track.At(index)
		_, looked := track.LookedAt(index)
		d := markFrame{Knob: place(f.Knob), Tip: place(f.Tip), Ball: place(f.Ball), Between: !looked}
		for _, b := range f.Body {
			d.Body = append(d.Body, tenth(b.X), tenth(b.Y))
			d.How += howLetter(b.How)
		}
		if f.Head.Found() {
			d.Head = []float64{tenth(f.Head.X), tenth(f.Head.Y), tenth(f.HeadRadiusPx)}
		}
		m.Frames = append(m.Frames, d)
		m.Ms = append(m.Ms, tenth(track.Clip.Times[index].Ms))
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

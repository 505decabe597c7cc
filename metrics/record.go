package metrics

import (
	"nightcage/phases"
	"nightcage/vision"
)

// SchemaVersion is the version of the record's shape. Within a major version
// fields are only added.
const SchemaVersion = "1.2"

// Status says whether a clip could be measured at all.
type Status string

// A record is of a measured clip, whose measures may each still be unavailable,
// or of one that failed.
const (
	StatusMeasured Status = "measured"
	StatusFailed   Status = "failed"
)

// Model names a network that the record rests on.
type Model = vision.Model

// Failure says why a clip could not be measured.
type Failure struct {
	Kind string `json:"kind"` // short, stable, snake case
	Text string `json:"text"` // for people
}

// Swing is the record of one clip: the data of its CloudEvent. It holds no path
// of any machine.
type Swing struct {
	SchemaVersion string          `json:"schema_version"`
	Pipeline      string          `json:"pipeline_version"`
	Vision        string          `json:"vision_version,omitempty"` // version that made the track, which may be older; absent before schema 1.2
	Models        []Model         `json:"models"`
	Status        Status          `json:"status"`
	Failure       *Failure        `json:"failure,omitempty"`
	Clip          ClipFacts       `json:"clip"`
	Clock         vision.Clock    `json:"clock"`
	Subject       vision.Subject  `json:"subject"`
	Hand          vision.Hand     `json:"hand"`
	Sighting      vision.Sighting `json:"sighting"`
	Scale         vision.Scale    `json:"scale"`
	Camera        *CameraFacts    `json:"camera"` // null without three dimensions
	Timeline      phases.Timeline `json:"timeline"`
	Measures      []Result        `json:"measures"`
	Findings      []Finding       `json:"findings"`             // cause chains that showed; see metrics/rules
	NotRaised     []NotRaised     `json:"not_raised,omitempty"` // those that were looked for and did not; absent before schema 1.2
	Rules         *RulesUsed      `json:"rules,omitempty"`      // absent before schema 1.2 and where nothing was measured
	Cautions      []string        `json:"cautions"`
	Notes         []string        `json:"notes"`
	Draws         int             `json:"draws"` // Monte Carlo draws behind the error bars
	Seed          uint64          `json:"seed"`  // of those draws
}

// ClipFacts is what a reader of the record needs to know of the clip.
type ClipFacts struct {
	Name        string  `json:"name"`
	SHA256      string  `json:"sha256"`
	Width       int     `json:"width"`
	Height      int     `json:"height"`
	RotationDeg int     `json:"rotation_deg"`
	Mirrored    bool    `json:"mirrored"`
	Codec       string  `json:"codec"`
	DurationMs  float64 `json:"duration_ms"` // presentation time
	Filmed      string  `json:"filmed,omitempty"`
	Frames      int     `json:"frames"`
	Lost        int     `json:"frames_lost"`     // listed but not decoded
	Repeats     int     `json:"frames_repeated"` // pictures equal to the one before
	Window      [2]int  `json:"window"`          // frames [first, end) looked at in full
	// Swing numbers this swing among the Swings that were found in the clip, from
	// 1 in order of time; 0 when none was.
	Swing  int `json:"swing,omitempty"`
	Swings int `json:"swings,omitempty"`
	// FromMs and ToMs are the capture times of the window's first and last
	// frame, the clip's first being 0; they only order where the clock is unknown.
	FromMs float64 `json:"from_ms"`
	ToMs   float64 `json:"to_ms"`
}

// CameraFacts is the solved camera.
type CameraFacts struct {
	DistanceIn float64  `json:"distance_in"` // from the middle of the stance, along the ground
	HeightIn   float64  `json:"height_in"`
	FocalPx    float64  `json:"focal_px"`
	From       []string `json:"from"`  // what set it
	Doubt      float64  `json:"doubt"` // of the solution's depth signs, 0..1
}

// ReadAt is an event that a measure was read at.
type ReadAt struct {
	ID      phases.EventID `json:"id"`
	Ms      float64        `json:"ms"`
	SigmaMs float64        `json:"sigma_ms"`
	Frame   float64        `json:"frame"`
}

// How says how a measure was read.
type How string

// Ways of reading.
const (
	HowSolved How = "solved" // from the three-dimensional solution
	HowPlanar How = "planar" // from the picture
	HowTimes  How = "times"  // from event times
)

// Result is one measure of one swing. Value, Sigma, Low95 and High95 are null
// when the grade is unavailable, and never otherwise.
type Result struct {
	ID         string   `json:"id"`
	Value      *float64 `json:"value"`
	Unit       string   `json:"unit"`
	UCUM       string   `json:"ucum"`
	Sigma      *float64 `json:"sigma"`  // standard uncertainty
	Low95      *float64 `json:"low95"`  // central 95 % coverage interval
	High95     *float64 `json:"high95"` //
	Grade      Grade    `json:"grade"`
	Reason     Reason   `json:"reason,omitempty"`
	ReasonText string   `json:"reason_text,omitempty"`
	Events     []ReadAt `json:"events"`
	Frames     *[2]int  `json:"frames"`    // first and last frame it was read from; null when none
	Landmarks  []string `json:"landmarks"` // the hitter's own left and right
	View       How      `json:"view,omitempty"`
	// Place says in words beside which part of the body a value lies, and from
	// which to which its interval reaches; of measures of where a ball was met.
	Place string `json:"place,omitempty"`
	Band  *Band  `json:"band"` // null where the literature gives none for the told sport and level
	// Calibration is what the drawn error bar was multiplied by; absent where no
	// calibration speaks of the measure. See Calibration.
	Calibration float64 `json:"calibration,omitempty"`
	// Budget is the share of each source in the drawn variance, before calibration.
	Budget map[SourceOfError]float64 `json:"budget,omitempty"`
}

// Find returns the measure with an id.
func (s *Swing) Find(id string) (Result, bool) {
	for _, r := range s.Measures {
		if r.ID == id {
			return r, true
		}
	}
	return Result{}, false
}

// Cautions are the sentences every record carries.
func Cautions() []string {
	return []string{
		"Numbers are estimates from one camera; read each with its error bar.",
		"This is not medical advice. Stop on pain and ask a licensed professional.",
		"More swings are not always better: a tired or growing hitter needs rest.",
		"Train with the equipment your league's rules ask for.",
		"Film and keep clips of a minor only with a guardian's consent.",
	}
}

// Failed makes the record of a clip that could not be measured.
func Failed(f Failure, clip vision.Clip, subject vision.Subject, o Options) Swing {
	s := newSwing(clip, subject, o)
	s.Status = StatusFailed
	s.Failure = &f
	for i := range s.Measures {
		s.Measures[i].ReasonText = f.Text
	}
	return s
}

func newSwing(clip vision.Clip, subject vision.Subject, o Options) Swing {
	facts := ClipFacts{Name: clip.Name, SHA256: clip.SHA256, Width: clip.Width, Height: clip.Height,
		RotationDeg: clip.RotationDeg, Mirrored: clip.Mirrored, Codec: clip.Codec, DurationMs: clip.DurationMs, Filmed: clip.Filmed, Frames: len(clip.Times)}
	for _, t := range clip.Times {
		if t.Lost {
			facts.Lost++
		}
		if t.Repeat {
			facts.Repeats++
		}
	}
	if subject.Bats == "" {
		subject.Bats = vision.SideUnknown
	}
	clock := clip.Clock
	if clock.Source == "" {
		clock.Source = vision.ClockUnknown
	}
	s := Swing{SchemaVersion: SchemaVersion, Pipeline: o.Pipeline, Models: o.Models, Status: StatusMeasured, Clip: facts,
		Clock: clock, Subject: subject, Hand: vision.Hand{Bats: vision.SideUnknown}, Sighting: vision.Sighting{View: vision.ViewUnknown},
		Timeline: phases.Timeline{Kind: phases.KindNone, Events: []phases.Event{}, Phases: []phases.Phase{}},
		Findings: []Finding{}, Cautions: Cautions(), Notes: []string{}, Draws: o.draws(), Seed: o.seed(clip)}
	if s.Models == nil {
		s.Models = []Model{}
	}
	for _, d := range Catalogue() {
		s.Measures = append(s.Measures, Result{ID: d.ID, Unit: d.Unit, UCUM: d.UCUM, Grade: GradeUnavailable, Reason: ReasonFailed,
			ReasonText: ReasonFailed.Words(), Events: []ReadAt{}, Landmarks: []string{}})
	}
	return s
}

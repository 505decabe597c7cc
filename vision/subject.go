package vision

// Side is a side of the body, or of the plate a hitter stands on.
type Side string

// Sides. SideUnknown asks for the side to be found from the picture.
const (
	SideLeft    Side = "left"
	SideRight   Side = "right"
	SideUnknown Side = "auto"
)

// Level is a level of play; it selects priors and reference bands.
type Level string

// Levels of play.
const (
	LevelYouth      Level = "youth"
	LevelHighSchool Level = "high-school"
	LevelCollege    Level = "college"
	LevelPro        Level = "pro"
)

// Levels lists every level, youngest first.
func Levels() []Level { return []Level{LevelYouth, LevelHighSchool, LevelCollege, LevelPro} }

// Sport is the game; reference bands belong to one.
type Sport string

// Sports.
const (
	SportBaseball Sport = "baseball"
	SportSoftball Sport = "softball"
)

// Sports lists every sport.
func Sports() []Sport { return []Sport{SportBaseball, SportSoftball} }

// BallFrom says where the ball came from. That no ball is found in a clip is no
// sign that there was none: only who filmed it knows a dry swing.
type BallFrom string

// Where a ball comes from.
const (
	FromPitch BallFrom = "pitch" // thrown, tossed or fed by a machine
	FromTee   BallFrom = "tee"
	FromNone  BallFrom = "none" // a dry swing: there was no ball
)

// BallsFrom lists every way.
func BallsFrom() []BallFrom { return []BallFrom{FromPitch, FromTee, FromNone} }

// Subject is what the person who submitted a clip knows about it. Zero values
// mean "not told".
type Subject struct {
	Hitter     string   `json:"hitter,omitempty"` // the team's own id or name for the hitter
	Team       string   `json:"team,omitempty"`
	HeightIn   float64  `json:"height_in,omitempty"`   // standing height without shoes, inches
	InseamIn   float64  `json:"inseam_in,omitempty"`   // inches
	BatIn      float64  `json:"bat_in,omitempty"`      // bat length, inches
	Bats       Side     `json:"bats"`                  // side of the plate; SideUnknown when not told
	CaptureFPS float64  `json:"capture_fps,omitempty"` // true capture rate, frames per second
	Level      Level    `json:"level,omitempty"`
	Sport      Sport    `json:"sport,omitempty"`
	Ball       BallFrom `json:"ball,omitempty"`   // where the ball came from
	Filmed     string   `json:"filmed,omitempty"` // when: a day, 2026-11-20, or an instant, RFC 3339
}

package vision

// Clip describes one video file as far as measuring needs to know it.
type Clip struct {
	Name          string      `json:"name"`                      // base name, for people; never a path
	SHA256        string      `json:"sha256"`                    // of the file's bytes, lower-case hex
	Width         int         `json:"width"`                     // px, upright
	Height        int         `json:"height"`                    // px, upright
	RotationDeg   int         `json:"rotation_deg"`              // clockwise turn that made the stored picture upright: 0, 90, 180, 270
	Mirrored      bool        `json:"mirrored"`                  // the stored picture was flipped left-right before that turn
	PixelAspect   float64     `json:"pixel_aspect,omitempty"`    // width of a stored point over its height, undone in the upright picture; 0: square
	FocalPx       float64     `json:"focal_px,omitempty"`        // focal length of the upright picture, px, from lens tags or a calibration; 0 when not known
	FocalSigmaRel float64     `json:"focal_sigma_rel,omitempty"` // its relative standard error; 0: that of a lens tag
	Codec         string      `json:"codec"`
	PixelFormat   string      `json:"pixel_format"`
	Transfer      string      `json:"transfer,omitempty"` // transfer characteristics, e.g. arib-std-b67 for HLG
	Filmed        string      `json:"filmed,omitempty"`   // the instant that the file says it was filmed at, RFC 3339; empty when it does not say
	DurationMs    float64     `json:"duration_ms"`        // presentation time from first frame to last
	FirstPTSMs    float64     `json:"first_pts_ms"`       // the container's presentation time of the first frame, which FrameTime.PTSMs counts from
	Clock         Clock       `json:"clock"`
	Times         []FrameTime `json:"times"`           // one per frame in decode order; index = frame index everywhere
	Notes         []string    `json:"notes,omitempty"` // what was odd about the file, in plain words
}

// FrameTime says when one frame was taken.
type FrameTime struct {
	PTSMs  float64 `json:"pts_ms"`           // container presentation time, first frame 0
	Ms     float64 `json:"ms"`               // capture time, mid-exposure, first frame 0
	Lost   bool    `json:"lost,omitempty"`   // listed by the container but did not decode
	Repeat bool    `json:"repeat,omitempty"` // picture equals the one before: no new information
}

// ClockSource names what a clip's capture rate was taken from.
type ClockSource string

// The sources of a capture clock, strongest claim first.
const (
	ClockJob        ClockSource = "job"        // a rate given with the job
	ClockTag        ClockSource = "tag"        // a capture-rate tag in the file
	ClockTimestamps ClockSource = "timestamps" // presentation times taken as capture times
	ClockUnknown    ClockSource = "unknown"    // repeated frames or a ramp: no durations can be had
)

// Clock relates presentation time to capture time.
type Clock struct {
	Known      bool        `json:"known"` // false: no speed and no duration may be reported
	Source     ClockSource `json:"source"`
	CaptureFPS float64     `json:"capture_fps"`        // frames per second of real time; 0 when unknown
	StoredFPS  float64     `json:"stored_fps"`         // median frame rate of the container
	SigmaRel   float64     `json:"sigma_rel"`          // relative standard error of durations
	Conflict   string      `json:"conflict,omitempty"` // two sources that disagree, in words
}

package phases

// EventID names an instant that a coach scrubs a clip to.
type EventID string

// The events, in the order in which a swing meets them. ForwardMove and
// HeelPlant may come in either order.
const (
	LoadStart     EventID = "load_start"     // first sustained rearward move of pelvis or hands beyond its own noise
	StrideStart   EventID = "stride_start"   // lead foot leaves the ground; absent for a no-stride hitter
	ToeTouch      EventID = "toe_touch"      // ball of the lead foot first meets the ground
	HeelPlant     EventID = "heel_plant"     // lead heel down, lead ankle at rest
	ForwardMove   EventID = "forward_move"   // hands start toward the ball for good
	BatParallel   EventID = "bat_parallel"   // seen from above, bat parallel to the batter's-box line, barrel toward the catcher
	Contact       EventID = "contact"        // bat and ball meet; of a swing and miss, where they would have (Timeline.Result)
	FullExtension EventID = "full_extension" // rear elbow straightest within 150 ms after contact
	Finish        EventID = "finish"         // bat speed falls below 15 % of its peak
)

// Events lists every event in swing order.
func Events() []EventID {
	return []EventID{LoadStart, StrideStart, ToeTouch, HeelPlant, ForwardMove,
		BatParallel, Contact, FullExtension, Finish}
}

// Event is one instant, placed between frames.
type Event struct {
	ID      EventID `json:"id"`
	Found   bool    `json:"found"`
	Reason  string  `json:"reason,omitempty"` // why it was not found
	Ms      float64 `json:"ms"`               // capture time as in vision.Frame.Ms
	Frame   float64 `json:"frame"`            // fractional frame index into Clip.Times; holds even when the clock is unknown
	SigmaMs float64 `json:"sigma_ms"`         // standard error, never below what the frame spacing allows; 0 when the clock is unknown (Timeline.Timed false)
	// SigmaFrames is the same standard error in frames of Clip.Times; it holds
	// even when the clock is unknown.
	SigmaFrames float64  `json:"sigma_frames"`
	Confidence  float64  `json:"confidence"` // 0..1
	Evidence    []string `json:"evidence"`   // what placed it, e.g. "lead toe height", "view from the side"
}

// PhaseID names a stretch between events.
type PhaseID string

// The phases, in order, after the stance.
const (
	PhaseStance  PhaseID = "stance"
	PhaseLoad    PhaseID = "load"
	PhaseStride  PhaseID = "stride"
	PhasePlant   PhaseID = "plant"
	PhaseTurn    PhaseID = "turn"
	PhaseContact PhaseID = "contact"
	PhaseFinish  PhaseID = "finish"
)

// Phase is a stretch of the swing.
type Phase struct {
	ID      PhaseID `json:"id"`
	From    EventID `json:"from"`
	To      EventID `json:"to"`
	FromMs  float64 `json:"from_ms"`
	ToMs    float64 `json:"to_ms"`
	SigmaMs float64 `json:"sigma_ms"` // standard error of the duration
}

// Kind says what sort of swing the clip shows.
type Kind string

// Kinds of swing. Only KindSwing has a contact.
const (
	KindSwing Kind = "swing"
	KindTake  Kind = "take"
	KindCheck Kind = "check"
	KindBunt  Kind = "bunt"
	KindNone  Kind = "none" // no swing in the clip
)

// Kinds lists every kind.
func Kinds() []Kind { return []Kind{KindSwing, KindTake, KindCheck, KindBunt, KindNone} }

// Result says what a full swing did to the ball.
type Result string

// Results of a swing. A miss still has a contact event: the time at which the
// bat was where balls are met, near square and at the ball's depth, so that
// the swing can be measured there; its evidence says so.
const (
	ResultHit     Result = "hit"      // the bat met the ball and sent it off, fair or foul
	ResultFoulTip Result = "foul_tip" // the bat touched the ball, which went on toward the catcher
	ResultMiss    Result = "miss"     // the ball went by
	ResultUnknown Result = "unknown"  // it was not seen, or not well enough to tell
)

// Results lists every result.
func Results() []Result { return []Result{ResultHit, ResultFoulTip, ResultMiss, ResultUnknown} }

// Timeline is what phases finds in a Track.
type Timeline struct {
	Kind Kind `json:"kind"`
	// Result is set for KindSwing and empty for every other kind; ResultWhy is
	// the evidence for it.
	Result    Result `json:"result,omitempty"`
	ResultWhy string `json:"result_why,omitempty"`
	// Timed is false when the capture clock is unknown: Ms then only orders
	// events, no duration may be formed from it, and every SigmaMs is 0.
	Timed  bool    `json:"timed"`
	Why    string  `json:"why"`    // the evidence for Kind
	Events []Event `json:"events"` // one per id of Events(), in that order, found or not
	Phases []Phase `json:"phases"` // those whose two ends were found
}

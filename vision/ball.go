package vision

// BallKind is how the ball came to the hitter.
type BallKind string

// Kinds. A thrown, tossed or machine-fed ball is pitched; BallBatted was seen
// only on its way from the bat.
const (
	BallNone    BallKind = "none"    // no ball was found; Why says what was seen instead
	BallPitched BallKind = "pitched" // seen on its way in
	BallTee     BallKind = "tee"     // lay still until it was hit
	BallBatted  BallKind = "batted"  // first seen on its way off the bat
)

// BallEnd is what became of the ball when it came to the hitter.
type BallEnd string

// Ends.
const (
	BallMet    BallEnd = "met"    // turned by the bat: MeetMs says when
	BallPassed BallEnd = "passed" // flew on in the same direction: missed or taken
	BallLost   BallEnd = "lost"   // last seen on its way in
)

// BallFlight is the flight of the one ball of the swing. Places and directions
// are in px of the first tracked frame (Frame.Shift applied).
type BallFlight struct {
	Kind BallKind `json:"kind"`
	End  BallEnd  `json:"end,omitempty"` // empty when Kind is BallNone
	Why  string   `json:"why,omitempty"` // why there is no ball, or no meeting, in plain words

	// Met: where and when the ball's way in and its way out cross, from the
	// ball alone. For a tee: when the way out leaves the tee or, less surely,
	// when the ball was found gone. MeetSigmaMs is 0 when neither could be
	// told; then the other three mean nothing. The ball touches the bat for
	// 0.7 ms, which is not in MeetSigmaMs.
	MeetMs      float64 `json:"meet_ms,omitempty"`
	MeetSigmaMs float64 `json:"meet_sigma_ms,omitempty"`
	MeetX       float64 `json:"meet_x,omitempty"`
	MeetY       float64 `json:"meet_y,omitempty"`

	In  *BallLine `json:"in,omitempty"`  // the way in; nil when not seen (always for a tee)
	Out *BallLine `json:"out,omitempty"` // the way off the bat; nil when not seen
}

// BallLine is one stretch of the ball's flight in the picture, read at the end
// nearest the bat. Speeds are apparent: what the picture shows, which is less
// than the true speed wherever the ball also moves toward or away from the
// camera.
type BallLine struct {
	First int `json:"first"` // index of the first frame it was seen in
	Last  int `json:"last"`  // index of the last
	Seen  int `json:"seen"`  // frames it was seen in

	Ms      float64 `json:"ms"`       // capture time of what follows: contact, or the sight nearest the bat
	X       float64 `json:"x"`        // px
	Y       float64 `json:"y"`        // px
	SigmaPx float64 `json:"sigma_px"` // of X and Y, along either axis

	// Direction of motion at Ms, degrees: 0 along the picture's x axis, either
	// way, positive upward; so a pitch that comes down has a negative angle and
	// a ball hit upward a positive one.
	AngleDeg      float64 `json:"angle_deg"`
	AngleSigmaDeg float64 `json:"angle_sigma_deg"`
	Right         bool    `json:"right"` // moves toward greater x

	SpeedPxS      float64 `json:"speed_px_s"` // apparent speed at Ms, px per second of capture time
	SpeedSigmaPxS float64 `json:"speed_sigma_px_s"`

	// How fast the ball nears the camera, as a share of its distance, per
	// second at Ms; negative when it goes away. From how its apparent speed
	// changes.
	NearingPerS      float64 `json:"nearing_per_s"`
	NearingSigmaPerS float64 `json:"nearing_sigma_per_s"`

	// RadiusPx is the ball's radius in the picture near Ms: the median over the
	// sights there. A ball lit from one side looks smaller than it is, so it is
	// no measure of scale better than RadiusSigmaPx.
	RadiusPx      float64 `json:"radius_px"`
	RadiusSigmaPx float64 `json:"radius_sigma_px"`
}

package vision

// Landmark indexes Frame.Body and Pose3.Body. Sides are the hitter's own.
type Landmark int

// The body landmarks. Hand is the middle of the fist, Toe the front of the
// shoe, Heel its back.
const (
	Nose Landmark = iota
	LeftEye
	RightEye
	LeftEar
	RightEar
	LeftShoulder
	RightShoulder
	LeftElbow
	RightElbow
	LeftWrist
	RightWrist
	LeftHand
	RightHand
	LeftHip
	RightHip
	LeftKnee
	RightKnee
	LeftAnkle
	RightAnkle
	LeftHeel
	RightHeel
	LeftToe
	RightToe
	NumLandmarks int = iota
)

// How says what a mark's position rests on.
type How string

// Ways a mark is found.
const (
	HowNone    How = ""        // not found; the other fields mean nothing
	HowNetwork How = "network" // a network saw it in this frame
	HowEdges   How = "edges"   // line or blur-fan evidence in this frame
	HowFlow    How = "flow"    // carried from a neighbouring frame by optical flow
	HowModel   How = "model"   // from neighbouring frames and constraints alone
	HowHand    How = "hand"    // set by a person
)

// Mark is an image point with its uncertainty.
type Mark struct {
	X       float64 `json:"x"`        // px
	Y       float64 `json:"y"`        // px
	SigmaPx float64 `json:"sigma_px"` // standard error along either axis, px; > 0 when found
	Seen    float64 `json:"seen"`     // 0..1, how likely the point is in plain view
	How     How     `json:"how,omitempty"`
}

// Found reports whether the mark has a position at all.
func (m Mark) Found() bool { return m.How != HowNone }

// Box is an axis-aligned rectangle in px.
type Box struct {
	X0, Y0, X1, Y1 float64
}

// Frame is what was found in one frame of the clip.
type Frame struct {
	Index            int     `json:"index"`            // into Clip.Times
	Ms               float64 `json:"ms"`               // Clip.Times[Index].Ms
	Body             []Mark  `json:"body,omitempty"`   // NumLandmarks long, or empty when no body was looked for or found
	World            []Vec3  `json:"world,omitempty"`  // the pose network's own 3-D guess, metres, hip-centred, x right y down z away from the camera; NumLandmarks long or empty
	Relief           *Relief `json:"relief,omitempty"` // nil where the network that sees depth did not look
	Head             Mark    `json:"head"`             // centre of the skull
	HeadRadiusPx     float64 `json:"head_radius_px,omitempty"`
	Knob             Mark    `json:"knob"`                          // end of the knob, on the bat's axis
	Tip              Mark    `json:"tip"`                           // end of the barrel, on the bat's axis
	BatAngleSigmaDeg float64 `json:"bat_angle_sigma_deg,omitempty"` // of the image direction knob -> tip
	Ball             Mark    `json:"ball"`
	Shift            Affine  `json:"shift"` // takes this frame's px to the first tracked frame's px, following the still background
}

// Affine is x' = A*x + B*y + TX, y' = C*x + D*y + TY. The zero value means
// "not measured" and is to be read as the identity.
type Affine struct {
	A, B, C, D, TX, TY float64
	SigmaPx            float64 // standard error of the displaced point near the hitter
}

// Apply maps a point.
func (a Affine) Apply(x, y float64) (float64, float64) {
	if a.Unmeasured() {
		return x, y
	}
	return a.A*x + a.B*y + a.TX, a.C*x + a.D*y + a.TY
}

// Undo is the inverse of Apply. A camera's motion can always be undone; for a
// map that cannot, the result is not finite.
func (a Affine) Undo(x, y float64) (float64, float64) {
	if a.Unmeasured() {
		return x, y
	}
	x, y = x-a.TX, y-a.TY
	det := a.A*a.D - a.B*a.C
	return (a.D*x - a.B*y) / det, (a.A*y - a.C*x) / det
}

// Unmeasured reports whether a is the zero map, which says that the motion is not
// known.
func (a Affine) Unmeasured() bool { return a.A == 0 && a.B == 0 && a.C == 0 && a.D == 0 }

// View is where the camera stands.
type View string

// Views. Open side: the camera sees the hitter's chest (from the first-base
// side for a right-handed hitter); closed side: the back; rear: behind the
// catcher; front: from the pitcher.
const (
	ViewOpenSide   View = "open_side"
	ViewClosedSide View = "closed_side"
	ViewRear       View = "rear"
	ViewFront      View = "front"
	ViewUnknown    View = "unknown"
)

// Sighting is the camera's place relative to the hitter.
type Sighting struct {
	View View `json:"view"`
	// YawDeg is the angle, seen from above, of the camera's place around the
	// hitter: 0 straight out along +Z (square open side), +90 toward the
	// pitcher (front), -90 toward the catcher (rear), 180 behind the back.
	YawDeg     float64 `json:"yaw_deg"`
	SigmaDeg   float64 `json:"sigma_deg"`
	Confidence float64 `json:"confidence"`
}

// Hand is the side the hitter bats from.
type Hand struct {
	Bats       Side    `json:"bats"`       // SideLeft or SideRight; SideUnknown when it cannot be told
	Confidence float64 `json:"confidence"` // 0..1
	From       string  `json:"from"`       // "job" or the evidence
}

// Lead returns the landmark of the pair on the hitter's lead (pitcher's) side,
// Rear the other one, given the left-side member of the pair.
func (h Hand) Lead(left Landmark) Landmark {
	if h.Bats == SideLeft {
		return left + 1
	}
	return left
}

// Rear returns the landmark of the pair on the catcher's side.
func (h Hand) Rear(left Landmark) Landmark {
	if h.Bats == SideLeft {
		return left
	}
	return left + 1
}

// ScaleSource is one thing of known size that set the scale.
type ScaleSource struct {
	From     string  `json:"from"`      // "height", "bat", "plate", "ball", "prior"
	PxPerIn  float64 `json:"px_per_in"` // at the hitter's body
	SigmaRel float64 `json:"sigma_rel"` // relative standard error
}

// Scale is pixels per inch at the hitter's body (the plane of the hips in
// stance). It is not the scale at the barrel: see Solution.
type Scale struct {
	PxPerIn  float64       `json:"px_per_in"` // 0: unknown
	SigmaRel float64       `json:"sigma_rel"`
	Sources  []ScaleSource `json:"sources,omitempty"`
}

// Model names a network by the hash of its weights.
type Model struct {
	Name   string `json:"name"`
	SHA256 string `json:"sha256"` // lower-case hex
}

// Maker is the code and the networks that made a Track.
type Maker struct {
	Version string  `json:"version"` // analysis.VisionVersion
	Models  []Model `json:"models"`
}

// Track is everything vision found in one swing of a clip. Its slices belong
// to the caller; no stage changes the Track it was given.
type Track struct {
	Clip    Clip    `json:"clip"`
	Subject Subject `json:"subject"`
	Window  [2]int  `json:"window"` // frame indices [first, end) looked at in full
	// Frames are the pictures looked at, ascending in Index: every one about the swing,
	// some 60 a second elsewhere in Window. At tells what is known of those between.
	Frames   []Frame   `json:"frames"`
	Hand     Hand      `json:"hand"`
	Sighting Sighting  `json:"sighting"`
	Scale    Scale     `json:"scale"`
	Solution *Solution `json:"solution,omitempty"` // nil when three dimensions could not be had; then Unsolved says why
	Unsolved string    `json:"unsolved,omitempty"`
	// Ball is the ball's flight; nil when no ball was looked for. Frame.Ball
	// has its places: HowEdges where it was seen, HowModel where it was
	// hidden between two sights or beside the bat.
	Ball *BallFlight `json:"ball,omitempty"`
	// Sounds are the sharp onsets heard while Frames were taken, in order of
	// time. Unheard says why there was no listening; with neither, it was quiet.
	Sounds  []Sound `json:"sounds,omitempty"`
	Unheard string  `json:"unheard,omitempty"`
	// Ground is what was seen of plate, lines and posts; nil when nobody looked.
	Ground *Ground  `json:"ground,omitempty"`
	Notes  []string `json:"notes,omitempty"` // things a reader of the record should know, in plain words
	// Swing numbers this swing among the Swings that were found in the clip, from
	// 1 in order of time; both are 0 in a track of no clip.
	Swing  int    `json:"swing,omitempty"`
	Swings int    `json:"swings,omitempty"`
	Maker  *Maker `json:"maker,omitempty"` // nil in a track that was not made from a clip
}

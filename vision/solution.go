package vision

// Vec3 is a point or direction in three dimensions; its holder says which frame.
type Vec3 struct {
	X, Y, Z float64
}

// Point3 is a place in the swing frame with its per-frame uncertainty.
// What all frames share (scale, camera turn) is in Solution, not here.
type Point3 struct {
	Vec3
	SX, SY, SZ float64 // standard errors, inches, independent from frame to frame
	Valid      bool
}

// Pose3 is body and bat in one frame, swing frame, inches.
type Pose3 struct {
	Body []Point3 // NumLandmarks long, or empty

	// Other is where elbow and wrist of a bent arm lie by its other reading: an
	// elbow before or behind the line from shoulder to hand looks the same in a
	// picture. Empty where the arm can be read in one way only. Standard errors
	// of Body and of Other are those within their reading.
	Other []OtherPlace

	// How the errors of the two hips, and of the two shoulders, hang together.
	// Not valid where nobody fitted the line between them: their errors are then
	// independent.
	HipLine, ShoulderLine LineError

	Head      Point3 // centre of the skull
	Knob, Tip Point3

	// Velocities of knob and tip in inches per second, as the solver's own
	// smooth path has them: better than differences of the places, whose errors
	// it knows to be correlated. Where the path has a kink (the bat slowed by
	// the ball) they belong to the side before it. Their standard errors hold
	// all but ScaleSigmaRel, BatScaleSigmaRel, YawSigmaDeg and TiltSigmaDeg. Not
	// valid where nobody fitted a path (hand-made and truth solutions).
	KnobVelocity, TipVelocity Point3
}

// LineError is how sure the line across a body is, from hip to hip or from shoulder
// to shoulder. An end's error is its middle's, what the turn makes of half the
// line, and its rise's; the standard errors of its Point3 add them up.
type LineError struct {
	SX, SY, SZ float64 // standard errors of the middle, inches
	TurnRad    float64 // of the heading about the vertical, radians
	RiseIn     float64 // of the height of an end over the middle, inches
	Valid      bool
}

// OtherPlace is a landmark by the reading of its arm that Body does not take.
type OtherPlace struct {
	Landmark Landmark
	Place    Point3
	// Weight is the chance, 0 to 0.5, that this reading is the true one. It is
	// one for the whole arm and changes slowly: over a swing the arm is read one
	// way or the other, so a Monte Carlo draw takes one number per arm, even over
	// 0 to 1, and Other in the frames whose Weight exceeds it.
	Weight float64
}

// Camera is a pinhole camera. A swing-frame point p projects to
// (Fx*c.X/c.Z + CX, Fx*c.Y/c.Z + CY) where c = R*p + T, c.Z > 0 away from the
// camera. For a left-handed hitter R includes the mirror.
type Camera struct {
	FocalPx                                                    float64
	CX, CY                                                     float64
	R                                                          [9]float64 // row-major
	T                                                          Vec3       // inches
	Centre                                                     Vec3       // camera's place in the swing frame, inches
	FocalSigmaRel, DistanceSigmaRel, TiltSigmaDeg, YawSigmaDeg float64
	From                                                       []string // what set it: "plate", "box lines", "posts", "ground" (the feet on it), "ball", "height", "bat", "lens", "prior"
}

// Solution is the swing in three dimensions.
type Solution struct {
	Camera Camera
	Frames []Pose3 // same length and order as Track.Frames

	// Errors shared by every frame of the swing, to be added to what the
	// per-frame errors give.
	ScaleSigmaRel float64 // all lengths and speeds scale together

	// BatScaleSigmaRel is ScaleSigmaRel for the barrel's places and speeds
	// relative to the body around its fastest frame. The barrel is nearer the
	// camera (or further) than the body, so focal length and distance enter; use
	// the larger of the two for the bat.
	BatScaleSigmaRel float64

	// BodyDepthSigmaIn is how far the whole body may lie nearer or further along
	// the line of sight, inches; it cancels between joints. BatDepthSigmaIn is the
	// same for the bat.
	BodyDepthSigmaIn, BatDepthSigmaIn float64

	YawSigmaDeg  float64 // the whole swing turns about the vertical
	TiltSigmaDeg float64 // the whole swing tips in the picture plane

	// Impact is where the ball slowed the bat, as far as the bat's path or the
	// ball's turn shows; nil when neither does. See solve.VelocityAt.
	Impact *Impact

	// Doubt is how nearly the best solution with another choice of depth signs
	// fits: 0 not at all, 1 as well as the chosen one.
	Doubt float64
	Notes []string
}

// Impact is a kink in the bat's path.
type Impact struct {
	Ms       float64 // capture time
	LossRel  float64 // share of its turn rate that the bat loses there
	FromBall bool    // Ms comes from the ball's marks, not from the bat's
}

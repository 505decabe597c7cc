package vision

// Sound is one sharp onset on the clip's sound track: a bat's crack, a mitt's
// pop, a clap.
type Sound struct {
	// Ms is the capture time at which it reached the microphone. Sound takes
	// some 3 ms for a yard, which is not taken off.
	Ms float64 `json:"ms"`
	// SigmaMs is the standard error of Ms against the pictures, so it holds how
	// well the camera keeps sound and picture in step.
	SigmaMs float64 `json:"sigma_ms"`
	// Strength is how far it stands out of what was heard before it, dB, in the
	// weaker of two bands.
	Strength float64 `json:"strength_db"`
}

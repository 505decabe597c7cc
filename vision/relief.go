package vision

// Relief is how deep the parts of a body lie in one frame, and where the lines of
// hips and shoulders head, as a network sees it. Axes are the camera's: x right and
// y down in the picture, z away along the ray to the middle of the hips. Errors are
// Student-t of 4 degrees of freedom with the scale given. Left and right are the
// hitter's as this network tells them, whatever the marks of the frame have.
type Relief struct {
	Hips      Heading               `json:"hips"`
	Shoulders Heading               `json:"shoulders"`
	Depths    [NumDepths]DepthGuess `json:"depths"`
}

// Heading is the direction of a line from the hitter's right joint to the left one.
type Heading struct {
	Dir      Vec3    `json:"dir"`       // unit vector
	ScaleRad float64 `json:"scale_rad"` // of the error of atan2(Dir.Z, Dir.X), radians
}

// DepthGuess is one difference of depths, in standing heights, with the scale of its
// error.
type DepthGuess struct {
	Z     float64 `json:"z"`
	Scale float64 `json:"scale"`
}

// Depth indexes Relief.Depths. Sides are the hitter's own.
type Depth int

// The differences of depth: positive where the first named lies further from the
// camera.
const (
	LeftKneeHip        Depth = iota // knee against hip
	RightKneeHip                    //
	LeftAnkleKnee                   // ankle against knee
	RightAnkleKnee                  //
	LeftWristShoulder               // wrist against shoulder
	RightWristShoulder              //
	LeftElbowArm                    // elbow against the middle of shoulder and wrist
	RightElbowArm                   //
	LeftToeHeel                     // toe against heel
	RightToeHeel                    //
	ShouldersHips                   // middle of the shoulders against that of the hips
	HeadShoulders                   // centre of the skull against the middle of the shoulders
	AnkleAnkle                      // left ankle against right
	NumDepths          int   = iota
)

package vision

import "fmt"

var landmarkNames = [NumLandmarks]string{"nose", "left_eye", "right_eye", "left_ear", "right_ear",
	"left_shoulder", "right_shoulder", "left_elbow", "right_elbow", "left_wrist", "right_wrist",
	"left_hand", "right_hand", "left_hip", "right_hip", "left_knee", "right_knee",
	"left_ankle", "right_ankle", "left_heel", "right_heel", "left_toe", "right_toe"}

// String returns the landmark's snake-case name, e.g. "left_shoulder".
func (l Landmark) String() string {
	if l < 0 || int(l) >= NumLandmarks {
		return fmt.Sprintf("landmark(%d)", int(l))
	}
	return landmarkNames[l]
}

package analysis

import (
	"fmt"
	"math"

	"nightcage/phases"
	"nightcage/vision"
	"nightcage/vision/clip"
)

// doubtClock asks whether the swing that was followed can be a person's by the
// clip's clock. If not, it returns the clip with its clock withdrawn and its times
// at about the swing's own pace, to be followed anew: a bat looked for at an
// eighth of its speed is not found well.
//
// A capture rate told with the job or by the camera is believed when it makes a
// swing slow, for drills are; nobody swings faster than people can.
func doubtClock(track vision.Track) (c vision.Clip, doubted bool, err error) {
	c = track.Clip
	tempo, ok, err := phases.SwingTempo(track)
	if err != nil || !ok {
		return c, false, err
	}
	why, slower := "", tempo.Slower*c.Clock.CaptureFPS/c.Clock.StoredFPS
	switch told := c.Clock.Source != vision.ClockTimestamps; {
	case tempo.Pace == phases.TooSlow && !told:
		slower = likelyRate(tempo.Slower*c.Clock.StoredFPS) / c.Clock.StoredFPS
		looks := "the clip looks"
		if tempo.Frames[1]-tempo.Frames[0] < len(c.Times) {
			looks = "the clip plays at two paces and the swing looks"
		}
		// Seen at the wrong pace the bat is lost at times, so the factor is rough; a
		// coach who takes it for the answer would put every speed wrong.
		why = fmt.Sprintf("%s like slow motion, some %.0f times slower than real time or more: %s; give the rate that it was filmed at with the job (phones mostly say 120 or 240 frames per second)", looks, slower, tempo.Doubt)
	case tempo.Pace == phases.TooFast && told:
		why = fmt.Sprintf("the capture rate of %.4g frames per second cannot be right: %s", c.Clock.CaptureFPS, tempo.Doubt)
	case tempo.Pace == phases.TooFast:
		why = "the clip looks speeded up: " + tempo.Doubt
	default:
		return c, false, nil
	}
	return clip.Unclocked(c, slower, tempo.Frames, why), true, nil
}

// likelyRate is the rate, of those that cameras offer for slow motion, nearest
// in ratio to fps.
func likelyRate(fps float64) float64 {
	best := 60.0
	for _, rate := range []float64{120, 240, 480, 960} {
		if math.Abs(math.Log(rate/fps)) < math.Abs(math.Log(best/fps)) {
			best = rate
		}
	}
	return best
}

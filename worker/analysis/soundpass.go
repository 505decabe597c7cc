package analysis

import (
	"context"
	"errors"
	"math"

	"nightcage/vision"
	"nightcage/vision/clip"
	"nightcage/vision/sound"
)

const (
	// syncMs is how far a phone's sound may run before or after its pictures:
	// both get the same clock, but what the microphone's chain holds back is
	// taken off by a nominal amount (common practice, no source).
	syncMs = 10
	// travelMs is how much longer than the pictures is listened: sound takes it
	// for some 20 yards.
	travelMs = 60
	// sameTime is how far capture and presentation time may differ in pace for
	// the sound to be of that time: as far as two names of one rate do.
	sameTime = 0.02
)

// addSounds fills the sharp sounds heard while the track's frames were taken,
// or why there was no listening. It fails only when ctx ends: a swing can be
// measured without its sound.
func addSounds(ctx context.Context, path string, track *vision.Track) error {
	c := track.Clip
	if track.Unheard = deaf(c); track.Unheard != "" {
		return nil
	}
	first, last := track.Frames[0], track.Frames[len(track.Frames)-1]
	from := c.Times[first.Index]
	heard, err := clip.Sound(ctx, c, path, from.PTSMs, c.Times[last.Index].PTSMs+travelMs)
	if err != nil {
		if ctx.Err() != nil {
			return err
		}
		for _, why := range []error{clip.ErrNoSound, clip.ErrNoFFmpeg} {
			if errors.Is(err, why) {
				track.Unheard = why.Error()
				return nil
			}
		}
		track.Unheard = clip.ErrBadSound.Error()
		return nil
	}
	onsets, err := sound.Onsets(heard.Samples, clip.SoundRate)
	if err != nil {
		return wrap(c, "find the sound of the bat", err)
	}
	pace := pace(c)
	for _, o := range onsets {
		track.Sounds = append(track.Sounds, vision.Sound{Ms: from.Ms + pace*(heard.FirstMs+o.Ms-from.PTSMs),
			SigmaMs: math.Hypot(o.SigmaMs, syncMs), Strength: o.Strength})
	}
	return nil
}

// deaf says why a clip's sound is not of the same time as its pictures, "" when
// it is.
func deaf(c vision.Clip) string {
	if !c.Clock.Known {
		return "the clip's clock is not known, so its sound tells no time"
	}
	if math.Abs(pace(c)-1) > sameTime {
		return "slow motion: its sound, if it has any, was not stretched like the pictures"
	}
	return ""
}

// pace is capture time per presentation time.
func pace(c vision.Clip) float64 {
	last := c.Times[len(c.Times)-1]
	if !(last.PTSMs > 0) {
		return 1
	}
	return last.Ms / last.PTSMs
}

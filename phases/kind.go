package phases

import (
	"fmt"
	"math"
)

// kind tells a swing from a take, a check, a bunt and a clip without any of
// them, by how far and how fast the bat turns.
func (r *reading) kind(b batPath) (Kind, string) {
	if b.axis.x.len() < minFrames {
		return KindNone, fmt.Sprintf("the bat was seen in only %d frames", b.axis.x.len())
	}
	top := 0.0
	for i, v := range b.turn.x {
		if v > 4*b.turn.sd[i] {
			top = math.Max(top, v)
		}
	}
	if top*180/math.Pi < 600 && r.timed {
		return KindNone, fmt.Sprintf("the bat never turns faster than %.0f deg/s", top*180/math.Pi)
	}
	return KindSwing, fmt.Sprintf("the bat turns at up to %.0f deg/s", top*180/math.Pi)
}

// withoutSwing reports the ground events that a take or check still has.
func (r *reading) withoutSwing(kind Kind, why string, b batPath) Timeline {
	found := map[EventID]finding{}
	for _, id := range Events() {
		found[id] = missing("%s: %s", kind, why)
	}
	return r.timeline(kind, why, found)
}

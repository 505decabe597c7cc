package phases

import "fmt"

// ByHand is tl with events as a person set them; the others stay, and the phases
// are those between the events as they are now. tl is left as it is. What was found
// of the swing as a whole (kind, result) does not change.
//
// The error is about an event whose id is none of Events(), or a contact in what is
// no full swing.
func ByHand(tl Timeline, set []Event) (Timeline, error) {
	out := tl
	out.Events = append([]Event(nil), tl.Events...)
	at := map[EventID]Event{}
	where := map[EventID]int{}
	for i, e := range out.Events {
		at[e.ID], where[e.ID] = e, i
	}
	for _, e := range set {
		i, ok := where[e.ID]
		if !ok {
			return tl, fmt.Errorf("set event %q: no such event", e.ID)
		}
		if e.ID == Contact && e.Found && tl.Kind != KindSwing {
			return tl, fmt.Errorf("set event %q: a %s has no contact", e.ID, tl.Kind)
		}
		out.Events[i], at[e.ID] = e, e
	}
	out.Phases = phasesBetween(at, tl.Timed)
	return out, nil
}

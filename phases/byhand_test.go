package phases

import (
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestByHand(t *testing.T) {
	tl := Timeline{Kind: KindSwing, Timed: true}
	for i, id := range Events() {
		tl.Events = append(tl.Events, Event{ID: id, Found: true, Ms: float64(100 * i), Frame: float64(10 * i), SigmaMs: 3})
	}
	before := cmp.Diff(tl, Timeline{})
	got, err := ByHand(tl, []Event{{ID: Contact, Found: true, Ms: 640, Frame: 64, SigmaMs: 4}, {ID: StrideStart, Reason: "by hand: no stride"}})
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(tl, Timeline{}); diff != before {
		t.Error("the timeline that was given has changed")
	}
	// The turn ends at the new contact, with both ends' errors: 3-4-5. Load and
	// stride have lost an end.
	want := []Phase{
		{ID: PhasePlant, From: ToeTouch, To: HeelPlant, FromMs: 200, ToMs: 300, SigmaMs: got.Phases[0].SigmaMs},
		{ID: PhaseTurn, From: HeelPlant, To: Contact, FromMs: 300, ToMs: 640, SigmaMs: 5},
		{ID: PhaseContact, From: Contact, To: FullExtension, FromMs: 640, ToMs: 700, SigmaMs: 5},
		{ID: PhaseFinish, From: FullExtension, To: Finish, FromMs: 700, ToMs: 800, SigmaMs: got.Phases[3].SigmaMs},
	}
	if diff := cmp.Diff(want, got.Phases); diff != "" {
		t.Error(diff)
	}
	if _, err := ByHand(tl, []Event{{ID: "apex", Found: true}}); err == nil {
		t.Error("an event that does not exist was set")
	}
	tl.Kind = KindTake
	if _, err := ByHand(tl, []Event{{ID: Contact, Found: true}}); err == nil {
		t.Error("a take got a contact")
	}
}

package season

import (
	"fmt"
	"testing"
	"time"

	"github.com/cloudevents/sdk-go/v2/event"

	"nightcage/metrics"
	"nightcage/phases"
	"nightcage/worker"
)

// recorded is the record of a swing of a clip.
func recorded(t *testing.T, id, clip string, made time.Time, filmed string, kind phases.Kind, mph float64) event.Event {
	t.Helper()
	u := 1.0
	var s metrics.Swing
	s.Status = metrics.StatusMeasured
	s.Subject.Team, s.Subject.Filmed = "Cinder Creek Comets", filmed
	s.Timeline.Kind = kind
	s.Measures = []metrics.Result{{ID: "bat_speed_contact", Value: &mph, Sigma: &u}}
	e := event.New()
	e.SetID(id)
	e.SetType(worker.TypeMeasured)
	e.SetSource("/nightcage/teams/cinder-creek-comets")
	e.SetSubject("Rook Calder")
	e.SetTime(made)
	e.SetExtension("clipsha256", clip)
	if err := e.SetData(event.ApplicationJSON, s); err != nil {
		t.Fatal(err)
	}
	return e
}

// TestMeasuredAgainCountsOnce: last month's clip, measured again by a newer
// pipeline that finds one swing where the older found two, is one swing.
func TestMeasuredAgainCountsOnce(t *testing.T) {
	old, now := time.Date(2026, 10, 1, 3, 0, 0, 0, time.UTC), time.Date(2026, 11, 1, 3, 0, 0, 0, time.UTC)
	swings, err := Load([]event.Event{
		recorded(t, "aa-1", "c1", old, "2026-09-30", phases.KindSwing, 50),
		recorded(t, "aa-2", "c1", old, "2026-09-30", phases.KindSwing, 51),
		recorded(t, "bb-1", "c2", old, "2026-09-30", phases.KindSwing, 52),
		recorded(t, "cc-1", "c1", now, "2026-09-30", phases.KindSwing, 53),
		recorded(t, "dd-1", "c3", now, "2026-09-30", phases.KindTake, 9),
	})
	if err != nil {
		t.Fatal(err)
	}
	var ids []string
	for _, s := range swings {
		ids = append(ids, s.ID)
	}
	if fmt.Sprint(ids) != "[bb-1 cc-1]" {
		t.Errorf("swings %v, want bb-1 and cc-1", ids)
	}
}

// TestSessions: a pause makes a session, midnight does not; a day that was told
// is one session.
func TestSessions(t *testing.T) {
	made := time.Date(2026, 11, 2, 3, 0, 0, 0, time.UTC)
	swings, err := Load([]event.Event{
		recorded(t, "a-1", "c1", made, "2026-11-01T23:20:00Z", phases.KindSwing, 50),
		recorded(t, "b-1", "c2", made, "2026-11-02T00:40:00Z", phases.KindSwing, 50),
		recorded(t, "c-1", "c3", made, "2026-11-02T16:00:00Z", phases.KindSwing, 50),
		recorded(t, "d-1", "c4", made, "2026-11-05", phases.KindSwing, 50),
		recorded(t, "e-1", "c5", made, "2026-11-05", phases.KindSwing, 50),
	})
	if err != nil {
		t.Fatal(err)
	}
	s := func(i int) string { return swings[i].Session }
	if s(0) != s(1) || s(1) == s(2) || s(2) == s(3) || s(3) != s(4) {
		t.Errorf("sessions %q %q %q %q %q", s(0), s(1), s(2), s(3), s(4))
	}
}

// TestRemadeStaysWhereItWas: a record made anew a year later is of the swing of
// that year, when nothing but the night it was first measured tells the day; and a
// clip that could not be measured again keeps what was measured.
func TestRemadeStaysWhereItWas(t *testing.T) {
	first, second := time.Date(2025, 10, 1, 3, 0, 0, 0, time.UTC), time.Date(2025, 11, 1, 3, 0, 0, 0, time.UTC)
	now := time.Date(2026, 11, 1, 3, 0, 0, 0, time.UTC)
	failure := recorded(t, "ff", "c2", now, "", phases.KindSwing, 0)
	failure.SetType(worker.TypeUnmeasured)
	events := []event.Event{
		recorded(t, "aa-1", "c1", first, "", phases.KindSwing, 50),
		recorded(t, "bb-1", "c2", second, "", phases.KindSwing, 52),
		recorded(t, "cc-1", "c1", now, "", phases.KindSwing, 51),
		failure,
	}
	swings, err := Load(events)
	if err != nil || len(swings) != 2 {
		t.Fatal(swings, err)
	}
	for i, want := range []struct {
		id string
		at time.Time
	}{{"cc-1", first}, {"bb-1", second}} {
		if s := swings[i]; s.ID != want.id || !s.At.Equal(want.at) || s.From != FromRecorded {
			t.Errorf("swing %d is %s of %v from %s, want %s of %v", i, s.ID, s.At, s.From, want.id, want.at)
		}
	}
	var ids []string
	for _, e := range Latest(events) {
		ids = append(ids, e.ID())
	}
	if fmt.Sprint(ids) != "[bb-1 cc-1]" {
		t.Errorf("latest %v, want bb-1 and cc-1", ids)
	}
}

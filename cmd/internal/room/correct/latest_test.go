package correct

import (
	"testing"

	"github.com/cloudevents/sdk-go/v2/event"

	"nightcage/metrics"
	"nightcage/worker"
)

// The last correction of the very swing counts; the event that was read stays as it
// was.
func TestLatest(t *testing.T) {
	home, err := worker.OpenHome(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	s := Of(home)
	const job = "0123456789abcdef0123456789abcdef"
	for _, note := range []string{"first", "second"} {
		if _, err := s.Add(job, 2, Kept{Record: metrics.Swing{Notes: []string{note}}}); err != nil {
			t.Fatal(err)
		}
	}
	for id, want := range map[string]string{job + "-1": "machine", job + "-2": "second", job: "machine"} {
		e := event.New()
		e.SetID(id)
		if err := e.SetData(event.ApplicationJSON, metrics.Swing{Notes: []string{"machine"}}); err != nil {
			t.Fatal(err)
		}
		got, err := s.Latest(e)
		if err != nil {
			t.Fatal(err)
		}
		var now, before metrics.Swing
		if err := got.DataAs(&now); err != nil {
			t.Fatal(err)
		}
		if err := e.DataAs(&before); err != nil {
			t.Fatal(err)
		}
		_, marked := got.Extensions()[Mark]
		if now.Notes[0] != want || before.Notes[0] != "machine" || marked != (want == "second") || got.ID() != id {
			t.Errorf("%s: %q, marked %v; was %q", id, now.Notes, marked, before.Notes)
		}
	}
}

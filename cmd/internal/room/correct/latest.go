package correct

import (
	"fmt"
	"path/filepath"

	"github.com/cloudevents/sdk-go/v2/event"

	"nightcage/worker"
)

// Of is the store of a home.
func Of(home worker.Home) *Store { return OpenStore(filepath.Join(home.Dir(), "corrections")) }

// Mark is the attribute of an event whose data a person corrected: the correction's
// number.
const Mark = "corrected"

// Latest is a record's event as the swing's last correction has it, with the
// attribute Mark; the event itself where nobody corrected the swing. Whoever
// reads records to show them or to compare goes by it. Errors: those of List.
func (s *Store) Latest(e event.Event) (event.Event, error) {
	job, n, ok := worker.SwingOf(e.ID())
	if !ok {
		return e, nil // a clip that was not measured
	}
	all, err := s.List(job, n)
	if err != nil || len(all) == 0 {
		return e, err
	}
	last := all[len(all)-1]
	e = e.Clone()
	e.SetExtension(Mark, last.Number)
	if err := e.SetData(event.ApplicationJSON, last.Record); err != nil {
		return e, fmt.Errorf("correction %d of record %s: %w", last.Number, e.ID(), err)
	}
	return e, nil
}

package worker

import (
	"fmt"
	"time"
)

// Filmed reads when a clip was filmed, as vision.Subject and vision.Clip tell
// it: a day (then dayOnly, and the time is that day's noon, UTC) or an instant.
func Filmed(s string) (at time.Time, dayOnly bool, err error) {
	if at, err = time.Parse(time.DateOnly, s); err == nil {
		return at.Add(12 * time.Hour), true, nil
	}
	if at, err = time.Parse(time.RFC3339, s); err == nil {
		return at, false, nil
	}
	return at, false, fmt.Errorf("%q is neither a day (2026-11-20) nor an instant (2026-11-20T18:30:00-05:00)", s)
}

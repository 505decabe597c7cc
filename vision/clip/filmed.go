package clip

import "time"

// Tags in which a file says when it was filmed: QuickTime's key with the place's
// own offset from UTC, and the container's creation time, which is in UTC.
const (
	creationDateKey = "com.apple.quicktime.creationdate"
	creationTimeKey = "creation_time"
)

// digital is when phones began to film: before it stand clocks never set, most
// of them at a format's zero (1904 for QuickTime, 1970 for others).
var digital = time.Date(2005, 1, 1, 0, 0, 0, 0, time.UTC)

// filmed is the instant that the file says it was filmed at, RFC 3339; empty when
// it says none that can be true. A copy or an edit may carry its own instant.
func filmed(p *probed) string {
	for _, want := range []string{creationDateKey, creationTimeKey} {
		_, text, ok := p.tags(func(key string) bool { return key == want })
		if !ok {
			continue
		}
		for _, layout := range []string{time.RFC3339, "2006-01-02T15:04:05-0700"} {
			if at, err := time.Parse(layout, text); err == nil && at.After(digital) {
				return at.Truncate(time.Second).Format(time.RFC3339)
			}
		}
	}
	return ""
}

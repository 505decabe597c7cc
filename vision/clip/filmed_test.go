package clip

import "testing"

func TestFilmed(t *testing.T) {
	for _, c := range []struct {
		name string
		tags map[string]string
		want string
	}{
		{"phone with its place's offset", map[string]string{creationDateKey: "2026-11-20T18:30:07-0500", creationTimeKey: "2026-11-20T23:30:07.000000Z"}, "2026-11-20T18:30:07-05:00"},
		{"container", map[string]string{creationTimeKey: "2026-11-20T23:30:07.000000Z"}, "2026-11-20T23:30:07Z"},
		{"a clock never set", map[string]string{creationTimeKey: "1904-01-01T00:00:00.000000Z"}, ""},
		{"no instant", map[string]string{creationTimeKey: "yesterday"}, ""},
		{"nothing said", nil, ""},
	} {
		if got := filmed(&probed{Index: index{tags: c.tags}}); got != c.want {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
}

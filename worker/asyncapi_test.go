package worker

import (
	"os"
	"strings"
	"testing"

	"go.yaml.in/yaml/v3"
)

// The document that other programs read names the subjects and streams that the
// queue has.
func TestAsyncAPINamesTheSubjects(t *testing.T) {
	b, err := os.ReadFile("../cmd/internal/api/asyncapi.yaml")
	if err != nil {
		t.Fatal(err)
	}
	var doc struct {
		Channels map[string]struct {
			Address     string
			Description string
			Parameters  map[string]any
		}
	}
	if err := yaml.Unmarshal(b, &doc); err != nil {
		t.Fatal(err)
	}
	want := map[string]struct{ address, stream string }{
		"jobs":    {jobsPrefix + "{job}", jobsStream},
		"dead":    {deadPrefix + "{job}", deadStream},
		"records": {recordsPrefix + "{team}.{record}", recordsStream},
	}
	for name, w := range want {
		c := doc.Channels[name]
		if c.Address != w.address || !strings.Contains(c.Description, w.stream) {
			t.Errorf("%s: %q (%s), want %q on %s", name, c.Address, c.Description, w.address, w.stream)
		}
		for p := range c.Parameters {
			if !strings.Contains(c.Address, "{"+p+"}") {
				t.Errorf("%s: parameter %s is not in its address", name, p)
			}
		}
	}
	if len(doc.Channels) != len(want) {
		t.Errorf("%d channels, want %d", len(doc.Channels), len(want))
	}
}
